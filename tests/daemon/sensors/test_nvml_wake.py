"""A GPU that powers itself down is never woken, and never kept awake for longer than its user did."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest

from heatdrift.daemon.sensors.nvml import NvmlGroup, NvmlLink, SleepingGroup, nvml_groups
from heatdrift.daemon.sensors.nvml_wake import Door, WakeGuard
from heatdrift.fake_sensors.nvml_double import STATE_VARIABLE, GpuState, write_state
from heatdrift.store.records import Missing

ADDRESS = "0000:01:00.0"


class Laptop:
    """A hybrid laptop: power files of one GPU, an invented NVML that counts who touches it."""

    def __init__(self, root: Path) -> None:
        self.sys_root = root / "sys"
        self.device = self.sys_root / "bus/pci/devices" / ADDRESS
        (self.device / "power").mkdir(parents=True)
        (self.device / "vendor").write_text("0x10de\n")
        (self.device / "class").write_text("0x030200\n")
        self.power("control", "auto")
        self.power("autosuspend_delay_ms", "10000")
        self.calls_path = root / "calls"
        self.calls_path.touch()
        self.state_path = root / "nvml.json"
        self.link = NvmlLink(library="heatdrift.fake_sensors.nvml_double")
        self.set(asleep=False)

    def power(self, name: str, value: str) -> None:
        (self.device / "power" / name).write_text(value + "\n")

    def set(self, *, asleep: bool, utilization_pct: int = 0) -> None:
        self.power("runtime_status", "suspended" if asleep else "active")
        gpu = GpuState(asleep=asleep, utilization_pct=utilization_pct)
        write_state(self.state_path, "580.1", [gpu], calls_path=self.calls_path)

    def met(self) -> NvmlGroup:
        """Discovery while somebody uses the GPU."""
        (group,) = nvml_groups(self.link, self.sys_root)
        assert isinstance(group, NvmlGroup)
        return group

    @property
    def n_reads(self) -> int:
        return self.calls_path.read_text().count("nvmlDeviceGetTemperatureV awake")

    @property
    def n_calls_asleep(self) -> int:
        return self.calls_path.read_text().count(" asleep")

    @property
    def is_open(self) -> bool:
        calls = self.calls_path.read_text()
        return calls.count("nvmlInit ") > calls.count("nvmlShutdown ")


@pytest.fixture
def laptop(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[Laptop]:
    laptop = Laptop(tmp_path)
    monkeypatch.setenv(STATE_VARIABLE, str(laptop.state_path))
    yield laptop
    laptop.link.close()


def test_sleeping_gpu_is_not_touched_for_a_day(laptop: Laptop) -> None:
    group = laptop.met()
    laptop.set(asleep=True)
    for second in range(0, 86400, 10):
        assert set(group.read(1000.0 + second)) == {Missing.ASLEEP}
        assert set(group.peek(1001.0 + second)) == {Missing.ASLEEP}
        if second % 60 == 0:
            group.facts()
    assert laptop.n_calls_asleep == 0


def test_gpu_asleep_at_discovery_is_met_once_others_have_woken_it(laptop: Laptop) -> None:
    laptop.set(asleep=True)
    (group,) = nvml_groups(laptop.link, laptop.sys_root)
    assert isinstance(group, SleepingGroup)
    group.read(0.0)
    assert laptop.calls_path.read_text() == ""
    news = [laptop.link.has_news]
    laptop.set(asleep=False)
    for at_s in (10.0, 20.0, 30.0):
        group.read(at_s)
    news.append(laptop.link.has_news)
    assert news == [False, True]
    assert isinstance(nvml_groups(laptop.link, laptop.sys_root)[0], NvmlGroup)


def test_discovery_lets_go_at_once(laptop: Laptop) -> None:
    laptop.met()
    assert "nvmlInit" in laptop.calls_path.read_text()
    assert not laptop.is_open


def test_idle_gpu_is_read_in_bursts_far_apart(laptop: Laptop) -> None:
    group = laptop.met()
    bursts = []
    for at_s in range(0, 600, 10):
        if not isinstance(group.read(float(at_s))[0], Missing):
            bursts.append(at_s)
        assert not laptop.is_open
    # Away for 60 s, and then at the next look of the 10 s grid.
    assert bursts == list(range(60, 600, 60))


def test_two_looks_without_us_must_have_found_it_awake(laptop: Laptop) -> None:
    group = laptop.met()
    group.read(0.0)
    laptop.set(asleep=True)
    group.read(90.0)
    laptop.set(asleep=False)
    assert group.read(100.0)[0] is Missing.NOT_READ
    assert group.read(114.0)[0] is Missing.NOT_READ
    assert group.read(115.0)[0] == 40000


def test_long_autosuspend_delay_keeps_us_away_longer(laptop: Laptop) -> None:
    laptop.power("autosuspend_delay_ms", "100000")
    group = laptop.met()
    group.read(0.0)
    assert group.read(199.0)[0] is Missing.NOT_READ
    assert group.read(200.0)[0] == 40000


def test_under_load_every_look_is_read_and_the_cooling_after_it(laptop: Laptop) -> None:
    group = laptop.met()
    group.read(0.0)
    laptop.set(asleep=False, utilization_pct=99)
    for at_s in range(60, 200):
        assert group.read(float(at_s))[0] == 40000
    laptop.set(asleep=False)
    followed = [at_s for at_s in range(200, 300) if group.read(float(at_s))[0] == 40000]
    # 60 s from the last loaded look, at 199 s.
    assert followed == list(range(200, 260))
    assert not laptop.is_open


def test_short_flicker_of_load_is_followed_no_longer_than_it_lasted(laptop: Laptop) -> None:
    group = laptop.met()
    group.read(0.0)
    laptop.set(asleep=False, utilization_pct=3)
    for at_s in (60.0, 61.0, 62.0, 63.0):
        group.read(at_s)
    laptop.set(asleep=False)
    assert [group.read(at_s)[0] for at_s in (64.0, 65.0, 66.0)] == [40000, 40000, 40000]
    assert not laptop.is_open
    assert group.read(67.0)[0] is Missing.NOT_READ


def test_gpu_that_falls_asleep_under_an_open_handle_gets_no_further_call(laptop: Laptop) -> None:
    group = laptop.met()
    group.read(0.0)
    laptop.set(asleep=False, utilization_pct=50)
    assert group.read(60.0)[0] == 40000
    laptop.set(asleep=True)
    group.facts()
    assert set(group.peek(61.0)) == {Missing.ASLEEP}
    assert set(group.read(62.0)) == {Missing.ASLEEP}
    assert laptop.link.pid is None
    assert laptop.n_calls_asleep == 0


def test_unknown_status_counts_as_asleep(laptop: Laptop) -> None:
    group = laptop.met()
    (laptop.device / "power" / "runtime_status").unlink()
    calls = laptop.calls_path.read_text()
    assert {group.read(float(at_s))[0] for at_s in range(0, 200, 10)} == {Missing.ASLEEP}
    assert laptop.calls_path.read_text() == calls


def test_energy_counter_is_not_used_where_nvml_is_closed_between_looks(laptop: Laptop) -> None:
    write_state(laptop.state_path, "580.1", [GpuState(energy_j=10.0)])
    assert next(c.method for c in laptop.met().channels if c.quantity == "power_w") == "usage"


@pytest.mark.parametrize("control", ["on", ""])
def test_gpu_that_never_sleeps_stays_open(laptop: Laptop, control: str) -> None:
    laptop.power("control", control)
    group = laptop.met()
    for at_s in range(10):
        assert group.read(float(at_s))[0] == 40000
    calls = laptop.calls_path.read_text()
    assert (calls.count("nvmlInit "), calls.count("nvmlShutdown ")) == (1, 0)


def test_gpu_allowed_to_sleep_under_a_running_service_is_let_go(laptop: Laptop) -> None:
    laptop.power("control", "on")
    group = laptop.met()
    assert group.read(0.0)[0] == 40000
    laptop.power("control", "auto")
    group.read(1.0)
    assert not laptop.is_open
    assert group.read(2.0)[0] is Missing.NOT_READ


def test_other_makers_and_sound_functions_are_no_gpu_of_ours(tmp_path: Path) -> None:
    for address, vendor, kind in (
        ("0000:00:02.0", "0x8086", "0x030000"),
        ("0000:01:00.1", "0x10de", "0x040300"),
    ):
        device = tmp_path / "bus/pci/devices" / address
        (device / "power").mkdir(parents=True)
        (device / "vendor").write_text(vendor)
        (device / "class").write_text(kind)
        (device / "power" / "control").write_text("auto")
        (device / "power" / "runtime_status").write_text("suspended")
    assert WakeGuard(tmp_path).look(0.0) is Door.FREE
