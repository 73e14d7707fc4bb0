"""Sensors that lie, refuse, vanish, wrap and change their number under a running service."""

from __future__ import annotations

import errno
import shutil
from collections.abc import Callable
from functools import partial
from pathlib import Path

import pytest

from heatdrift.daemon.discovery import Overrides
from heatdrift.store.errors import NoSensorsError, SettingsError
from heatdrift.store.records import Missing

from .rig import Rig

CPU_KEY = "hwmon/coretemp/platform/coretemp.0/temp/Package_id_0"
CPU_FILE = "coretemp.0/hwmon/hwmon3/temp1_input"
ENERGY_FILE = "intel-rapl:0/energy_uj"
FAN_FILE = "thinkpad_hwmon/hwmon/hwmon0/fan1_input"
HALF_MEAN_S = 31.0  # a mean of idle looks reaches half a minute to both sides of its moment
PHASE_S = 200.0  # so that at least one whole mean lies in the fault
RANGE_UJ = 262_143_328_850
# The demonstration works from about the fifth minute on; a fault that lasts five covers idle means and steps.
FAULT_S = (100.0, 400.0)


def during(rig: Rig, begin: Callable[[], object], end: Callable[[], object]) -> None:
    """Fault from the 100th to the 400th second of a quarter of an hour."""
    rig.at(FAULT_S[0], begin)
    rig.at(FAULT_S[1], end)
    assert rig.run(900.0) == 0


def lying(rig: Rig, file: str, text: str) -> None:
    during(rig, partial(rig.files.lies.__setitem__, file, lambda _: text), partial(rig.files.lies.pop, file))


def test_absurd_values_and_failing_reads(rig: Rig, caplog: pytest.LogCaptureFixture) -> None:
    """One fault after the other, with a minute of health between them."""
    caplog.set_level("INFO")
    faults: list[tuple[str | int, Missing]] = [
        ("0", Missing.IMPLAUSIBLE),
        ("255000", Missing.IMPLAUSIBLE),
        ("65535000", Missing.IMPLAUSIBLE),
        ("-273150", Missing.IMPLAUSIBLE),
        ("", Missing.NOT_NUMERIC),
        ("N/A", Missing.NOT_NUMERIC),
        (errno.EIO, Missing.READ_ERROR),
        (errno.ENXIO, Missing.READ_ERROR),
        (errno.ETIMEDOUT, Missing.TIMEOUT),
        (errno.EPERM, Missing.PERMISSION),
    ]

    def begin(fault: str | int) -> None:
        if isinstance(fault, int):
            rig.files.errors[CPU_FILE] = fault
        else:
            rig.files.lies[CPU_FILE] = lambda _: f"{fault}\n"

    def end() -> None:
        rig.files.errors.clear()
        rig.files.lies.clear()

    for number, (fault, _) in enumerate(faults):
        rig.at(PHASE_S * number + 50.0, partial(begin, fault))
        rig.at(PHASE_S * (number + 1), end)
    assert rig.run(PHASE_S * len(faults) + 50.0) == 0
    record = rig.record()
    assert record.n_looks("cpu0") == rig.counter.n_looks
    for number, (fault, reason) in enumerate(faults):
        began_s = PHASE_S * number + 50.0 + HALF_MEAN_S
        lost = record.reasons("cpu0", "temperature_c", began_s, PHASE_S * (number + 1) - HALF_MEAN_S)
        assert set(lost) == {reason}, fault
    assert record.sources["cpu0"]["power_w"].notna().all()
    assert caplog.text.count("cpu0 temperature_c: lost (") == len(faults)
    for words in ("impossible values", "not a number", "reading it fails", "no answer in time"):
        assert f"cpu0 temperature_c: lost ({words}); empty until it returns" in caplog.text
    assert caplog.text.count("cpu0 temperature_c: back") == len(faults)


def test_absurd_fan_speed(rig: Rig, caplog: pytest.LogCaptureFixture) -> None:
    lying(rig, FAN_FILE, "65535\n")
    record = rig.record()
    fan = record.probes["fan1"]
    assert record.n_looks("cpu0") == rig.counter.n_looks
    lost = fan[fan["speed_rpm"].isna()]
    assert set(lost["speed_rpm_missing_reason"]) == {Missing.IMPLAUSIBLE.value}
    assert len(lost) == pytest.approx(5, abs=1)  # this controller is read once a minute
    assert fan["speed_rpm"].max() < 8000
    assert "fan1 speed_rpm: lost (impossible values)" in caplog.text


def test_fan_that_stands_at_the_start_is_recorded_when_it_turns(
    rig: Rig, caplog: pytest.LogCaptureFixture
) -> None:
    rig.run(700.0)
    fan = rig.record().probes["fan1"]["speed_rpm"]
    assert fan.iloc[0] == 0
    assert fan.max() > 2000
    assert fan.notna().all()
    assert "fan1" not in caplog.text


def test_missing_permission(rig: Rig, caplog: pytest.LogCaptureFixture) -> None:
    """Without the right the counter is refused from the start; with the rule installed it is read at once."""
    caplog.set_level("INFO")
    rig.files.errors[ENERGY_FILE] = errno.EACCES
    rig.at(400.0, rig.files.errors.clear)
    lacks = [lack for lack in rig.layout().lacks if "power" in lack.what]
    assert any("rules" in lack.remedy for lack in lacks), lacks
    assert rig.run(900.0) == 0
    record = rig.record()
    assert record.n_looks("cpu0") == rig.counter.n_looks
    assert set(record.reasons("cpu0", "power_w", 0, 390)) == {Missing.PERMISSION}
    assert record.between("cpu0", 0, 390)["temperature_c"].notna().all()
    assert record.between("cpu0", 460, 900)["power_w"].notna().all()
    assert "cpu0 power_w: lost (no permission); empty until it returns" in caplog.text
    assert "cpu0 power_w: back" in caplog.text


def test_counter_wrap(rig: Rig) -> None:
    """The counter starts 50 J below its range, so that it wraps within seconds, and again under load."""
    rig.files.lies[ENERGY_FILE] = lambda text: str((int(text) + RANGE_UJ + 1 - 50_000_000) % (RANGE_UJ + 1))
    assert rig.run(900.0) == 0
    record = rig.record()
    reasons = record.reasons("cpu0", "power_w")
    assert set(reasons) == {None}  # the first look of a counter, which says nothing, is part of a mean
    assert record.n_looks("cpu0") == rig.counter.n_looks


def test_counter_that_begins_again(rig: Rig) -> None:
    """A driver loaded anew counts from zero: no power can be had of that look, and none is invented."""
    began_uj = 0

    def begin() -> None:
        nonlocal began_uj
        began_uj = int((rig.tree.sys_root / "class/powercap/intel-rapl:0/energy_uj").read_text())

    rig.files.lies[ENERGY_FILE] = lambda text: str(int(text) - began_uj + (0 if began_uj else 10**10))
    rig.at(420.0, begin)  # under load each second is a look of its own or a fifth of a mean
    assert rig.run(900.0) == 0
    record = rig.record()
    assert record.n_looks("cpu0") == rig.counter.n_looks
    reasons = record.reasons("cpu0", "power_w", 300, 900)
    assert set(reasons) <= {None, Missing.COUNTER_RESTART}


def renumber(rig: Rig, number: int) -> Path:
    """Load the driver again: its descriptors die and its folder gets another number."""
    links = rig.tree.sys_root / "class/hwmon"
    (old,) = (link for link in links.iterdir() if (link / "name").read_text().strip() == "coretemp")
    real = old.resolve()
    rig.files.unbind("coretemp.0")
    old.unlink()
    new = real.with_name(f"hwmon{number}")
    real.rename(new)
    (links / new.name).symlink_to(new)
    return new


def test_renumbered_hwmon(rig: Rig, caplog: pytest.LogCaptureFixture) -> None:
    caplog.set_level("INFO")
    rig.at(200.0, partial(renumber, rig, 9))
    rig.at(500.0, partial(renumber, rig, 4))
    assert rig.run(900.0) == 0
    record = rig.record()
    assert record.n_looks("cpu0") == rig.counter.n_looks
    assert record.between("cpu0", 0, 900)["temperature_c"].notna().all()
    assert [key.key for owner, key in record.channels if owner == "cpu0" and "temp/" in key.key] == [CPU_KEY]
    assert "coretemp/platform/coretemp.0: now at hwmon9" in caplog.text


def test_twin_sensors(rig: Rig) -> None:
    """Two zones that only their number tells apart: the one never speaks for the other that is gone."""
    twins = []
    for number, value_milli_c in ((20, 41_000), (21, 57_000)):
        zone = rig.tree.sys_root / f"devices/virtual/thermal/thermal_zone{number}"
        hwmon = zone / f"hwmon/hwmon{number}"
        hwmon.mkdir(parents=True)
        (zone / "type").write_text("nvt\n")
        (hwmon / "name").write_text("nvt\n")
        (hwmon / "temp1_input").write_text(f"{value_milli_c}\n")
        (hwmon / "device").symlink_to(zone)
        (rig.tree.sys_root / f"class/hwmon/hwmon{number}").symlink_to(hwmon)
        twins.append(hwmon)
    key = "hwmon/nvt/virtual/thermal/zone(nvt)"
    rig.overrides = Overrides(probes={"left": f"{key}#1of2/temp/1", "right": f"{key}#2of2/temp/1"})

    def vanish() -> None:
        rig.files.unbind("hwmon20/")
        (rig.tree.sys_root / "class/hwmon/hwmon20").unlink()
        shutil.rmtree(twins[0])

    rig.at(100.0, vanish)
    assert rig.run(900.0) == 0
    record = rig.record()
    left, right = record.probes["left"], record.probes["right"]
    assert set(left["temperature_c"].dropna()) == {41.0}
    assert set(right["temperature_c"].dropna()) == {57.0}
    assert set(left["temperature_c_missing_reason"]) == {0, Missing.VANISHED.value}
    assert set(right["temperature_c_missing_reason"]) == {0}


def test_vanished_sensor_and_its_return(rig: Rig, caplog: pytest.LogCaptureFixture) -> None:
    caplog.set_level("INFO")
    links = rig.tree.sys_root / "class/hwmon"
    real = (links / "hwmon3").resolve()

    def vanish() -> None:
        rig.files.unbind("coretemp.0")
        (links / "hwmon3").unlink()
        real.rename(rig.root / "away")

    def come_back() -> None:
        shutil.move(rig.root / "away", real.with_name("hwmon7"))
        (links / "hwmon7").symlink_to(real.with_name("hwmon7"))

    rig.at(100.0, vanish)
    rig.at(400.0, come_back)
    assert rig.run(900.0) == 0
    record = rig.record()
    assert record.n_looks("cpu0") == rig.counter.n_looks
    assert set(record.reasons("cpu0", "temperature_c", 100 + HALF_MEAN_S, 370)) == {Missing.VANISHED}
    assert record.sources["cpu0"]["power_w"].notna().all()  # the source's other sensors are read on
    assert set(record.probes["board"]["temperature_c_missing_reason"]) == {0}
    # Looked for after 10 s, 20 s, 40 s ...: five minutes after it went it is missed for two more at most.
    assert record.between("cpu0", 560, 900)["temperature_c"].notna().all()
    assert "cpu0 temperature_c: lost (the device or its file is gone); empty until it returns" in caplog.text
    assert "cpu0 temperature_c: back" in caplog.text


def test_all_sensors_vanish(rig: Rig, caplog: pytest.LogCaptureFixture) -> None:
    """What is refused at a start is waited out under way: no crash loop, and no row is lost."""
    away = rig.root / "away"

    def vanish() -> None:
        rig.files.unbind("")
        rig.tree.sys_root.rename(away)

    rig.at(100.0, vanish)
    rig.at(400.0, lambda: away.rename(rig.tree.sys_root))
    assert rig.run(900.0) == 0
    record = rig.record()
    assert record.n_looks("cpu0") == rig.counter.n_looks
    assert set(record.reasons("cpu0", "temperature_c", 100 + HALF_MEAN_S, 370)) == {Missing.VANISHED}
    assert set(record.reasons("cpu0", "power_w", 100 + HALF_MEAN_S, 370)) == {Missing.VANISHED}
    assert record.between("cpu0", 400 + HALF_MEAN_S, 900)["temperature_c"].notna().all()
    assert caplog.text.count("no temperature is left") == 1


def test_no_sensor_at_the_start(rig: Rig) -> None:
    rig.tree.sys_root.rename(rig.root / "away")
    with pytest.raises(NoSensorsError, match="shows no temperature"):
        rig.run(60.0)
    assert not rig.path.exists()


def test_bad_settings_at_the_start(rig: Rig) -> None:
    rig.overrides = Overrides(sources={"cpu0": {"temperature_c": "hwmon/coretemp/typo"}})
    with pytest.raises(SettingsError, match=r"there is no channel .*typo.* `heatdrift sensors`"):
        rig.run(60.0)
    assert not rig.path.exists()


def test_setting_that_a_lost_sensor_makes_bad(rig: Rig, caplog: pytest.LogCaptureFixture) -> None:
    """The owner named a channel, then its device went: the rest is recorded on, the place stays empty."""
    key = "hwmon/pch_cannonlake/virtual/thermal/zone(pch_cannonlake)/temp/1"
    rig.overrides = Overrides(probes={"ambient": key})
    link = rig.tree.sys_root / "class/hwmon/hwmon1"

    def vanish() -> None:
        rig.files.unbind("thermal_zone1")
        link.resolve().rename(rig.root / "away")
        link.unlink()

    rig.at(200.0, vanish)
    assert rig.run(900.0) == 0
    record = rig.record()
    assert record.n_looks("cpu0") == rig.counter.n_looks
    probe = record.probes["ambient"]
    assert set(probe[probe["temperature_c"].isna()]["temperature_c_missing_reason"]) == {
        Missing.VANISHED.value
    }
    assert "ambient temperature_c: lost (the device or its file is gone)" in caplog.text
    assert "those known stay in use" in caplog.text
