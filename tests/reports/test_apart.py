"""Two thermometers on one sink: what moves both alike says nothing, what moves one of them does."""

from __future__ import annotations

from dataclasses import asdict, replace

import numpy as np
import pandas as pd
import pytest

from heatdrift.reports.apart import ApartModel, apart_cells, apart_series, itself_by_day, learn_apart
from heatdrift.reports.idle_series import in_its_unit
from heatdrift.reports.judged_part import JudgedPart, judged_part
from heatdrift.reports.part_settings import APART_SETTINGS
from heatdrift.reports.thermometer import is_plain_step, shift_as_read_k
from heatdrift.store.errors import AnalysisError

N_DAYS, BASELINE_DAYS, OFF_DAY = 90, 30, 55
OFF_DATE = pd.Timestamp("2026-02-25", tz="UTC")
GPU_K_PER_W, CPU_K_PER_W, SINK_K_PER_W = 0.25, 0.45, 0.3


def windows(
    *, off_k: float = 0.0, joint: float = 0.0, dust: float = 0.0, seed: int = 1, has_probe: bool = False
) -> pd.DataFrame:
    """Settled windows of the gpu beside the cpu, twenty a day, in a room that swings by eight kelvin.

    Parameters
    ----------
    off_k
        What the gpu's thermometer says too much from `OFF_DAY` on [K].
    joint, dust
        By which share the gpu's joint, and the way from the sink to the air, resist more from then on.
    """
    rng = np.random.default_rng(seed)
    day = np.repeat(np.arange(N_DAYS), 20)
    hours = day * 24 + np.tile(np.arange(20), N_DAYS)
    index = pd.Timestamp("2026-01-01", tz="UTC") + pd.to_timedelta(hours, "h")
    is_later = day >= OFF_DAY
    gpu_w, cpu_w = rng.uniform(10.0, 100.0, len(day)), rng.uniform(5.0, 50.0, len(day))
    room_c = 22.0 + 4.0 * np.sin(day / 30.0) + rng.normal(0.0, 1.0, N_DAYS)[day]
    sink_c = room_c + SINK_K_PER_W * (1.0 + dust * is_later) * (gpu_w + cpu_w)
    gpu_c = sink_c + GPU_K_PER_W * (1.0 + joint * is_later) * gpu_w + off_k * is_later
    cpu_c = sink_c + CPU_K_PER_W * cpu_w
    made = pd.DataFrame(
        {
            "temperature_c": np.round(gpu_c + rng.normal(0.0, 0.3, len(day))),
            "temperature_c.cpu0": np.round(cpu_c + rng.normal(0.0, 0.3, len(day))),
            "power_w": gpu_w,
            "power_w.cpu0": cpu_w,
            "late_sink_w": rng.normal(0.0, 1.0, len(day)),
            "late_sink_w.cpu0": rng.normal(0.0, 1.0, len(day)),
        },
        index=index.as_unit("ms"),
    )
    return made.assign(reference_c=room_c) if has_probe else made


def learned(rows: pd.DataFrame) -> ApartModel:
    found = learn_apart(rows.iloc[: 20 * BASELINE_DAYS], "cpu0")
    assert found is not None
    return found


def judged(rows: pd.DataFrame) -> tuple[JudgedPart, pd.DataFrame]:
    cells = apart_cells([learned(rows)], rows)
    return judged_part("apart", lambda: apart_series(cells, {}), APART_SETTINGS), cells


def test_what_each_die_lies_above_the_sink_is_learned() -> None:
    model = learned(windows())
    assert model.own_k_per_w == pytest.approx(GPU_K_PER_W, abs=0.005)  # whole degrees, six hundred windows
    assert model.difference[2] == pytest.approx(-CPU_K_PER_W, abs=0.005)
    assert model.usual_w == pytest.approx(55.0, abs=3.0)


@pytest.mark.parametrize("off_k", [2.0, -2.0])
def test_a_thermometer_that_goes_off_is_a_plain_step_of_so_many_kelvin(off_k: float) -> None:
    part, _ = judged(windows(off_k=off_k))
    found = part.changed_by
    change_k, (low_k, high_k), unit = in_its_unit("apart", found.change_pct, found.change_ci95_pct)
    assert unit == "K"
    assert low_k <= off_k <= high_k
    assert change_k == pytest.approx(off_k, abs=0.3)  # days scatter by 0.15 K
    onset = pd.Timestamp(found.onset_utc or "")
    assert found.shape == "step"
    assert abs((onset - OFF_DATE).days) <= 2
    assert part.series is not None
    assert is_plain_step(part.series, onset, found.change_pct)


@pytest.mark.parametrize("seed", range(6))
def test_room_and_dust_and_season_move_both_alike(seed: int) -> None:
    part, _ = judged(windows(dust=0.4, seed=seed))
    assert part.detection is not None
    assert part.detection.state == "holding"
    change_k = in_its_unit("apart", part.detection.change_pct, (0.0, 0.0))[0]
    assert abs(change_k) < 0.3


@pytest.mark.parametrize(("has_probe", "error_k"), [(True, 0.4), (False, 2.0)])
def test_the_own_temperature_says_which_of_two_moved(has_probe: bool, error_k: float) -> None:
    rows = windows(off_k=3.0, has_probe=has_probe)
    model = learned(rows)
    assert model.is_above_air is has_probe
    moved_k = shift_as_read_k(itself_by_day(apart_cells([model], rows)), OFF_DATE)
    assert moved_k == pytest.approx(3.0, abs=error_k)  # without a probe the weather of ten days is in it


def test_a_model_survives_the_database() -> None:
    model = learned(windows())
    document = asdict(model) | {"memory_pct": None}
    assert str(ApartModel.of_document(document)) == str(model)
    with_memory = replace(model, memory_pct=40.0)
    assert ApartModel.of_document(asdict(with_memory)) == with_memory


def test_what_cannot_be_learned_is_none() -> None:
    rows = windows()
    assert learn_apart(rows.iloc[:50], "cpu0") is None
    assert learn_apart(rows, "gpu1") is None
    assert learn_apart(rows.assign(power_w=50.0), "cpu0") is None  # nothing tells power from offset


def test_without_a_neighbour_there_is_no_series() -> None:
    rows = windows()
    assert not len(apart_cells([], rows))
    nothing = apart_cells([learned(rows)], rows).iloc[:0]
    with pytest.raises(AnalysisError, match="no other source on its sink"):
        apart_series(nothing, {})


def test_days_with_too_few_windows_are_left_out() -> None:
    rows = windows()
    cells = apart_cells([learned(rows)], rows.iloc[:42])
    assert sorted(set(cells["day"])) == ["2026-01-01", "2026-01-02"]
    assert (cells["n"] == 20).all()


def test_work_on_the_neighbour_is_no_thermometer_that_went_off() -> None:
    """Its new joint moves the difference as an offset would; from then on there is another baseline."""
    cells = judged(windows(off_k=-3.0))[1]
    unsaid, said = (
        judged_part("apart", lambda days=days: apart_series(cells, days), APART_SETTINGS)  # type: ignore[misc]
        for days in ({}, {"cpu0": "2026-02-24"})
    )
    assert unsaid.is_changed
    assert said.detection is not None and said.detection.state == "holding"
    assert said.series is not None
    assert said.series.rows.index[0] == pd.Timestamp("2026-02-25", tz="UTC")
