"""A verdict in kelvin and days: both parts in the baseline, what became of the whole, how long it lasts."""

from __future__ import annotations

import math
from dataclasses import dataclass

import pandas as pd

from ..store.derived import DerivedStore
from ..store.errors import AnalysisError
from ..store.packing import DAY_MS
from ..store.reader import Reader
from .baseline import NORMAL_95, Change, change_or_reason
from .cause import Cause
from .creep_laws import CreepForecast, forecast_creep
from .derivation import Derivation
from .drift import INTERFACE
from .exposure import exposure_of
from .fits import fit_stretch
from .heat_path import Estimate
from .outlook import Outlook, outlook
from .part_settings import airflow_settings
from .reference_conditions import ReferenceConditions
from .signs import USUAL_SHARE
from .throttle_point import throttle_point_c
from .verdict import Verdict
from .window_groups import loaded

MONTH_MS = 30 * DAY_MS


@dataclass(frozen=True, slots=True)
class PathState:
    """One path in numbers; None for what is not known.

    Attributes
    ----------
    interface, airflow, total
        In the days of the baseline.
    total_change
        What became of the whole: logarithm of its ratio, and standard error.
    ahead
        How long until the limit.
    """

    interface: Estimate | None
    airflow: Estimate | None
    total: Estimate | None
    total_change: tuple[float, float] | None
    ahead: Outlook


def path_state(
    reader: Reader,
    derived: DerivedStore,
    derivation: Derivation,
    one: Verdict,
    conditions: ReferenceConditions,
    *,
    until_utc_ms: int,
) -> PathState:
    """Put a verdict into numbers.

    Parameters
    ----------
    reader, derived, derivation
        Of the machine, up to date.
    one
        The verdict.
    conditions
        Room and power at which temperatures are quoted.
    until_utc_ms
        Nothing from then on is used [ms since 1970].
    """
    interface, airflow, total = _in_baseline(derived, derivation, one, until_utc_ms)
    total_change = _total_change(one, interface, total)
    share = interface.k_per_w / total.k_per_w if interface and total else USUAL_SHARE
    if one.cause is not Cause.INTERFACE:
        share = 1.0 - share
    ahead = outlook(
        one.source,
        total,
        total_change=total_change,
        creep=creep_of(derived, one),
        share=share,
        ambient_c=conditions.ambient_c,
        power_w=conditions.power_w(one.source, _usual_w(derived, one, until_utc_ms)),
        limit_c=throttle_point_c(reader, one.source),
    )
    return PathState(interface, airflow, total, total_change, ahead)


def outlook_sentence(ahead: Outlook) -> str:
    """How long it lasts, in words; empty where there is no date."""
    if ahead.days_to_limit is None or ahead.ci80_days is None or ahead.now_c is None:
        return ""
    low, high = ahead.ci80_days
    return (
        f"At {ahead.reference_power_w:.0f} W in a room of {ahead.reference_ambient_c:.0f} °C it stands at "
        f"{ahead.now_c:.0f} °C; as it goes on, {ahead.limit_c:.0f} °C are reached in about "
        f"{ahead.days_to_limit:.0f} days ({low:.0f} to {high:.0f}, four times in five)."
    )


def as_change(log_change: tuple[float, float] | None) -> Change:
    """A logarithm and its error as a change with its interval."""
    if log_change is None:
        return Change(None, None, "a part is not known")
    return change_or_reason(*log_change)


def creep_of(derived: DerivedStore, one: Verdict) -> CreepForecast | None:
    """How a creeping part goes on; None where none creeps, or too few days have passed."""
    part = one.leading
    if part is None or part.series is None or one.cause not in (Cause.INTERFACE, Cause.AIRFLOW):
        return None
    found = part.changed_by
    if found.shape != "creep" or found.onset_ci95_utc is None:
        return None
    systematic_sd = (
        INTERFACE.systematic_sd if part is one.interface else airflow_settings(one.model).systematic_sd
    )
    try:
        return forecast_creep(
            part.series.rows,
            found.onset_ci95_utc,
            baseline_standard_error=part.series.baseline_standard_error,
            systematic_sd=systematic_sd,
            exposure=exposure_of(derived.cells(one.source)),
        )
    except AnalysisError:
        return None


def _in_baseline(
    derived: DerivedStore, derivation: Derivation, one: Verdict, until_utc_ms: int
) -> tuple[Estimate | None, Estimate | None, Estimate | None]:
    """Interface part, airflow part and whole in the days of the baseline, else of the era."""
    series = one.interface.series or one.airflow.series
    if one.model is None:
        return None, None, None
    found: tuple[Estimate | None, Estimate | None, Estimate | None] = (None, None, None)
    if series is not None:
        days = series.baseline.from_day, series.baseline.to_day
        begin, end = (round(day.timestamp() * 1000) for day in days)
        fit = fit_stretch(derived, derivation, one.model, begin, end + DAY_MS)
        found = fit.interface, fit.airflow, fit.total
    if any(part is None for part in found):  # a year of windows costs a second: not unless it is needed
        ended = min(one.era.to_utc_ms, until_utc_ms)
        era = fit_stretch(derived, derivation, one.model, one.era.from_utc_ms, ended)
        found = found[0] or era.interface, found[1] or era.airflow, found[2] or era.total
    return found


def _total_change(
    one: Verdict, interface: Estimate | None, total: Estimate | None
) -> tuple[float, float] | None:
    """Logarithm of the whole's ratio and its error, from both parts."""
    own, rest = one.interface.change, one.airflow.change
    if own.pct is None or own.ci95_pct is None or rest.pct is None or rest.ci95_pct is None:
        return None
    if interface is None or total is None:
        return None
    share = interface.k_per_w / total.k_per_w
    ratio = 1.0 + (share * own.pct + (1.0 - share) * rest.pct) / 100.0
    errors = [(ci95[1] - ci95[0]) / 200.0 / NORMAL_95 for ci95 in (own.ci95_pct, rest.ci95_pct)]
    if ratio <= 0.0:
        return None
    return math.log(ratio), math.hypot(share * errors[0], (1.0 - share) * errors[1]) / ratio


def _usual_w(derived: DerivedStore, one: Verdict, until_utc_ms: int) -> float:
    """Median power at work in the last month [W]; NaN where there was none."""
    windows = derived.windows(one.source, until_utc_ms - MONTH_MS, until_utc_ms)
    of_work = windows["power_w"][loaded(windows)] if len(windows) else pd.Series(dtype=float)
    return float(of_work.median()) if len(of_work) else math.nan
