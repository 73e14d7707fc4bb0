"""GPUs through the real child process and an invented NVML: good readings, bad ones, hangs and deaths."""

from __future__ import annotations

import json
import os
import signal
import sys
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from heatdrift.daemon.sensors.base import Reading
from heatdrift.daemon.sensors.nvml import NvmlGroup, NvmlLink, nvml_groups
from heatdrift.daemon.sensors.nvml_answers import LEAST_READING, readings_in
from heatdrift.fake_sensors.nvml_double import STATE_VARIABLE, GpuState, write_state
from heatdrift.store.errors import NvmlError
from heatdrift.store.records import Missing

DOUBLE = "heatdrift.fake_sensors.nvml_double"
DRIVER = "580.95.05"
UUID = GpuState().uuid


class Bench:
    """An invented NVML, a link to it and a clock."""

    def __init__(self, root: Path) -> None:
        self.state_path = root / "nvml.json"
        self.calls_path = root / "calls"
        self.sys_root = root / "sys"
        self.sys_root.mkdir()
        self.links: list[NvmlLink] = []
        self.at_s = 1000.0

    def set(self, *gpus: GpuState, driver: str = DRIVER, **system: Any) -> None:
        write_state(self.state_path, driver, gpus, calls_path=self.calls_path, **system)

    def link(self, **options: Any) -> NvmlLink:
        link = NvmlLink(**{"library": DOUBLE, **options})
        self.links.append(link)
        return link

    def group(self, **options: Any) -> NvmlGroup:
        (group,) = nvml_groups(self.link(**options), self.sys_root)
        assert isinstance(group, NvmlGroup)
        return group

    def read(self, group: NvmlGroup, after_s: float = 1.0) -> dict[str, Reading]:
        self.at_s += after_s
        keys = [channel.key.removeprefix(f"nvml:{channel.device}:") for channel in group.channels]
        return dict(zip(keys, group.read(self.at_s), strict=True))


@pytest.fixture
def bench(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[Bench]:
    bench = Bench(tmp_path)
    monkeypatch.setenv(STATE_VARIABLE, str(bench.state_path))
    yield bench
    for link in bench.links:
        link.close()


def test_every_reading_arrives_in_thousandths(bench: Bench) -> None:
    bench.set(
        GpuState(
            temperature_c=61,
            memory_temperature_c=70,
            power_w=98.765,
            clock_mhz=1980,
            memory_clock_mhz=7001,
            utilization_pct=97,
            memory_utilization_pct=40,
            limit_reasons=0x24,
            enforced_limit_w=115.0,
            intended_speeds_pct=(55, 60),
        )
    )
    assert bench.read(bench.group()) == {
        "temperature_c": 61000,
        "memory_temperature_c": 70000,
        "power_w": 98765,
        "clock_mhz": 1980000,
        "memory_clock_mhz": 7001000,
        "utilization_pct": 97000,
        "memory_utilization_pct": 40000,
        "limit_reasons": 0x24,
        "thermal_limited_pct": 100000,
        "power_limited_pct": 100000,
        "enforced_limit_w": 115000,
        "fan1:intended_speed_pct": 55000,
        "fan2:intended_speed_pct": 60000,
    }


def test_keys_hold_the_uuid_and_survive_another_order(bench: Bench) -> None:
    twins = [GpuState(uuid="GPU-a", temperature_c=40), GpuState(uuid="GPU-b", temperature_c=50)]
    bench.set(*twins)
    link = bench.link()
    a, b = nvml_groups(link, bench.sys_root)
    bench.set(*reversed(twins))
    link.close()
    assert (a.channels[0].key, b.channels[0].key) == ("nvml:GPU-a:temperature_c", "nvml:GPU-b:temperature_c")
    assert (a.read(1.0)[0], b.read(1.0)[0]) == (40000, 50000)


@pytest.mark.parametrize("memory_c", [None, 0, 255])
def test_memory_temperature_that_is_none_is_no_channel(bench: Bench, memory_c: int | None) -> None:
    bench.set(GpuState(memory_temperature_c=memory_c))
    assert "memory_temperature_c" not in bench.read(bench.group())


def test_absurd_power_is_missing_and_the_rest_is_read(bench: Bench) -> None:
    bench.set(GpuState(power_w=752.0, enforced_limit_w=80.0))
    readings = bench.read(bench.group())
    assert readings["power_w"] is Missing.IMPLAUSIBLE
    assert readings["temperature_c"] == 40000


@pytest.mark.parametrize("temperature_c", [0, 255, 65535])
def test_absurd_temperature_is_missing(bench: Bench, temperature_c: int) -> None:
    bench.set(GpuState(temperature_c=temperature_c))
    assert bench.read(bench.group())["temperature_c"] is Missing.IMPLAUSIBLE


def test_older_driver_is_asked_the_older_way(bench: Bench) -> None:
    newer = {"nvmlDeviceGetTemperatureV": 13, "nvmlDeviceGetCurrentClocksEventReasons": 13}
    bench.set(GpuState(errors=newer, limit_reasons=4))
    group = bench.group()
    assert bench.read(group)["temperature_c"] == 40000
    assert bench.read(group)["limit_reasons"] == 4
    assert bench.calls_path.read_text().count("nvmlDeviceGetTemperatureV ") == 1


def test_unsupported_getter_is_not_asked_again(bench: Bench) -> None:
    bench.set(GpuState(utilization_pct=None))
    group = bench.group()
    for _ in range(3):
        assert "utilization_pct" not in bench.read(group)
    assert bench.calls_path.read_text().count("nvmlDeviceGetUtilizationRates ") == 1


def test_cheap_energy_counter_gives_power(bench: Bench) -> None:
    bench.set(GpuState(power_w=50.0, energy_j=1000.0))
    group = bench.group()
    assert next(c.method for c in group.channels if c.quantity == "power_w") == "energy"
    assert bench.read(group)["power_w"] is Missing.FIRST_LOOK
    bench.set(GpuState(power_w=50.0, energy_j=1800.0))
    # 800 J over 10 s: the clock of the test runs far ahead of the child's own.
    assert bench.read(group, 10.0)["power_w"] == 80000


def test_energy_counter_that_began_again_is_missing(bench: Bench) -> None:
    bench.set(GpuState(energy_j=1000.0))
    group = bench.group()
    bench.read(group)
    bench.set(GpuState(energy_j=3.0))
    assert bench.read(group, 10.0)["power_w"] is Missing.COUNTER_RESTART


@pytest.mark.parametrize("where", ["nvmlDeviceGetTotalEnergyConsumption", "nvmlInit"])
def test_failure_is_not_bridged(bench: Bench, where: str) -> None:
    """Twelve seconds of trouble in which a load began: their mean is no power of now."""
    bench.set(GpuState(power_w=20.0, energy_j=1000.0))
    group = bench.group()
    bench.read(group)
    link = bench.links[0]
    if where == "nvmlInit":
        assert link.pid is not None
        os.kill(link.pid, signal.SIGKILL)
    else:
        bench.set(GpuState(power_w=20.0, energy_j=1020.0, errors={where: 10}))
    assert isinstance(bench.read(group)["power_w"], Missing)
    bench.set(GpuState(power_w=80.0, energy_j=1500.0))
    assert bench.read(group, 12.0)["power_w"] is Missing.FIRST_LOOK
    bench.set(GpuState(power_w=80.0, energy_j=2300.0))
    assert bench.read(group, 10.0)["power_w"] == 80_000


def test_silence_too_long_is_not_bridged(bench: Bench) -> None:
    bench.set(GpuState(energy_j=1000.0))
    group = bench.group()
    bench.read(group)
    assert bench.read(group, 3600.0)["power_w"] is Missing.COUNTER_RESTART


@pytest.mark.parametrize(("average_w", "method"), [(33.0, "average"), (None, "usage")])
def test_dear_energy_counter_is_left_alone(bench: Bench, average_w: float | None, method: str) -> None:
    # Ten times the cost that is allowed, so that the machine that runs the test does not matter.
    state = GpuState(
        power_w=22.0,
        average_power_w=average_w,
        energy_j=5.0,
        delays_s={"nvmlDeviceGetTotalEnergyConsumption": 0.003},
    )
    bench.set(state)
    group = bench.group()
    before = bench.calls_path.read_text().count("TotalEnergy")
    assert bench.read(group)["power_w"] == (22000 if average_w is None else 33000)
    assert next(c.method for c in group.channels if c.quantity == "power_w") == method
    assert bench.calls_path.read_text().count("TotalEnergy") == before


def test_method_of_power_stays_over_a_new_child(bench: Bench) -> None:
    bench.set(GpuState(power_w=22.0, average_power_w=33.0))
    link = bench.link()
    (group,) = nvml_groups(link, bench.sys_root)
    bench.set(GpuState(power_w=22.0, average_power_w=33.0, energy_j=5.0))
    link.close()
    assert isinstance(group, NvmlGroup)
    assert bench.read(group)["power_w"] == 33000


def test_limited_share_is_the_growth_of_its_counter(bench: Bench) -> None:
    bench.set(GpuState(thermal_limited_ns=0, power_limited_ns=0))
    group = bench.group()
    assert bench.read(group)["thermal_limited_pct"] is Missing.FIRST_LOOK
    bench.set(GpuState(thermal_limited_ns=2_500_000_000, power_limited_ns=10_400_000_000))
    readings = bench.read(group, 10.0)
    assert readings["thermal_limited_pct"] == 25000
    assert readings["power_limited_pct"] == 100000  # the counter's last coarse step is no more than the whole


@pytest.mark.parametrize(
    ("code", "reason"), [(4, Missing.PERMISSION), (10, Missing.TIMEOUT), (21, Missing.READ_ERROR)]
)
def test_code_of_one_getter_costs_one_reading(bench: Bench, code: int, reason: Missing) -> None:
    bench.set(GpuState())
    group = bench.group()
    bench.set(GpuState(errors={"nvmlDeviceGetEnforcedPowerLimit": code}))
    readings = bench.read(group)
    assert readings["enforced_limit_w"] is reason
    assert readings["temperature_c"] == 40000


@pytest.mark.parametrize("code", [15, 16, 18, 999])
def test_fatal_code_closes_nvml_for_ten_minutes(
    bench: Bench, code: int, caplog: pytest.LogCaptureFixture
) -> None:
    bench.set(GpuState())
    group = bench.group()
    bench.set(GpuState(errors={"nvmlDeviceGetTemperatureV": code}))
    assert set(bench.read(group).values()) == {Missing.DRIVER_ERROR}
    bench.set(GpuState())
    calls = bench.calls_path.read_text()
    for _ in range(5):
        assert set(bench.read(group, 100.0).values()) == {Missing.DRIVER_ERROR}
    assert bench.calls_path.read_text() == calls
    assert bench.read(group, 101.0)["temperature_c"] == 40000
    assert len([r for r in caplog.records if r.levelname == "WARNING"]) == 1


def test_driver_update_under_a_running_service_is_named(bench: Bench) -> None:
    bench.set(GpuState())
    link = bench.link()
    (group,) = nvml_groups(link, bench.sys_root)
    bench.set(GpuState(), errors={"nvmlInit": 18})
    link.close()
    assert set(group.read(5.0)) == {Missing.DRIVER_ERROR}
    assert "reboot pending after a driver update" in link.notice


def test_lost_gpu_does_not_cost_its_twin(bench: Bench) -> None:
    bench.set(GpuState(uuid="GPU-a"), GpuState(uuid="GPU-b"))
    link = bench.link()
    a, b = nvml_groups(link, bench.sys_root)
    bench.set(GpuState(uuid="GPU-a", errors={"nvmlDeviceGetHandleByIndex": 15}), GpuState(uuid="GPU-b"))
    link.close()
    assert set(a.read(1.0)) == {Missing.DRIVER_ERROR}
    assert b.read(1.0)[0] == 40000


@pytest.mark.parametrize("errors", [{"nvmlInit": 9}, {"nvmlInit": 12}])
def test_no_driver_is_no_group(bench: Bench, errors: dict[str, int]) -> None:
    bench.set(GpuState(), errors=errors)
    assert nvml_groups(bench.link(), bench.sys_root) == ()


def test_hang_is_killed_at_the_deadline(bench: Bench) -> None:
    bench.set(GpuState())
    # Long enough to start an interpreter on a busy machine, far below the hang.
    link = bench.link(deadline_s=3.0)
    (group,) = nvml_groups(link, bench.sys_root)
    pid = link.pid
    assert pid is not None
    bench.set(GpuState(delays_s={"nvmlDeviceGetTemperatureV": 3600.0}))
    assert set(group.read(1.0)) == {Missing.TIMEOUT}
    with pytest.raises(ProcessLookupError):
        os.kill(pid, 0)
    bench.set(GpuState())
    assert set(group.read(2.0)) == {Missing.DRIVER_ERROR}
    assert group.read(12.0)[0] == 40000


def test_killed_child_is_replaced(bench: Bench) -> None:
    bench.set(GpuState())
    link = bench.link()
    (group,) = nvml_groups(link, bench.sys_root)
    assert link.pid is not None
    os.kill(link.pid, signal.SIGKILL)
    assert set(group.read(1.0)) == {Missing.DRIVER_ERROR}
    assert group.read(12.0)[0] == 40000


@pytest.mark.parametrize(
    "says", ["garbage", "[1]", '{"gpus": 5}', '{"driver": "1", "gpus": [{"uuid": 1}]}', "x" * 2_000_000]
)
def test_nonsense_from_the_child_is_survived(bench: Bench, says: str) -> None:
    code = f"import sys\nfor _ in sys.stdin: print({says!r}, flush=True)"
    link = bench.link(command=[sys.executable, "-c", code])
    assert nvml_groups(link, bench.sys_root) == ()
    assert link.look(1.0) is Missing.DRIVER_ERROR
    assert link.notice


def test_missing_program_is_survived(bench: Bench) -> None:
    link = bench.link(command=["/does/not/exist"])
    assert nvml_groups(link, bench.sys_root) == ()
    assert link.peek(1.0) is Missing.NOT_READ


def test_peek_is_one_call(bench: Bench) -> None:
    bench.set(GpuState(power_w=77.0))
    group = bench.group()
    bench.calls_path.write_text("")
    readings = dict(zip([c.quantity for c in group.channels], group.peek(5.0), strict=True))
    assert readings["power_w"] == 77000
    assert readings["temperature_c"] is Missing.NOT_READ
    assert bench.calls_path.read_text() == "nvmlDeviceGetPowerUsage awake\n"


def test_child_is_recycled_daily_without_a_lost_look(bench: Bench) -> None:
    bench.set(GpuState())
    link = bench.link()
    (group,) = nvml_groups(link, bench.sys_root)
    group.read(1.0)
    first = link.pid
    assert group.read(86402.0)[0] == 40000
    assert link.pid != first


def test_facts_tell_what_a_baseline_depends_on(bench: Bench) -> None:
    bench.set(GpuState(name="Invented", vbios="1.2", slowdown_c=93, slowdown_margin_k=8))
    facts = bench.group().facts()
    assert facts == {
        "nvidia_driver": DRIVER,
        f"{UUID}.name": "Invented",
        f"{UUID}.vbios": "1.2",
        f"{UUID}.default_limit_w": "115",
        f"{UUID}.enforced_limit_w": "115",
        f"{UUID}.slowdown_c": "93",
        f"{UUID}.slowdown_margin_k": "8",
        f"{UUID}.power_method": "usage",
        f"{UUID}.energy_and_power": "unknown",
    }


def test_child_ends_with_the_last_group(bench: Bench) -> None:
    bench.set(GpuState(uuid="GPU-a"), GpuState(uuid="GPU-b"))
    link = bench.link()
    a, b = nvml_groups(link, bench.sys_root)
    a.close()
    assert link.pid is not None
    b.close()
    assert link.pid is None


def test_discovering_again_ends_a_backoff(bench: Bench) -> None:
    bench.set(GpuState())
    link = bench.link()
    (group,) = nvml_groups(link, bench.sys_root)
    bench.set(GpuState(errors={"nvmlDeviceGetTemperatureV": 15}))
    group.read(1.0)
    bench.set(GpuState())
    nvml_groups(link, bench.sys_root)
    assert group.read(2.0)[0] == 40000


@pytest.mark.parametrize("mask", [-1, 2**32, 2**64 - 1, 2**70])
def test_mask_that_is_none_is_missing_and_never_stored(bench: Bench, mask: int) -> None:
    """One beyond 64 bits would end the service at the next write, and again after each start."""
    bench.set(GpuState(limit_reasons=mask))
    readings = bench.read(bench.group())
    for name in ("limit_reasons", "thermal_limited_pct", "power_limited_pct"):
        assert readings[name] is Missing.IMPLAUSIBLE


@pytest.mark.parametrize("number", ["NaN", "Infinity", "-Infinity"])
@pytest.mark.parametrize("place", [0, 3])
def test_number_that_is_none_is_nonsense(number: str, place: int) -> None:
    raw: list[object] = [1.0] * LEAST_READING
    raw[place] = json.loads(number)
    with pytest.raises(NvmlError, match="unknown form"):
        readings_in({"gpus": {"GPU-a": raw}}, LEAST_READING)


def test_reading_without_its_moment_is_nonsense() -> None:
    with pytest.raises(NvmlError, match="unknown form"):
        readings_in({"gpus": {"GPU-a": [None, *[1.0] * LEAST_READING]}}, LEAST_READING)
