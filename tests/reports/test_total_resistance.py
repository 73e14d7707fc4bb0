"""Total resistance of machines whose truth is known."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd
import pytest

from heatdrift.fake_sensors.heat_path import HeatPath, PathValues, SinkValues
from heatdrift.fake_sensors.history import record_history
from heatdrift.fake_sensors.machine import FakeMachine
from heatdrift.reports.reference_temperature import Reference, ReferenceKind, choose_reference
from heatdrift.reports.settled import LATE_S, settled_windows
from heatdrift.reports.total_resistance import (
    TotalResistance,
    fit_total_resistance,
    fit_total_resistances,
)
from heatdrift.reports.window_groups import loaded
from heatdrift.store.database import open_reader, open_writer
from heatdrift.store.errors import TooFewWindowsError
from heatdrift.store.reader import Reader
from heatdrift.store.writer import Writer

START = pd.Timestamp("2026-01-05T00:00:00Z")
DAYS = 14.0


@dataclass(frozen=True)
class Found:
    machine: FakeMachine
    windows: pd.DataFrame
    reference: Reference
    fit: TotalResistance


@pytest.fixture(scope="module", params=[("desktop", 4), ("laptop", 6)], ids=["desktop", "laptop"])
def found(request: pytest.FixtureRequest, tmp_path_factory: pytest.TempPathFactory) -> Found:
    machine = FakeMachine.of(*request.param)
    url = f"sqlite:///{tmp_path_factory.mktemp('total') / 'h.db'}"
    database = open_writer(url)
    record_history(Writer(database, "uuid", "fake"), machine, machine.start_utc_ms, DAYS)
    database.close()
    opened = open_reader(url)
    reader = Reader(opened)
    gpu, cpu = reader.source_frame("gpu0"), reader.source_frame("cpu0")
    frames = reader.probe_frames()
    opened.close()
    fans = {name: frame["value"] for (name, quantity), frame in frames.items() if "speed" in quantity}
    probes = {name: frame["value"] for (name, quantity), frame in frames.items() if "temperature" in quantity}
    windows = settled_windows(gpu, {"cpu0": cpu}, fans)
    reference = choose_reference(windows, gpu["temperature_c"], probes)
    return Found(machine, windows, reference, fit_total_resistance(windows, reference))


def truth_k_per_w(found: Found) -> float:
    """Die to room per reported watt, at the speed and the memory load that the fit names."""
    machine, fit = found.machine, found.fit
    stack, index = next(
        (stack, index) for stack, index in machine.places if stack.path.paths[index].source == "gpu0"
    )
    path, chip, fan = stack.path.paths[index], stack.chips[index].values, stack.fan.law
    second = 0.94 if fit.fan == "fan2" and machine.values.kind == "laptop" else 1.0
    share = fit.speed / 100.0 if fit.fan.startswith("gpu0") else fit.speed / fan.full_speed_rpm / second
    aside = chip.aside_share + chip.memory_aside_share * fit.memory_utilization_pct / 100.0
    case = machine.values.surroundings.case_resistance_k_per_w
    return (
        path.interface_resistance_k_per_w * (1.0 - aside)
        + path.spread_resistance_k_per_w
        + stack.path.airflow_resistance_k_per_w(share)
        + (0.0 if found.reference.kind is ReferenceKind.PROXY else case)  # a board probe stands in that air
    ) / chip.power_scale


def test_interval_holds_the_truth(found: Found) -> None:
    fit = found.fit
    assert fit.resistance_k_per_w == pytest.approx(truth_k_per_w(found), abs=2.5 * fit.standard_error_k_per_w)
    # What an ambient probe's kelvin, or three of a room that nobody measured, leave of a rise of 30 K.
    assert fit.standard_error_k_per_w < 0.1 * fit.resistance_k_per_w


def test_more_air_cools_more(found: Found) -> None:
    fit = found.fit
    assert fit.fan
    assert fit.fan_k_per_w[0] > 0.0
    assert 0.4 <= fit.speed_exponent <= 0.9


def test_windows_and_groups_are_counted(found: Found) -> None:
    assert found.fit.n_windows == int((loaded(found.windows) & (found.windows["power_w"] > 0)).sum())
    assert 10 < found.fit.n_groups < found.fit.n_windows


def test_a_year_of_rows_goes_through_in_one_call() -> None:
    rng = np.random.default_rng(1)
    index = pd.DatetimeIndex(START + pd.to_timedelta(np.arange(2_000_000) * 15, "s"))
    power_w = np.repeat(rng.choice([10.0, 90.0], 2000), 1000)
    frame = pd.DataFrame({"temperature_c": 22.0 + 0.3 * power_w, "power_w": power_w}, index=index)
    windows = settled_windows(frame)
    assert len(windows) > 200_000
    assert ((windows["temperature_c"] - 22.0) / windows["power_w"]).to_numpy() == pytest.approx(0.3, rel=1e-9)


def settled(rng: np.random.Generator, cpu_w: np.ndarray, gpu_w: np.ndarray, source: str) -> pd.DataFrame:
    """Settled windows of one source of a laptop whose processor and GPU share a sink, fan at full speed."""
    paths = [PathValues("cpu0", 0.3, 0.2, 2.0, 60.0), PathValues("gpu0", 0.12, 0.1, 5.0, 120.0)]
    path = HeatPath(paths, SinkValues(400.0, 0.05, 0.15, 0.7), 22.0)
    index = pd.DatetimeIndex(START + pd.to_timedelta(np.arange(len(cpu_w)) * 120, "s"))
    node, mine, other = (0, cpu_w, ("gpu0", gpu_w)) if source == "cpu0" else (2, gpu_w, ("cpu0", cpu_w))
    pairs = zip(cpu_w, gpu_w, strict=True)
    nodes = np.array([path.settled_c([cpu, 0.0, gpu, 0.0, 0.0], 1.0, 22.0) for cpu, gpu in pairs])
    late = {f"late_{word}_w{end}": 0.0 for word in LATE_S for end in ("", f".{other[0]}")}
    columns = {"temperature_c": nodes[:, node] + rng.normal(0.0, 0.3, len(mine)), "power_w": mine}
    return pd.DataFrame(
        {**columns, f"power_w.{other[0]}": other[1], "slope_k_per_min": 0.0, **late}, index=index
    )


def test_sources_help_each_other() -> None:
    """The GPU never works without the processor, but the processor without the GPU: one of them can tell."""
    rng = np.random.default_rng(3)
    gpu_w = np.where(np.arange(300) % 3, rng.uniform(60.0, 140.0, 300), 10.0)
    cpu_w = np.where(np.arange(300) % 3, 0.3 * gpu_w, rng.uniform(5.0, 60.0, 300))
    of_cpu, of_gpu = (settled(rng, cpu_w, gpu_w, source) for source in ("cpu0", "gpu0"))
    of_gpu = of_gpu[(np.arange(300) % 3 > 0) | (cpu_w < 10.0)]
    room = pd.Series(22.0, of_cpu.index)
    reference = Reference(ReferenceKind.AMBIENT, "ambient", room, 0.0, 1.0, 0.1)
    alone = fit_total_resistance(of_gpu, reference)
    helped = fit_total_resistances(
        {"cpu0": of_cpu, "gpu0": of_gpu}, dict.fromkeys(("cpu0", "gpu0"), reference)
    )
    fit = helped["gpu0"]
    assert isinstance(fit, TotalResistance)
    assert fit.standard_error_k_per_w < 0.7 * alone.standard_error_k_per_w
    # Die to plate, plate to sink, sink to air (0.05 + 0.15); the last is what the processor adds.
    assert fit.resistance_k_per_w == pytest.approx(0.42, abs=2.5 * fit.standard_error_k_per_w)
    value, error = fit.cross_k_per_w["cpu0"]
    assert value == pytest.approx(0.2, abs=2.5 * error)


def test_source_that_cannot_be_told_gives_its_reason() -> None:
    rng = np.random.default_rng(4)
    rows = settled(rng, np.full(50, 5.0), rng.choice([10.0, 100.0, 120.0], 50), "cpu0")
    reference = Reference(ReferenceKind.AMBIENT, "ambient", pd.Series(22.0, rows.index), 0.0, 1.0, 0.1)
    (reason,) = fit_total_resistances({"cpu0": rows}, {"cpu0": reference}).values()
    assert isinstance(reason, TooFewWindowsError)


def test_a_year_of_idle_says_nothing() -> None:
    index = pd.DatetimeIndex(START + pd.to_timedelta(np.arange(10_000) * 60, "s"))
    frame = pd.DataFrame({"temperature_c": 30.0, "power_w": 10.0}, index=index)
    windows = settled_windows(frame)
    reference = Reference(ReferenceKind.AMBIENT, "ambient", pd.Series(22.0, index), 0.0, 1.0, 0.1)
    with pytest.raises(TooFewWindowsError, match="0 settled windows under load"):
        fit_total_resistance(windows, reference)
    with pytest.raises(TooFewWindowsError, match="not identifiable"):
        fit_total_resistance(windows.iloc[:0], reference)


def test_windows_in_which_a_fan_stood_do_not_count() -> None:
    rng = np.random.default_rng(5)
    rows = settled(rng, rng.uniform(20.0, 60.0, 60), np.full(60, 10.0), "cpu0")
    rows["power_w"] = np.where(np.arange(60) < 30, 5.0, rows["power_w"])
    stands = {"speed.fan1": np.where(np.arange(60) < 50, 2000.0, 0.0)}
    one = rows.assign(**stands, **{"speed.fan2": np.where(np.arange(60) < 32, 0.0, 2000.0)})
    reference = Reference(ReferenceKind.AMBIENT, "ambient", pd.Series(22.0, rows.index), 0.0, 1.0, 0.1)
    fit = fit_total_resistance(rows.assign(**stands), reference)
    assert fit.n_windows == 20
    with pytest.raises(TooFewWindowsError, match=r"not identifiable: \d settled windows"):
        fit_total_resistance(one.iloc[:40], reference)
