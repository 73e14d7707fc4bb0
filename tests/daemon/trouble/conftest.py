"""The recorder beside an invented laptop, without and with its GPU."""

from __future__ import annotations

import os
import tempfile
from collections.abc import Iterator
from pathlib import Path

import pytest

from heatdrift.fake_sensors.nvml_double import STATE_VARIABLE

from .rig import Rig


@pytest.fixture
def rig_root(tmp_path: Path) -> Iterator[Path]:
    """A folder in memory where there is one: a tree that is rewritten each second is none for a disk."""
    memory = Path("/dev/shm")
    if not os.access(memory, os.W_OK):
        yield tmp_path
        return
    with tempfile.TemporaryDirectory(prefix="heatdrift-rig-", dir=memory) as folder:
        yield Path(folder)


@pytest.fixture
def rig(rig_root: Path) -> Iterator[Rig]:
    rig = Rig(rig_root)
    yield rig
    rig.close()


@pytest.fixture
def gpu_rig(rig_root: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[Rig]:
    rig = Rig(rig_root, has_nvml=True)
    monkeypatch.setenv(STATE_VARIABLE, str(rig.tree.nvml_state))
    yield rig
    rig.close()
