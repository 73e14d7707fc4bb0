"""Total resistance of machines whose truth is known."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd
import pytest

from heatdrift.fake_sensors.history import record_history
from heatdrift.fake_sensors.machine import FakeMachine
from heatdrift.reports.reference_temperature import Reference, ReferenceKind, choose_reference
from heatdrift.reports.settled import settled_windows
from heatdrift.reports.total_resistance import TotalResistance, fit_total_resistance
from heatdrift.reports.window_groups import alike, fan_of, loaded
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


def test_groups_keep_an_error_that_no_repetition_takes_away() -> None:
    n_windows = 5000
    rows = pd.DataFrame({"power_w": np.full(n_windows, 100.0), "rise_k": np.full(n_windows, 40.0)})
    (error_k,) = alike(rows, "")["group_error_k"]
    assert error_k == pytest.approx(np.hypot(0.25, 0.4), rel=1e-12)


def test_fan_of_another_source_is_not_taken() -> None:
    hot_c = np.linspace(50.0, 80.0, 50)
    rows = pd.DataFrame(
        {"temperature_c": hot_c, "power_w.gpu0": 80.0, "speed.gpu0_fan1": hot_c, "speed.fan1": 20 * hot_c}
    )
    assert fan_of(rows) == "fan1"
    assert fan_of(rows.assign(**{"speed.fan1": 1000.0})) == ""


def test_a_year_of_idle_says_nothing() -> None:
    index = pd.DatetimeIndex(START + pd.to_timedelta(np.arange(10_000) * 60, "s"))
    frame = pd.DataFrame({"temperature_c": 30.0, "power_w": 10.0}, index=index)
    windows = settled_windows(frame)
    reference = Reference(ReferenceKind.AMBIENT, "ambient", pd.Series(22.0, index), 0.0, 1.0, 0.1)
    with pytest.raises(TooFewWindowsError, match="0 settled windows under load"):
        fit_total_resistance(windows, reference)
    with pytest.raises(TooFewWindowsError, match="not identifiable"):
        fit_total_resistance(windows.iloc[:0], reference)
