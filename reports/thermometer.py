"""Whether a temperature moved as one does whose thermometer went off, and which of two it was."""

from __future__ import annotations

import math

import numpy as np
import pandas as pd

from .apart import itself_by_day
from .idle_series import idle_by_day
from .judged_part import JudgedPart
from .part_series import APART, IDLE, PartSeries
from .verdict import onset_of

NEAR = pd.Timedelta(days=10)
ONSET_ERROR = pd.Timedelta(days=2)  # steps are dated to a day or two
# Days on the wrong side of a step: thermometers that were off had none in 1,100 (simulated, ten machines), a
# fan that turned on some idle days 16 of 100.
ASTRAY = 0.05


def may_be_off(part: JudgedPart) -> bool:
    """Whether a part moved as a thermometer does: at once and for good; what creeps is something else."""
    if not part.is_changed or part.series is None or part.changed_by.shape != "step":
        return False
    return is_plain_step(part.series, onset_of(part), part.changed_by.change_pct)


def as_read_k(cells: pd.DataFrame, part: JudgedPart | None) -> float:
    """By how much the source's own temperature moved when a thermometer seems to have gone off [K].

    Parameters
    ----------
    cells
        Of the source's era.
    part
        Idle, or what is held against the neighbour; 0 for any other, and where nobody knows.
    """
    if part is None or part.name not in (IDLE, APART):
        return 0.0
    by_day = idle_by_day(cells) if part.name == IDLE else itself_by_day(cells)
    return shift_as_read_k(by_day, onset_of(part))


def shift_as_read_k(values: pd.Series, onset: pd.Timestamp) -> float:
    """By how much a temperature itself moved about a day, weather and all [K]; 0 where nobody knows.

    Of two sources that moved apart it says which one moved.

    Parameters
    ----------
    values
        By day [K].
    onset
        The day.
    """
    days = pd.to_datetime(np.asarray(values.index, str), utc=True)
    is_before = np.asarray((days < onset) & (days >= onset - NEAR))
    is_after = np.asarray((days > onset) & (days <= onset + NEAR))
    if not is_before.any() or not is_after.any():
        return 0.0
    return float(values[is_after].median() - values[is_before].median())


def is_plain_step(series: PartSeries, onset: pd.Timestamp, change_pct: float) -> bool:
    """Whether days before and after a step are told apart by their temperature alone.

    A thermometer that went off stays off. A fan that turns on some idle days and rests on others makes steps
    too, and days on the wrong side of them.

    Parameters
    ----------
    series
        Of the temperature.
    onset
        When it stepped.
    change_pct
        By how much, as the detector says it.
    """
    half = math.log1p(change_pct / 100.0) / 2.0
    days = pd.DatetimeIndex(series.rows.index)
    beyond = np.asarray(series.rows["log_ratio"].to_numpy(float) * math.copysign(1.0, half) > abs(half))
    is_before = np.asarray(days < onset - ONSET_ERROR)
    is_after = np.asarray(days > onset + ONSET_ERROR)
    if not is_before.any() or not is_after.any():
        return False
    return float(beyond[is_before].mean()) <= ASTRAY and float((~beyond)[is_after].mean()) <= ASTRAY
