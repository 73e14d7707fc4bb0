from __future__ import annotations

import platform
from pathlib import Path

import pytest

from heatdrift.daemon.freed_memory import give_back

PIECE_BYTES = 1000  # above what Python keeps in pools of its own, below what is mapped piece by piece
N_PIECES = 50_000


def resident_kib() -> int:
    """Resident memory of this process [KiB]."""
    lines = Path("/proc/self/status").read_text().splitlines()
    return next(int(line.split()[1]) for line in lines if line.startswith("VmRSS:"))


@pytest.mark.skipif(platform.libc_ver()[0] != "glibc", reason="only the GNU library can be asked")
def test_freed_memory_goes_back_to_the_system() -> None:
    pieces = [bytes(PIECE_BYTES) for _ in range(N_PIECES)]
    kept = pieces[-1]  # the last one holds the heap up, so that nothing goes back by itself
    del pieces
    before_kib = resident_kib()
    assert give_back()
    # Pages that still hold other objects stay: two thirds of 49 MiB is well beyond chance.
    assert before_kib - resident_kib() > N_PIECES * PIECE_BYTES / 1024 * 2 / 3
    assert len(kept) == PIECE_BYTES
