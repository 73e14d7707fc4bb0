"""Sensors that fail in every known way at random moments: no crash, no row lost, no value invented.

``HEATDRIFT_CAMPAIGN=100`` injects each fault so often; without it a short form runs.
"""

from __future__ import annotations

import logging
import os
import random
import signal
import sys
import tempfile
import threading
from collections.abc import Callable, Iterator
from functools import partial
from pathlib import Path

import pytest

from heatdrift.daemon.sensors.nvml import NvmlLink
from heatdrift.fake_sensors.nvml_double import STATE_VARIABLE
from heatdrift.store.records import Missing

from ..daemon.trouble.rig import Record
from .process_ledger import Ledger, n_injections
from .sensor_rig import ERRNOS, FILES, FaultRig, Injection, met_ones, texts

SEED = 20261126
REST_S = (20.0, 90.0)
LASTS_S = (2.0, 80.0)
NVML_LASTS_S = (2.0, 12.0)  # each try of a broken child costs an interpreter
LOST_REST_S = (650.0, 900.0)  # a driver that is lost is left alone for ten minutes
LOST_CODES = (1, 9, 15, 16, 17, 18, 999)
TEMPERATURE = "nvmlDeviceGetTemperatureV"
MAD_CHILD = Path(__file__).with_name("sensor_mad_child.py")
# Real seconds: enough to start an interpreter on a busy machine; the turned clock stands still meanwhile.
DEADLINE_S, DEADLINE_OF_HANGS_S = 20.0, 5.0
COMES_BACK_S = 1500.0  # after the longest of the pauses between two tries
GENEROUS_S = 600.0  # a guard against hanging


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


@pytest.fixture
def mad_rig(tmp_path: Path, monkeypatch: pytest.MonkeyPatch, fault: str) -> Iterator[FaultRig]:
    """With a GPU whose child does what a file says."""
    deadline_s = DEADLINE_OF_HANGS_S if fault == "hangs" else DEADLINE_S
    memory = Path("/dev/shm")
    with tempfile.TemporaryDirectory(dir=memory if os.access(memory, os.W_OK) else tmp_path) as folder:
        rig = FaultRig(Path(folder), has_nvml=True)
        command = [sys.executable, str(MAD_CHILD), str(rig.root / "control")]
        rig.link = NvmlLink(command, deadline_s=deadline_s)
        monkeypatch.setenv(STATE_VARIABLE, str(rig.tree.nvml_state))
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
    assert_survived(rig, fault, injections, at_s + 120.0, lambda: met_ones(injections, rig.met_s))


def test_a_file_that_blocks_for_ever_costs_its_own_values_and_one_thread(rig: FaultRig) -> None:
    """Also where it blocks from the start, so that no service starts for nothing."""
    fan = FILES[3]
    over = threading.Event()
    rig.files.hold = lambda: over.wait(GENEROUS_S)
    rig.files.held.add(fan)
    n_threads = threading.active_count()
    try:
        assert rig.run(4000.0) == 0  # with a search for sensors
        assert threading.active_count() <= n_threads + 1
    finally:
        over.set()
    record = rig.record()
    assert record.n_looks("cpu0") == rig.counter.n_looks
    assert rig.invented(record) == []
    assert record.sources["cpu0"][["temperature_c", "power_w"]].notna().all(axis=None)
    reasons = record.probes["fan1"]["speed_rpm_missing_reason"]
    assert set(reasons) == {Missing.TIMEOUT.value}


@pytest.mark.parametrize(
    "fault",
    [
        "killed",
        "hangs",
        "dies in the middle",
        "talks garbage",
        "talks without end",
        "wild numbers",
        "GPU lost",
    ],
)
def test_nvml_child_that_fails_at_random_moments(mad_rig: FaultRig, fault: str) -> None:
    rig, rng = mad_rig, random.Random(f"{SEED} nvml {fault}")
    control, met = rig.root / "control", set[int]()

    def begin(number: int) -> None:
        if fault == "killed":
            assert rig.link is not None
            if rig.link.pid is not None:
                os.kill(rig.link.pid, signal.SIGKILL)
                met.add(number)
        elif fault == "GPU lost":
            lost = rng.choice(LOST_CODES)
            rig.gpus[0] = {"errors": dict.fromkeys((TEMPERATURE, "nvmlDeviceGetHandleByIndex"), lost)}
            met.add(number)
        else:
            control.write_text(f"{fault} {number}")

    def end() -> None:
        control.unlink(missing_ok=True)
        rig.gpus[0] = {}

    at_s, injections = 30.0, []
    rest_s = LOST_REST_S if fault == "GPU lost" else REST_S
    for number in range(n_injections(2)):
        one = Injection(fault, "", at_s, at_s + rng.uniform(*NVML_LASTS_S))
        injections.append(one)
        rig.inject(one, partial(begin, number), end)
        at_s = one.to_s + rng.uniform(*rest_s)

    def were_met() -> list[Injection]:
        path = rig.root / "met"
        numbers = met | ({int(word) for word in path.read_text().split()} if path.exists() else set())
        return [injections[number] for number in sorted(numbers)]

    record = assert_survived(rig, f"NVML child {fault}", injections, at_s + COMES_BACK_S, were_met)
    assert record.n_looks("gpu0") == rig.counter.n_looks
    assert record.sources["gpu0"]["temperature_c"].iloc[-60:].notna().all()  # it came back
    assert record.sources["cpu0"]["temperature_c"].notna().all()  # nobody else has suffered


def assert_survived(
    rig: FaultRig,
    fault: str,
    injections: list[Injection],
    for_s: float,
    were_met: Callable[[], list[Injection]],
) -> Record:
    """Run, count, print, and refuse a lost row or an invented value."""
    heard = LogClock(rig)
    logging.getLogger("heatdrift").addHandler(heard)
    try:
        status = rig.run(for_s)
    finally:
        logging.getLogger("heatdrift").removeHandler(heard)
    record = rig.record()
    ledger = Ledger("sensors", SEED)
    count = ledger.of(fault)
    invented = rig.invented(record)
    count.injected, count.survived = len(injections), len(injections) if status == 0 else 0
    count.rows_lost = rig.counter.n_looks - record.n_looks("cpu0")
    count.invented = len(invented)
    met = were_met()
    count.said, count.met = rig.n_said(record, met, heard.moments_s), len(met)
    ledger.show()
    print(f"longest time without a look: {rig.longest_silence_s:.0f} s; gaps: {len(record.gaps)}")
    print(*invented[:10], sep="\n")
    assert not heard.errors
    assert (count.survived, count.rows_lost, count.invented) == (count.injected, 0, 0)
    return record
