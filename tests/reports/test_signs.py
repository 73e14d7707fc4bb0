"""What is gathered of each sign, from a table of cells whose truth was put in."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import numpy.typing as npt
import pandas as pd
import pytest

from heatdrift.reports.air_model import AirModel, Form, Shape
from heatdrift.reports.apart import apart_series
from heatdrift.reports.baseline import Change
from heatdrift.reports.cause import Cause, blame
from heatdrift.reports.drift import AIRFLOW, INTERFACE
from heatdrift.reports.era_model import EraModel, KnownReference
from heatdrift.reports.idle_series import idle_series
from heatdrift.reports.judged_part import JudgedPart, judged_part
from heatdrift.reports.part_series import airflow_series, fan_series, part_series
from heatdrift.reports.part_settings import APART_SETTINGS
from heatdrift.reports.reference_temperature import ReferenceKind
from heatdrift.reports.remeasure import Stretch
from heatdrift.reports.shown import Shift, Signs
from heatdrift.reports.signs import signs_of
from heatdrift.reports.time_constants import TimeConstants

Array = npt.NDArray[np.float64]
N_DAYS, ONSET = 100, 50
SHARE, IDLE_K, STEP_W, IDLE_W, INTERFACE_K_PER_W = 0.3, 9.0, 80.0, 10.0, 0.1
LOAD_K = INTERFACE_K_PER_W * STEP_W / SHARE
ERRORS = {"interface": 0.015, "total": 0.015, "fan": 0.01}
NO_PART = JudgedPart("", None, None, Change(None, None, "not had"), "not had")


def model(kind: str = ReferenceKind.AMBIENT.value) -> EraModel:
    return EraModel(
        source="gpu0",
        from_utc_ms=0,
        n_days=30,
        step_range_w=STEP_W,
        grid_k=1.0,
        idle_w={"": IDLE_W},
        shared_with=(),
        constants=TimeConstants(0.5, 14.0, 0.05, 0.05, INTERFACE_K_PER_W, 0.02, (0.1,), 100),
        reference=KnownReference(kind, "ambient", 0.0, 0.5, 0.3, 3),
        air=AirModel((Form({"power_w": (0.33, 0.01)}, Shape("", math.nan, math.nan), 1.0, 10),), (1.0,)),
        fan="fan0",
        usual_speed=1500.0,
        usual_memory_pct=math.nan,
    )


def machine(
    *,
    interface: float = 0.0,
    airflow: float = 0.0,
    fan: float = 0.0,
    off_k: float = 0.0,
    idle_class: str = "above the air",
    seed: int = 1,
) -> pd.DataFrame:
    """Cells of a machine that changes by so much at the onset [log units], or reads so many kelvin more."""
    rng = np.random.default_rng(seed)
    is_later = np.arange(N_DAYS) >= ONSET
    changed = SHARE * np.exp(interface * is_later) + (1.0 - SHARE) * np.exp(airflow * is_later)
    truth = {
        "interface": INTERFACE_K_PER_W * np.exp(interface * is_later),
        "total": changed + off_k * is_later / LOAD_K,
        "fan": 1500.0 * np.exp(fan * is_later),
        "idle": IDLE_K * changed + off_k * is_later,
    }
    days = (pd.Timestamp("2026-01-01") + pd.to_timedelta(np.arange(N_DAYS), unit="D")).strftime("%Y-%m-%d")
    parts = []
    for part, value in truth.items():
        noise = rng.standard_normal(N_DAYS)
        error = 0.5 if part == "idle" else value * ERRORS[part]
        parts.append(
            pd.DataFrame(
                {
                    "era_from_utc_ms": 0,
                    "day": days,
                    "part": part,
                    "workload_class": idle_class if part == "idle" else "one",
                    "value": value + error * noise,
                    "standard_error": error,
                    "n": 40,
                    "interface_share": SHARE if part == "total" else np.nan,
                }
            )
        )
    return pd.concat(parts, ignore_index=True)


def judged(cells: pd.DataFrame) -> tuple[JudgedPart, JudgedPart, JudgedPart, JudgedPart, JudgedPart]:
    interface = judged_part("interface", lambda: part_series(cells, "interface"), INTERFACE)
    return (
        interface,
        judged_part("airflow", lambda: airflow_series(cells, interface.series), AIRFLOW),
        judged_part("fan", lambda: fan_series(cells), INTERFACE),
        judged_part("idle", lambda: idle_series(cells, []), INTERFACE),
        judged_part("apart", lambda: apart_series(cells, {}), APART_SETTINGS),
    )


def gathered(
    cells: pd.DataFrame, stretch: Stretch | None = None, kind: str = ReferenceKind.AMBIENT.value
) -> Signs:
    return signs_of(cells, model(kind), judged(cells), stretch)


def assert_is(shift: Shift | None, truth: float, largest_error: float) -> None:
    """Within three of its own standard errors, and these no wider than they need be."""
    assert shift is not None
    assert 0.0 < shift.standard_error < largest_error
    assert abs(shift.value - truth) < 3.0 * shift.standard_error


FIFTEEN = float(np.log(1.15))


def test_a_joint_leaves_its_marks() -> None:
    stretch = Stretch(1.0, 0.02, 0.13, 0.04, 0, False)
    signs = gathered(machine(interface=FIFTEEN), stretch)
    assert_is(signs.interface, FIFTEEN, 0.02)
    assert_is(signs.airflow, 0.0, 0.05)
    assert_is(signs.idle_k, SHARE * IDLE_K * 0.15, 0.8)
    assert signs.slower == Shift(0.13, 0.04)
    assert blame(signs).cause is Cause.INTERFACE


def test_lint_leaves_its_marks() -> None:
    size = float(np.log(1.3))
    signs = gathered(machine(airflow=size))
    assert_is(signs.interface, 0.0, 0.02)
    assert_is(signs.airflow, size, 0.05)
    assert_is(signs.idle_k, (1.0 - SHARE) * IDLE_K * 0.3, 0.8)
    assert blame(signs).cause is Cause.AIRFLOW


def test_a_thermometer_that_is_off_leaves_its_marks() -> None:
    signs = gathered(machine(off_k=6.0))
    assert_is(signs.interface, 0.0, 0.02)
    assert_is(signs.airflow, math.log1p(6.0 / ((1.0 - SHARE) * LOAD_K)), 0.06)
    assert_is(signs.idle_k, 6.0, 1.2)
    found = blame(signs)
    assert found.cause is Cause.TELEMETRY
    assert min(found.misfits, key=lambda name: found.misfits[name]) == "temperature offset"


def test_a_tired_fan_leaves_its_mark() -> None:
    size = float(np.log(0.85))
    signs = gathered(machine(fan=size))
    assert_is(signs.fan, size, 0.02)
    assert blame(signs).cause is Cause.FAN


def test_a_fan_that_turns_faster_is_no_sign_of_wear() -> None:
    assert gathered(machine(fan=0.15)).fan is None


def test_shares_and_rises_are_those_of_the_baseline() -> None:
    cells = machine(airflow=0.3)
    signs = gathered(cells)
    assert signs.interface_share == pytest.approx(SHARE)
    assert signs.load_rise_k == pytest.approx(LOAD_K)
    # the median of fourteen days of 0.5 K each: 0.17 K, and what came later does not count
    assert signs.idle_rise_k == pytest.approx(IDLE_K, abs=0.5)
    mine = cells["part"] == "idle"
    later = cells.assign(value=cells["value"].where(~mine | (cells["day"] < "2026-01-20"), 40.0))
    assert gathered(later).idle_rise_k == signs.idle_rise_k


def test_holding_parts_are_taken_from_the_last_thirty_days() -> None:
    cells = machine()
    parts = judged(cells)
    signs = signs_of(cells, model(), parts, None)
    for part, shift in zip(parts[:2], (signs.interface, signs.airflow), strict=True):
        assert not part.is_changed and part.change.pct is not None and part.change.ci95_pct is not None
        assert shift is not None
        assert shift.value == pytest.approx(math.log1p(part.change.pct / 100.0))
        # an interval of 95 % is 1.96 standard errors to either side, in logarithms
        high = math.exp(shift.value + 1.959964 * shift.standard_error)
        assert 100.0 * (high - 1.0) == pytest.approx(part.change.ci95_pct[1], abs=1e-6)
    assert blame(signs).cause is Cause.UNKNOWN


def test_a_changed_part_is_taken_as_the_detector_has_it_now() -> None:
    """Thirty days of which half came before the change would show half of it."""
    cells = machine(interface=FIFTEEN)
    first_half = cells[cells["day"] < "2026-03-07"]  # fifteen days after the onset
    parts = judged(first_half)
    assert parts[0].is_changed and parts[0].change.pct is not None
    signs = signs_of(first_half, model(), parts, None)
    assert_is(signs.interface, FIFTEEN, 0.03)
    assert math.log1p(parts[0].change.pct / 100.0) < 0.75 * FIFTEEN


def test_what_was_not_had_stays_missing() -> None:
    cells = machine()
    signs = signs_of(cells.iloc[:0], None, (NO_PART,) * 5, None)
    assert (signs.interface, signs.airflow, signs.idle_k, signs.fan, signs.slower) == (None,) * 5
    assert (signs.idle_rise_k, signs.load_rise_k, signs.is_air_read) == (0.0, 0.0, False)
    assert 0.0 < signs.interface_share < 1.0  # the usual one, where no window under load was settled


def test_the_sources_own_idle_tells_no_air() -> None:
    """Idle above the air is then reckoned by its share of the power, and not held against anything."""
    cells = machine(idle_class="as read")
    signs = gathered(cells, kind=ReferenceKind.OWN_IDLE.value)
    assert not signs.is_air_read and signs.idle_k is None
    assert signs.idle_rise_k == pytest.approx(LOAD_K * IDLE_W / STEP_W)
    assert gathered(cells).is_air_read


def test_what_was_before_the_change_says_nothing_of_what_it_changed() -> None:
    """Ten days after a power reading fell by 15 %, the last thirty days still hold twenty healthy ones."""
    cells = machine(interface=-0.15, airflow=-0.15)
    cells = cells[cells["day"] < "2026-03-02"]  # ten days after the onset, which is day 50
    held = tuple(replace(part, detection=None) for part in judged(cells))
    since = pd.Timestamp("2026-02-20", tz="UTC")
    diluted, whole = (
        signs_of(cells, model(), (held[0], held[1], held[2], held[3], held[4]), None, since=moment)
        for moment in (None, since)
    )
    assert_is(whole.interface, -0.15, 0.02)
    assert diluted.interface is not None and diluted.interface.value == pytest.approx(-0.05, abs=0.02)


def test_a_fan_between_two_levels_is_not_believed_there() -> None:
    """It turns at 750 or at 1,050 rpm at one temperature, later seldom fast; elsewhere as ever."""
    rng = np.random.default_rng(4)
    cells = machine()
    fan = cells[cells["part"] == "fan"]
    is_fast = rng.random(N_DAYS) < np.where(np.arange(N_DAYS) < ONSET, 0.5, 0.05)
    torn = fan.assign(workload_class="torn", value=np.where(is_fast, 1050.0, 750.0))
    several = pd.concat([fan, torn], ignore_index=True)
    series = fan_series(several)
    later = series.rows["log_ratio"].to_numpy()[ONSET:]
    assert abs(later.mean()) < 0.02  # a torn day weighs a tenth of another
    # As it is with equal errors, half of what the torn ones fell by on average is believed.
    naive = part_series(several, "fan").rows["log_ratio"].to_numpy()[ONSET:]
    assert naive.mean() < -0.04
    assert not judged_part("fan", lambda: fan_series(several), INTERFACE).is_changed
    worn = several.assign(value=several["value"] * np.where(several["day"] < "2026-02-20", 1.0, 0.85))
    assert judged_part("fan", lambda: fan_series(worn), INTERFACE).is_changed
