"""Paths that do not exist, for pictures: days of a part with a change of known size and day."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import numpy.typing as npt
import pandas as pd

from heatdrift.reports.cause import Cause
from heatdrift.reports.creep_laws import CreepForecast
from heatdrift.reports.drift import AIRFLOW, INTERFACE
from heatdrift.reports.heat_path import Estimate
from heatdrift.reports.judged_part import JudgedPart, judged_part
from heatdrift.reports.outlook import outlook
from heatdrift.reports.part_series import PartSeries, part_series
from heatdrift.reports.verdict import Verdict
from heatdrift.reports.verdict_outlook import PathState

from ..made_verdicts import verdict

Array = npt.NDArray[np.float64]

FIRST_DAY = "2026-01-01"
FIRST_MS = 1_767_225_600_000
DAY_MS = 86_400_000
SCATTER = 0.01


def made_series(seed: int, log_change: Array, *, left_out: slice = slice(0, 0)) -> PartSeries:
    """A series that follows a course [log units], one class of work, one value a day."""
    rng = np.random.default_rng(seed)
    n_days = len(log_change)
    days = pd.date_range(FIRST_DAY, periods=n_days).strftime("%Y-%m-%d")
    cells = pd.DataFrame(
        {
            "day": days,
            "part": "interface",
            "workload_class": "up",
            "value": 0.2 * np.exp(log_change + SCATTER * rng.standard_normal(n_days)),
            "standard_error": 0.2 * SCATTER,
            "n": 20,
            "interface_share": np.nan,
        }
    )
    return part_series(cells.drop(cells.index[left_out]), "interface")


def made_verdict(
    interface: Array, airflow: Array | None, *, seed: int = 1, left_out: slice = slice(0, 0)
) -> Verdict:
    """A verdict on two parts that follow some courses [log units]."""
    parts: list[JudgedPart] = []
    for name, course, settings in (("interface", interface, INTERFACE), ("airflow", airflow, AIRFLOW)):
        if course is None:
            parts.append(replace(parts[0], name=name, series=None, detection=None, reason="no air is known"))
            continue
        series = made_series(seed, course, left_out=left_out)
        parts.append(judged_part(name, lambda series=series: series, settings))  # type: ignore[misc]
    changed = [part for part in parts if part.is_changed]
    base = verdict("gpu0", Cause.INTERFACE if changed else Cause.NONE, "fan", onset=FIRST_DAY, pct=0.0)
    return replace(
        base,
        era=replace(base.era, from_utc_ms=FIRST_MS, to_utc_ms=FIRST_MS + len(interface) * DAY_MS),
        model=None,
        interface=parts[0],
        airflow=parts[1],
        state="watch" if changed else "holding",
        leading=changed[0] if changed else None,
    )


def creep(n_days: int, from_day: int, log_by_end: float) -> Array:
    """A straight creep from one day on."""
    since = np.maximum(np.arange(n_days) - from_day, 0.0)
    return np.asarray(log_by_end * since / since.max(), float)


INTERFACE_K_PER_W, AIRFLOW_K_PER_W, RELATIVE_ERROR = 0.2, 0.3, 0.01
ROOM_C, LOAD_W, LIMIT_C = 25.0, 100.0, 87.0


def made_state(
    one: Verdict, total_change: tuple[float, float], creep: CreepForecast | None, share: float = 0.4
) -> PathState:
    """A path of 0.5 K/W at 100 W in a room of 25 °C."""
    interface, airflow, total = (
        Estimate(value, RELATIVE_ERROR * value, 100)
        for value in (INTERFACE_K_PER_W, AIRFLOW_K_PER_W, INTERFACE_K_PER_W + AIRFLOW_K_PER_W)
    )
    ahead = outlook(
        one.source,
        total,
        total_change=total_change,
        creep=creep,
        share=share,
        ambient_c=ROOM_C,
        power_w=LOAD_W,
        limit_c=LIMIT_C,
    )
    return PathState(interface, airflow, total, total_change, ahead)
