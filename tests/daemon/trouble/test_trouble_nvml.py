"""NVML that fails, hangs, lies and is replaced under a running service."""

from __future__ import annotations

from collections.abc import Iterator
from functools import partial
from pathlib import Path

import pandas as pd
import pytest

from heatdrift.daemon.sensors.nvml import NvmlLink
from heatdrift.fake_sensors.nvml_double import STATE_VARIABLE
from heatdrift.store.records import GapReason, Missing

from .rig import DOUBLE, Rig

HALF_MEAN_S = 31.0  # a mean of idle looks reaches half a minute to both sides of its moment
PHASE_S = 200.0  # so that at least one whole mean lies in the fault
TEMPERATURE = "nvmlDeviceGetTemperatureV"


def test_absurd_values_of_a_card(gpu_rig: Rig, caplog: pytest.LogCaptureFixture) -> None:
    """752 W on an 80 W part, and temperatures that mean "no answer"; one after the other."""
    caplog.set_level("INFO")
    gpu_rig.gpus[0] = {"energy_j": None}  # so that power is had as watts
    lies: list[tuple[str, dict[str, object]]] = [
        ("power_w", {"power_w": 752.0, "average_power_w": 752.0, "enforced_limit_w": 80.0}),
        ("temperature_c", {"temperature_c": 0}),
        ("temperature_c", {"temperature_c": 255}),
        ("temperature_c", {"temperature_c": 65535}),
    ]

    def fail(lie: dict[str, object]) -> None:
        gpu_rig.gpus[0] |= lie

    def heal() -> None:
        gpu_rig.gpus[0] = {"energy_j": None}

    for number, (_, lie) in enumerate(lies):
        gpu_rig.at(PHASE_S * number + 50.0, partial(fail, lie))
        gpu_rig.at(PHASE_S * (number + 1), heal)

    assert gpu_rig.run(PHASE_S * len(lies) + 50.0) == 0
    record = gpu_rig.record()
    for source in ("gpu0", "cpu0"):
        assert record.n_looks(source) == gpu_rig.counter.n_looks
    for number, (quantity, lie) in enumerate(lies):
        began_s = PHASE_S * number + 50.0 + HALF_MEAN_S
        span = began_s, PHASE_S * (number + 1) - HALF_MEAN_S
        assert set(record.reasons("gpu0", quantity, *span)) == {Missing.IMPLAUSIBLE}, lie
        assert record.between("gpu0", *span)["clock_mhz"].notna().all()
    assert caplog.text.count("gpu0 power_w: lost (impossible values)") == 1
    assert caplog.text.count("gpu0 temperature_c: lost (impossible values)") == 3
    assert caplog.text.count("gpu0 temperature_c: back") == 3


def test_error_of_one_getter(gpu_rig: Rig, caplog: pytest.LogCaptureFixture) -> None:
    """It costs one reading of one card."""
    caplog.set_level("INFO")
    for number, code in enumerate((4, 10)):
        fail = partial(gpu_rig.gpus[0].__setitem__, "errors", {TEMPERATURE: code})
        gpu_rig.at(PHASE_S * number + 50.0, fail)
        gpu_rig.at(PHASE_S * (number + 1), gpu_rig.gpus[0].clear)
    assert gpu_rig.run(450.0) == 0
    record = gpu_rig.record()
    for source in ("gpu0", "cpu0"):
        assert record.n_looks(source) == gpu_rig.counter.n_looks
    for number, reason in enumerate((Missing.PERMISSION, Missing.TIMEOUT)):
        span = PHASE_S * number + 50.0 + HALF_MEAN_S, PHASE_S * (number + 1) - HALF_MEAN_S
        assert set(record.reasons("gpu0", "temperature_c", *span)) == {reason}
        assert record.between("gpu0", *span)["clock_mhz"].notna().all()
    assert "gpu0 temperature_c: lost (no permission)" in caplog.text
    assert "gpu0 temperature_c: lost (no answer in time)" in caplog.text
    assert caplog.text.count("gpu0 temperature_c: back") == 2


def test_error_of_nvml_itself(gpu_rig: Rig, caplog: pytest.LogCaptureFixture) -> None:
    """It costs the card ten minutes, whether it lasts or not, and the processor nothing."""
    caplog.set_level("INFO")
    gpu_rig.at(60.0, partial(gpu_rig.gpus[0].__setitem__, "errors", {TEMPERATURE: 999}))
    gpu_rig.at(300.0, gpu_rig.gpus[0].clear)
    assert gpu_rig.run(800.0) == 0
    record = gpu_rig.record()
    for source in ("gpu0", "cpu0"):
        assert record.n_looks(source) == gpu_rig.counter.n_looks
    for quantity in ("temperature_c", "power_w", "clock_mhz"):
        assert set(record.reasons("gpu0", quantity, 60 + HALF_MEAN_S, 600)) == {Missing.DRIVER_ERROR}
        assert record.between("gpu0", 670 + HALF_MEAN_S, 800)[quantity].notna().all()
    assert record.sources["cpu0"]["temperature_c"].notna().all()
    assert caplog.text.count(f"NVML code 999 from {TEMPERATURE}; next try in 600 s") == 1
    assert caplog.text.count("NVML answers again") == 1


@pytest.fixture
def impatient_rig(rig_root: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[Rig]:
    # Real seconds: far more than an interpreter needs to start, far less than the hang.
    rig = Rig(rig_root, has_nvml=True, deadline_s=2.0)
    monkeypatch.setenv(STATE_VARIABLE, str(rig.tree.nvml_state))
    yield rig
    rig.close()


def test_nvml_hang(impatient_rig: Rig, caplog: pytest.LogCaptureFixture) -> None:
    caplog.set_level("INFO")
    rig = impatient_rig
    pids: list[int] = []

    def hang() -> None:
        assert rig.link is not None and rig.link.pid is not None
        pids.append(rig.link.pid)
        rig.gpus[0]["delays_s"] = {TEMPERATURE: 3600.0}

    rig.at(50.0, hang)  # in a load step, where each look is a row
    rig.at(55.0, rig.gpus[0].clear)
    assert rig.run(150.0) == 0
    record = rig.record()
    for source in ("gpu0", "cpu0"):
        assert record.n_looks(source) == rig.counter.n_looks
    lost = record.reasons("gpu0", "temperature_c", 50, 70)
    assert lost.count(Missing.TIMEOUT) == 1  # then nobody asks for ten seconds
    assert set(lost) == {None, Missing.TIMEOUT, Missing.DRIVER_ERROR}
    assert record.between("gpu0", 65, 150)["temperature_c"].notna().all()
    assert record.sources["cpu0"]["temperature_c"].notna().all()
    assert "did not answer within 2 s; next try in 10 s" in caplog.text
    assert "NVML answers again" in caplog.text
    assert not Path(f"/proc/{pids[0]}").exists()


def test_driver_update_under_a_running_service(gpu_rig: Rig, caplog: pytest.LogCaptureFixture) -> None:
    """The calls begin to fail, a new child cannot even open NVML; after the reload it is another driver."""
    caplog.set_level("INFO")

    def update() -> None:
        gpu_rig.gpus[0].update(errors={TEMPERATURE: 18})
        gpu_rig.nvml["errors"] = {"nvmlInit": 18}

    def reload() -> None:
        gpu_rig.gpus[0].clear()
        gpu_rig.nvml = {"driver_version": "570.1"}

    gpu_rig.at(60.0, update)
    gpu_rig.at(630.0, reload)
    assert gpu_rig.run(800.0) == 0
    record = gpu_rig.record()
    for source in ("gpu0", "cpu0"):
        assert record.n_looks(source) == gpu_rig.counter.n_looks
    lost = record.reasons("gpu0", "temperature_c", 60 + HALF_MEAN_S, 630)
    assert set(lost) == {Missing.DRIVER_ERROR}
    assert record.between("gpu0", 670 + HALF_MEAN_S, 800)["temperature_c"].notna().all()
    assert "reboot pending after a driver update" in caplog.text
    told = [(c.before, c.after) for c in record.changes if c.subject == "nvidia_driver"]
    assert told == [(None, "550.90.07"), ("550.90.07", "570.1")]


def test_twin_cards(gpu_rig: Rig, caplog: pytest.LogCaptureFixture) -> None:
    """Two of the same name: one falls off the bus, and the other never takes its place.

    NVML is closed for ten minutes, since a card that is lost makes all of it doubtful; then the healthy one
    is read again.
    """
    caplog.set_level("INFO")
    gpu_rig.gpus = [
        {"uuid": "GPU-a", "pci_bus_id": "00000000:01:00.0", "memory_temperature_c": 61},
        {"uuid": "GPU-b", "pci_bus_id": "00000000:02:00.0", "memory_temperature_c": 62},
    ]
    lost = {"nvmlDeviceGetHandleByIndex": 15, TEMPERATURE: 15}
    gpu_rig.at(60.0, lambda: gpu_rig.gpus[0].update(errors=lost))
    assert gpu_rig.run(800.0) == 0
    record = gpu_rig.record()
    owners = {channel.device: owner for owner, channel in record.channels if channel.quantity == "power_w"}
    assert (owners["GPU-a"], owners["GPU-b"]) == ("gpu0", "gpu1")
    for source, mark_c in (("gpu0", 61), ("gpu1", 62)):
        assert record.n_looks(source) == gpu_rig.counter.n_looks
        assert set(record.sources[source]["memory_temperature_c"].dropna()) == {mark_c}
    assert set(record.reasons("gpu0", "temperature_c", 60 + HALF_MEAN_S, 800)) == {Missing.DRIVER_ERROR}
    assert record.between("gpu1", 670 + HALF_MEAN_S, 800)["temperature_c"].notna().all()
    assert "NVML: GPU 0 does not answer; the others are read" in caplog.text


def test_gpu_that_sleeps_when_the_service_starts_again(gpu_rig: Rig) -> None:
    """No sensor of it is known in that run until somebody wakes it; the record says so all the same."""
    rig = gpu_rig
    assert rig.run(300.0) == 0
    power = rig.tree.sys_root / "bus/pci/devices/0000:01:00.0/power"
    (power / "control").write_text("auto\n")
    (power / "runtime_status").write_text("suspended\n")
    assert rig.link is not None
    rig.link.close()
    rig.link = NvmlLink(library=DOUBLE)
    rig.clock.turn(100.0)
    began_ms = rig.clock.wall_utc_ms()
    rig.at(600.0, lambda: (power / "runtime_status").write_text("active\n"))
    rig.at(700.0, lambda: rig.clock.suspend(30.0))  # after which sensors are looked for
    assert rig.run(1500.0) == 0
    record = rig.record()
    (gap,) = [gap for gap in record.gaps if gap.source]
    assert (gap.reason, gap.source) == (GapReason.ASLEEP, "gpu0")
    assert gap.from_utc_ms == began_ms
    # It was met when it was awake for some looks, and was found a minute and a half after the resume.
    assert (gap.to_utc_ms - began_ms) / 1000 == pytest.approx(700 + 30 + 90, abs=11)
    dated_ms = pd.DatetimeIndex(record.sources["gpu0"].index).as_unit("ms").asi8
    assert not ((dated_ms > gap.from_utc_ms) & (dated_ms < gap.to_utc_ms - 31_000)).any()
    assert (dated_ms > gap.to_utc_ms).any()
