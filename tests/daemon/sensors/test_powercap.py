"""Energy counters: wraps, restarts, gaps, permission, duplicates."""

from __future__ import annotations

import errno
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from heatdrift.daemon.sensors.energy import EnergyMeter
from heatdrift.daemon.sensors.kept_file import FileDoor
from heatdrift.daemon.sensors.powercap import POWERCAP_RULES_FILE, PowercapGroup, find_zones
from heatdrift.store.records import Missing

FakeSys = Any  # the builder of conftest.py
RANGE_UJ = 65_532_610_987  # an AMD package: wraps after 65.5 kJ


def test_zones_go_by_name_and_count_once(fake_sys: FakeSys) -> None:
    fake_sys.zone("intel-rapl:0", "psys", 1)
    fake_sys.zone("intel-rapl:1", "package-0", 1)
    fake_sys.zone("intel-rapl:1:0", "core", 1)
    fake_sys.zone("intel-rapl-mmio:0", "package-0", 1)
    assert [zone.folder.name for zone in find_zones(fake_sys.sys)] == ["intel-rapl:1"]


def test_peeks_do_not_shorten_the_mean_of_a_look(fake_sys: FakeSys) -> None:
    fake_sys.zone("intel-rapl:0", "package-0", 0)
    group = PowercapGroup(find_zones(fake_sys.sys))
    assert group.read(100.0) == (Missing.FIRST_LOOK,)
    assert group.peek(100.0) == (Missing.FIRST_LOOK,)
    fake_sys.put("sys/class/powercap/intel-rapl:0/energy_uj", 5_000_000)
    assert group.peek(101.0) == (5_000,)
    fake_sys.put("sys/class/powercap/intel-rapl:0/energy_uj", 25_000_000)
    assert group.peek(102.0) == (20_000,)
    assert group.read(102.0) == (12_500,)  # 25 J in 2 s, though a peek came between


def test_dies_of_one_package_add_up(fake_sys: FakeSys) -> None:
    for die in (0, 1):
        fake_sys.zone(f"intel-rapl:{die}", f"package-0-die-{die}", 0)
    group = PowercapGroup(find_zones(fake_sys.sys))
    group.read(1.0)
    for die in (0, 1):
        fake_sys.put(f"sys/class/powercap/intel-rapl:{die}/energy_uj", 10_000_000 * (die + 1))
    assert group.read(2.0) == (30_000,)


def test_missing_right_is_a_reason(fake_sys: FakeSys) -> None:
    fake_sys.zone("intel-rapl:0", "package-0", 0)

    def refusing(path: str) -> int:
        raise PermissionError(errno.EACCES, "Permission denied", path)

    group = PowercapGroup(find_zones(fake_sys.sys), FileDoor(open=refusing))
    assert group.read(1.0) == (Missing.PERMISSION,)


def test_shipped_rule_opens_the_counter_to_a_group_only() -> None:
    rules = [line for line in POWERCAP_RULES_FILE.read_text().splitlines() if not line.startswith("#")]
    assert len(rules) == 1
    assert "0440" in rules[0]
    assert 'SUBSYSTEM=="powercap"' in rules[0]


@given(
    start_uj=st.integers(0, RANGE_UJ),
    power_w=st.floats(0.5, 400),
    span_s=st.floats(0.5, 60),
)
def test_wrap_changes_no_mean(start_uj: int, power_w: float, span_s: float) -> None:
    meter = EnergyMeter(RANGE_UJ)
    meter.mean_milli_w(start_uj, 0.0)
    counter_uj = (start_uj + round(power_w * span_s * 1e6)) % (RANGE_UJ + 1)
    mean = meter.mean_milli_w(counter_uj, span_s)
    # Half a milliwatt of rounding, and half a microjoule over half a second, which is nothing.
    assert isinstance(mean, int)
    assert abs(mean - power_w * 1000) <= 0.51


@pytest.mark.parametrize(
    ("counter_uj", "at_s", "expected"),
    [
        (2_000_000, 0.5 + 3600, Missing.COUNTER_RESTART),  # a gap in which it may have wrapped
        (0, 1.0, Missing.COUNTER_RESTART),  # the driver was loaded again: by modulo 65 kW
        (1_000_000, 1.0, Missing.STUCK),  # stands still
        (1_000_000, -5.0, Missing.COUNTER_RESTART),  # the clock went back
        (1_000_100, 0.01, Missing.NOT_READ),  # too close for the counter's own pace
    ],
)
def test_doubtful_differences_are_no_power(counter_uj: int, at_s: float, expected: Missing) -> None:
    meter = EnergyMeter(RANGE_UJ)
    meter.mean_milli_w(1_000_000, 0.0)
    assert meter.mean_milli_w(counter_uj, at_s) is expected


def test_restart_of_a_wide_counter_is_recognised() -> None:
    meter = EnergyMeter(None)
    meter.mean_milli_w(9_000_000, 0.0)
    assert meter.mean_milli_w(1_000, 1.0) is Missing.COUNTER_RESTART
    assert meter.mean_milli_w(30_001_000, 2.0) == 30_000


def test_number_beyond_the_range_gives_no_power_then_or_afterwards() -> None:
    meter = EnergyMeter(RANGE_UJ)
    meter.mean_milli_w(9_000_000, 0.0)
    assert meter.mean_milli_w(2**64 - 1, 1.0) is Missing.COUNTER_RESTART
    assert meter.mean_milli_w(39_000_000, 2.0) is Missing.COUNTER_RESTART
    assert meter.mean_milli_w(69_000_000, 3.0) == 30_000
