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
    lengths_s = table["length_s"].to_numpy(float)
    by_minute = minutes_of(frame, found)
    for late in LATE_WORDS:
        early_mhz, late_mhz = (table[f"clock_mhz_{moment}"].to_numpy(float) for moment in (EARLY, late))
        busy = (table[f"utilization_pct_{moment}"].to_numpy(float) for moment in (EARLY, late))
        is_other = np.abs(np.subtract(*busy)) > ALIKE_UTILIZATION_PCT
        is_long = (
            (lengths_s >= LEAST_LENGTH_S[late]) & np.isfinite(early_mhz) & np.isfinite(late_mhz) & ~is_other
        )
        if is_long.sum() < LEAST_STRETCHES:
            continue
        mine = by_minute[is_long[by_minute["stretch"]] & (by_minute["minute"] <= MINUTES)]
        grouped = mine.groupby("minute")
        n = grouped["clock_mhz"].count()
        n = n[n >= LEAST_STRETCHES]
        clocks = grouped["clock_mhz"].quantile([0.25, 0.5, 0.75]).unstack().loc[n.index]
        held_pct = grouped[EXACT["heat"]].mean().loc[n.index].to_numpy(float)
        lost = mean_of((early_mhz - late_mhz)[is_long], "stretch long enough had a clock")
        return MinuteClocks(
            minutes=n.index.to_numpy(float),
            median_mhz=clocks[0.5].to_numpy(float),
            low_mhz=clocks[0.25].to_numpy(float),
            high_mhz=clocks[0.75].to_numpy(float),
            n=n.to_numpy(float),
            all_until=int(lengths_s[is_long].min() // 60.0),
            held_pct=held_pct if np.isfinite(held_pct).any() else None,
            late=late,
            early_mhz=float(early_mhz[is_long].mean()),
            late_mhz=float(late_mhz[is_long].mean()),
            loss_mhz=lost,
            table=table,
            days=pd.DatetimeIndex(table.index[is_long]).floor("D").nunique(),
        )
    n_short = int((lengths_s >= LEAST_LENGTH_S["after_5_min"]).sum())
    return (
        f"{n_short} stretch{'' if n_short == 1 else 'es'} of ten minutes of even load, {LEAST_STRETCHES} are "
        "needed; work or play for longer at a time brings them"
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
