"""A driver that takes its time holds up nobody else, and what it says too late is no reading."""

from __future__ import annotations

import os
import sys
import threading
from collections.abc import Iterator
from pathlib import Path

import pytest

from heatdrift.daemon.sensors.nvml import NvmlGroup, NvmlLink, nvml_groups
from heatdrift.daemon.sensors.nvml_pipe import ChildPipe, NvmlLateError
from heatdrift.fake_sensors.nvml_double import STATE_VARIABLE, GpuState, write_state
from heatdrift.store.errors import NvmlError
from heatdrift.store.records import Missing

DOUBLE = "heatdrift.fake_sensors.nvml_double"
GENEROUS_S = 60.0  # a guard against hanging
# Answers "open" and "read" when a file appears, and counts the questions.
WAITING_CHILD = """
import json, os, sys, time
for number, line in enumerate(sys.stdin, 1):
    while not os.path.exists(sys.argv[1]):
        time.sleep(0.01)
    print(json.dumps({"number": number, "asked": json.loads(line)["ask"]}), flush=True)
"""


@pytest.fixture
def gate(tmp_path: Path) -> Path:
    return tmp_path / "gate"


@pytest.fixture
def pipe(gate: Path) -> Iterator[ChildPipe]:
    pipe = ChildPipe([sys.executable, "-c", WAITING_CHILD, str(gate)], GENEROUS_S)
    yield pipe
    pipe.end()


def test_answer_that_is_late_is_not_waited_for(pipe: ChildPipe, gate: Path) -> None:
    for _ in range(3):
        with pytest.raises(NvmlLateError):
            pipe.ask({"ask": "read"}, 0.0)
    assert pipe.owes
    gate.touch()
    # Only one question was sent; its answer is taken and thrown away, for it tells of another moment.
    assert pipe.ask({"ask": "read"}) == {"number": 2, "asked": "read"}
    assert not pipe.owes


def test_late_answer_to_an_opening_is_taken(pipe: ChildPipe, gate: Path) -> None:
    with pytest.raises(NvmlLateError):
        pipe.ask({"ask": "open"}, 0.0)
    gate.touch()
    assert pipe.ask({"ask": "open"}) == {"number": 1, "asked": "open"}


def test_deadline_counts_from_the_question(gate: Path) -> None:
    pipe = ChildPipe([sys.executable, "-c", WAITING_CHILD, str(gate)], 0.2)
    with pytest.raises(NvmlLateError):
        pipe.ask({"ask": "read"}, 0.0)
    threading.Event().wait(0.3)
    with pytest.raises(NvmlError, match="did not answer within") as caught:
        pipe.ask({"ask": "read"}, 0.0)
    assert not isinstance(caught.value, NvmlLateError)
    pipe.end()


def test_slow_driver_keeps_its_child_and_is_read_when_it_is_quick_again(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    state = tmp_path / "nvml.json"
    monkeypatch.setenv(STATE_VARIABLE, str(state))
    (tmp_path / "sys").mkdir()
    write_state(state, "580.1", [GpuState()])
    link = NvmlLink(library=DOUBLE, deadline_s=GENEROUS_S, patience_s=0.01)
    (group,) = nvml_groups(link, tmp_path / "sys")
    assert isinstance(group, NvmlGroup)
    write_state(state, "580.1", [GpuState(delays_s={"nvmlDeviceGetTemperatureV": 1.0}, temperature_c=99)])
    child = link.pid
    assert set(group.read(1.0)) == {Missing.TIMEOUT}
    write_state(state, "580.1", [GpuState(temperature_c=40)])
    at_s, temperature = 2.0, group.read(2.0)[0]
    while temperature is Missing.TIMEOUT and at_s < 1e5:
        threading.Event().wait(0.01)
        at_s += 1.0
        temperature = group.read(at_s)[0]
    assert temperature == 40000  # never the 99 degrees of the answer that came late
    assert (link.pid, link.notice) == (child, "")
    assert child is not None and Path(f"/proc/{child}").exists() and os.getpid() != child
    link.close()


def test_gpu_whose_driver_hangs_at_the_start_is_met_later(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Just after the machine has started, everything is slow: the GPU must not be forgotten for that."""
    state = tmp_path / "nvml.json"
    monkeypatch.setenv(STATE_VARIABLE, str(state))
    (tmp_path / "sys").mkdir()
    write_state(state, "580.1", [GpuState()])
    link = NvmlLink([sys.executable, "-c", "import time; time.sleep(3600)"], deadline_s=0.1)
    (waiting,) = nvml_groups(link, tmp_path / "sys")
    assert (waiting.channels, link.has_news) == ((), False)
    link._command, link._deadline_s = NvmlLink(library=DOUBLE)._command, GENEROUS_S  # it is quick again
    waiting.read(1.0)
    waiting.read(1000.0)
    assert link.has_news
    (group,) = nvml_groups(link, tmp_path / "sys")
    assert isinstance(group, NvmlGroup)
    link.close()
