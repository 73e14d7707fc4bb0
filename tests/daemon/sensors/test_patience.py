"""Nothing that hangs in the kernel holds up anything else."""

from __future__ import annotations

import errno
import os
import threading
from collections.abc import Iterator
from pathlib import Path

import pytest

from heatdrift.daemon.discovery import Doors, discover
from heatdrift.daemon.sensors.kept_file import FileDoor, KeptFile
from heatdrift.daemon.sensors.patience import LONGEST_REST_S, REST_S, Patience, PatientFiles
from heatdrift.store.records import Missing

from .conftest import FakeSys

PATIENCE_S = 0.05
GENEROUS_S = 30.0  # a guard against hanging


class Stopwatch:
    def __init__(self) -> None:
        self.now_s = 0.0

    def __call__(self) -> float:
        return self.now_s


@pytest.fixture
def stopwatch() -> Stopwatch:
    return Stopwatch()


@pytest.fixture
def patience(stopwatch: Stopwatch) -> Patience:
    return Patience(PATIENCE_S, stopwatch)


@pytest.fixture
def over() -> Iterator[threading.Event]:
    """Ends whatever hangs, at the latest with the test."""
    event = threading.Event()
    yield event
    event.set()


def settled(patience: Patience, key: str) -> None:
    """Wait until the thread of an earlier question has come back."""
    until = threading.Event()
    for _ in range(round(GENEROUS_S / 0.01)):
        if not patience.is_waiting(key):
            return
        until.wait(0.01)
    raise AssertionError(f"{key} still hangs")


def test_first_question_is_asked_aside_and_the_next_directly(patience: Patience) -> None:
    threads = [patience.ask("a", threading.current_thread) for _ in range(3)]
    assert threads[0] is not threading.main_thread()
    assert threads[1:] == [threading.main_thread()] * 2


def test_error_is_an_answer(patience: Patience) -> None:
    def fail() -> int:
        raise OSError(errno.EIO, "broken")

    for _ in range(2):
        with pytest.raises(OSError, match="broken") as caught:
            patience.ask("a", fail)
        assert caught.value.errno == errno.EIO


def test_late_answer_is_none_and_rests_ever_longer(
    patience: Patience, stopwatch: Stopwatch, caplog: pytest.LogCaptureFixture
) -> None:
    def hang() -> int:
        stopwatch.now_s += 10.0
        return 42

    assert patience.ask("a", lambda: 42) == 42
    with pytest.raises(TimeoutError):
        patience.ask("a", hang)  # ten seconds are lost, once
    n_asked = 0

    def count() -> int:
        nonlocal n_asked
        n_asked += 1
        return 42

    with pytest.raises(TimeoutError):
        patience.ask("a", count)
    assert n_asked == 0
    stopwatch.now_s += REST_S
    assert patience.ask("a", threading.current_thread) is not threading.main_thread()  # never again directly
    assert patience.ask("a", count) == 42
    assert caplog.text.count("a: no answer within") == 1


def test_one_that_is_late_puts_all_others_to_the_proof(patience: Patience, stopwatch: Stopwatch) -> None:
    """Ten files of one controller must not block ten times ten seconds."""

    def hang() -> None:
        stopwatch.now_s += 10.0

    for key in "ab":
        patience.ask(key, lambda: None)
    with pytest.raises(TimeoutError):
        patience.ask("a", hang)
    threads = [patience.ask("b", threading.current_thread) for _ in range(2)]
    assert (threads[0] is threading.main_thread(), threads[1] is threading.main_thread()) == (False, True)


def test_what_hangs_for_ever_is_asked_by_one_thread(
    patience: Patience, stopwatch: Stopwatch, over: threading.Event
) -> None:
    n_asked = 0

    def hang() -> bool:
        nonlocal n_asked
        n_asked += 1
        return over.wait(GENEROUS_S)

    for _ in range(5):
        with pytest.raises(TimeoutError) as caught:
            patience.ask("a", hang)
        assert caught.value.errno == errno.ETIMEDOUT
        stopwatch.now_s += LONGEST_REST_S
    assert n_asked == 1
    over.set()
    settled(patience, "a")
    assert patience.ask("a", lambda: "well again") == "well again"


@pytest.mark.parametrize("does_fail", [False, True], ids=["late answer", "late error"])
def test_descriptor_is_closed_by_whoever_still_reads_from_it(
    patience: Patience, over: threading.Event, tmp_path: Path, *, does_fail: bool
) -> None:
    path = tmp_path / "temp1_input"
    path.write_text("45000\n")
    closed: list[int] = []

    def hang(fd: int, n_bytes: int, offset: int) -> bytes:
        over.wait(GENEROUS_S)
        assert fd not in closed
        if does_fail:
            raise OSError(errno.EIO, "broken")
        return os.pread(fd, n_bytes, offset)

    def close(fd: int) -> None:
        closed.append(fd)
        os.close(fd)

    file = KeptFile(path, PatientFiles(FileDoor(pread=hang, close=close), patience).door)
    assert file.number() is Missing.TIMEOUT
    assert closed == []
    over.set()
    settled(patience, str(path))
    until_closed = threading.Event()
    for _ in range(round(GENEROUS_S / 0.01)):
        if closed or until_closed.wait(0.01):
            break
    assert len(closed) == 1
    assert file.number() is Missing.TIMEOUT  # it rests
    assert len(closed) == 2


def test_pipe_that_nobody_writes_to_costs_its_own_value_only(fake_sys: FakeSys) -> None:
    """A pipe blocks already at opening, as no file of the kernel does: the hardest case."""
    fake_sys.intel_laptop()
    (blocked,) = fake_sys.sys.rglob("fan1_input")
    blocked.unlink()
    os.mkfifo(blocked)
    files = PatientFiles(patience=Patience(PATIENCE_S))
    layout = discover(Doors(fake_sys.sys, fake_sys.proc, None, False, files.door))
    readings = {
        channel.key: reading
        for group in layout.groups
        for channel, reading in zip(group.channels, group.read(1.0), strict=True)
    }
    assert {key for key, reading in readings.items() if reading is Missing.TIMEOUT} == {
        key for key in readings if "/fan/" in key
    }
    assert readings["hwmon/coretemp/platform/coretemp.0/temp/Package_id_0"] == 45000
    layout.close()
    writing = os.open(blocked, os.O_RDWR)  # lets the thread go
    os.write(writing, b"2400\n")
    os.close(writing)
