"""Sensors that fail in every known way at random moments: no crash, no row lost, no value invented.

``HEATDRIFT_CAMPAIGN=100`` injects each fault so often; without it a short form runs.
"""

from __future__ import annotations

import logging
import os
import random
import tempfile
from collections.abc import Callable, Iterator
from functools import partial
from pathlib import Path

import pytest

from .process_ledger import Ledger, n_injections
from .sensor_rig import ERRNOS, FILES, FaultRig, Injection, met_ones, texts

SEED = 20261126
REST_S = (20.0, 90.0)
LASTS_S = (2.0, 80.0)


class LogClock(logging.Handler):
    """When the service said something, in seconds since the start."""

    def __init__(self, rig: FaultRig) -> None:
        super().__init__(logging.WARNING)
        self._rig, self._began_s = rig, rig.clock.monotonic_s()
        self.moments_s: list[float] = []
        self.errors: list[str] = []

    def emit(self, record: logging.LogRecord) -> None:
        self.moments_s.append(self._rig.clock.monotonic_s() - self._began_s)
        if record.levelno >= logging.ERROR:
            self.errors.append(record.getMessage())


@pytest.fixture
def rig(tmp_path: Path) -> Iterator[FaultRig]:
    memory = Path("/dev/shm")
    with tempfile.TemporaryDirectory(dir=memory if os.access(memory, os.W_OK) else tmp_path) as folder:
        rig = FaultRig(Path(folder))
        yield rig
        rig.close()


def faults(
    rig: FaultRig, rng: random.Random
) -> dict[str, tuple[Callable[[str], object], Callable[[str], object]]]:
    """By name: what begins a fault in a file, and what ends it."""
    files = rig.files

    def lie(make: Callable[[str], str], file: str) -> None:
        files.lies[file] = make

    def fail(codes: tuple[int, ...], file: str) -> None:
        files.errors[file] = rng.choice(codes)

    def unbind(file: str) -> None:
        files.unbind(file)
        files.errors[file] = 2  # ENOENT

    def heal(file: str) -> None:
        files.lies.pop(file, None)
        files.errors.pop(file, None)
        files.held.discard(file)

    known: dict[str, tuple[Callable[[str], object], Callable[[str], object]]] = {
        name: (partial(lie, make), heal) for name, make in texts(rng).items()
    }
    known["error of a read"] = partial(fail, ERRNOS), heal
    known["vanished"] = unbind, heal
    known["blocked for 10 s"] = files.held.add, heal
    return known


@pytest.mark.parametrize(
    "fault",
    [
        "text",
        "binary",
        "empty",
        "huge text",
        "absurd number",
        "error of a read",
        "vanished",
        "blocked for 10 s",
    ],
)
def test_a_file_that_fails_at_random_moments(rig: FaultRig, fault: str) -> None:
    rng = random.Random(f"{SEED} {fault}")
    begin, end = faults(rig, rng)[fault]
    at_s, injections = 30.0, []
    for _ in range(n_injections(6)):
        file = rng.choice(FILES)
        one = Injection(fault, file, at_s, at_s + rng.uniform(*LASTS_S))
        injections.append(one)
        rig.inject(one, partial(begin, file), partial(end, file))
        at_s = one.to_s + rng.uniform(*REST_S)
    heard = LogClock(rig)
    logging.getLogger("heatdrift").addHandler(heard)
    try:
        status = rig.run(at_s + 120.0)
    finally:
        logging.getLogger("heatdrift").removeHandler(heard)
    record = rig.record()
    ledger = Ledger("sensors", SEED)
    count = ledger.of(fault)
    invented = rig.invented(record)
    count.injected, count.survived = len(injections), len(injections) if status == 0 else 0
    count.rows_lost = rig.counter.n_looks - record.n_looks("cpu0")
    count.invented = len(invented)
    met = met_ones(injections, rig.met_s)
    count.said, count.met = rig.n_said(record, met, heard.moments_s), len(met)
    ledger.show()
    print(f"longest time without a look: {rig.longest_silence_s:.0f} s; gaps: {len(record.gaps)}")
    print(*invented[:10], sep="\n")
    assert not heard.errors
    assert (count.survived, count.rows_lost, count.invented) == (count.injected, 0, 0)
