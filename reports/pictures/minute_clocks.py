"""Clocks of one period in each minute of load, of stretches that may be compared from first to last."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import pandas as pd

from ..endurance import LEAST_STRETCHES, Measured, mean_of
from ..load_stretches import LEAST_LENGTH_S, MINUTES, find_stretches, minutes_of, table_of
from ..sustained import ALIKE_UTILIZATION_PCT, EXACT, LIMIT_BITS

Array = npt.NDArray[np.float64]
Flags = npt.NDArray[np.bool_]

READ = ("power_w", "clock_mhz", "utilization_pct", "memory_utilization_pct", EXACT["heat"])
EARLY = "minute_1"
LATE_WORDS = {"after_20_min": "after 20 minutes", "after_5_min": "after 5 minutes"}


@dataclass(frozen=True, slots=True, eq=False)
class MinuteClocks:
    """Clocks of one period by minute of load, of stretches that were all long enough for the late moment.

    Attributes
    ----------
    minutes
        From 1, as far as there are `LEAST_STRETCHES` stretches.
    median_mhz, low_mhz, high_mhz
        Over stretches, with quartiles.
    n
        Stretches in each minute.
    all_until
        Last minute that every stretch reached.
    held_pct
        Mean share of the minute in which heat held the clock down [%]; None where no reasons were recorded.
    late
        Which late moment: one of `LATE_WORDS`.
    early_mhz, late_mhz
        Mean in minute 1 and at the late moment, of stretches that had both at like work.
    loss_mhz
        What the clock lost between both, each stretch against itself.
    table
        All stretches, as `table_of` gives them.
    days
        Days on which a stretch of these began.
    """

    minutes: Array
    median_mhz: Array
    low_mhz: Array
    high_mhz: Array
    n: Array
    all_until: int
    held_pct: Array | None
    late: str
    early_mhz: float
    late_mhz: float
    loss_mhz: Measured
    table: pd.DataFrame
    days: int


def minute_clocks(frame: pd.DataFrame, load_w: float | None) -> MinuteClocks | str:
    """Clocks by minute of load, or why there are none.

    Only stretches that reached the late moment count, in every minute: otherwise light work that ends soon
    would stand in the first minutes and heavy work in the late ones.

    Parameters
    ----------
    frame
        As `Reader.source_frame` gives it.
    load_w
        Power above which it is load [W].
    """
    if not len(frame) or load_w is None:
        return "nothing was recorded of its power"
    if not frame["clock_mhz"].notna().any():
        return "its clock was not had"
    frame = _told(frame)
    found = find_stretches(frame, load_w)
    table = table_of(frame, found)
    for late in LATE_WORDS:
        is_mine = _may_be_compared(table, late)
        if is_mine.sum() >= LEAST_STRETCHES:
            return _by_minute(minutes_of(frame, found), table, is_mine, late)
    n_long = int((table["length_s"] >= LEAST_LENGTH_S["after_5_min"]).sum())
    return (
        f"{n_long} stretch{'' if n_long == 1 else 'es'} of ten minutes of even load, {LEAST_STRETCHES} are "
        "needed; work or play for longer at a time brings them"
    )


def _may_be_compared(table: pd.DataFrame, late: str) -> Flags:
    """Which stretches reached the late moment, with a clock early and late and at like work."""
    lost_mhz = table[f"clock_mhz_{EARLY}"] - table[f"clock_mhz_{late}"]
    busier_pct = table[f"utilization_pct_{EARLY}"] - table[f"utilization_pct_{late}"]
    is_long = (table["length_s"] >= LEAST_LENGTH_S[late]) & lost_mhz.notna()
    # Where nobody knows how busy it was, a stretch is taken for one work.
    return np.asarray(is_long & ~(busier_pct.abs() > ALIKE_UTILIZATION_PCT), bool)


def _by_minute(minutes: pd.DataFrame, table: pd.DataFrame, is_mine: Flags, late: str) -> MinuteClocks:
    mine = minutes[is_mine[minutes["stretch"]] & (minutes["minute"] <= MINUTES)]
    grouped = mine.groupby("minute")
    n = grouped["clock_mhz"].count()
    n = n[n >= LEAST_STRETCHES]
    clocks = grouped["clock_mhz"].quantile(np.array([0.25, 0.5, 0.75])).unstack().loc[n.index]
    held_pct = grouped[EXACT["heat"]].mean().loc[n.index].to_numpy(float)
    of_mine = table[is_mine]
    early_mhz, late_mhz = (of_mine[f"clock_mhz_{moment}"].to_numpy(float) for moment in (EARLY, late))
    return MinuteClocks(
        minutes=n.index.to_numpy(float),
        median_mhz=clocks[0.5].to_numpy(float),
        low_mhz=clocks[0.25].to_numpy(float),
        high_mhz=clocks[0.75].to_numpy(float),
        n=np.asarray(n, float),
        all_until=int(of_mine["length_s"].min() // 60.0),
        held_pct=held_pct if np.isfinite(held_pct).any() else None,
        late=late,
        early_mhz=float(early_mhz.mean()),
        late_mhz=float(late_mhz.mean()),
        loss_mhz=mean_of(early_mhz - late_mhz, "stretch long enough had a clock"),
        table=table,
        days=pd.DatetimeIndex(of_mine.index).floor("D").nunique(),
    )


def _told(frame: pd.DataFrame) -> pd.DataFrame:
    """What is read of a frame; the share held down by heat from limit reasons where it was not had itself."""
    kept = frame[[name for name in READ if name in frame]]
    share = EXACT["heat"]
    if "limit_reasons" not in frame or (share in frame and frame[share].notna().all()):
        return kept
    told = frame["limit_reasons"]
    pct = 100.0 * (told.fillna(0).to_numpy(np.int64) & LIMIT_BITS["heat"] != 0)
    of_bits = pd.Series(pct, index=frame.index).mask(told.isna().to_numpy(bool))
    return kept.assign(**{share: kept[share].fillna(of_bits) if share in kept else of_bits})
