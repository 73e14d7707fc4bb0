"""What a source sustains in one period: clocks early and late, what a kelvin costs, and what held it down."""

from __future__ import annotations

from dataclasses import asdict, dataclass
from typing import Any

import numpy as np
import numpy.typing as npt
import pandas as pd

from .endurance import LEAST_STRETCHES, UNKNOWN_WORK, Measured, like_work, mean_of, slope_alike
from .load_stretches import MOMENTS_S, Stretches, find_stretches, load_threshold_w, minutes_of, table_of

Array = npt.NDArray[np.float64]

# Judgement, no source: what is enough, and what is alike.
LEAST_MINUTES = 5  # of a stretch, to know a slope within it
MINUTES_WIDTH = 0.5  # of a class of work: a minute in which the work changed stands apart
ALIKE_UTILIZATION_PCT = 10.0  # minute 1 and later work of one stretch
HELD_DOWN_PCT, FREE_PCT = 90.0, 10.0  # of a minute; in between it obeys neither law
LEAST_DIE_SD_K, LEAST_AIR_SD_K = 1.0, 1.0  # see `WHOLE_DEGREE_K2`
AIR_WITHIN = pd.Timedelta(hours=2)  # a reading says nothing of a later moment
LATE = "after_20_min"
# Bits of `limit_reasons`: NVML API reference, nvmlClocksEventReasons. A hardware slowdown is named by its
# cause where the driver gives one; 0x1 (idle) holds nothing down.
LIMIT_BITS = {
    "heat": 0x20 | 0x40,
    "power": 0x4,
    "power brake": 0x80,
    "hardware slowdown": 0x8,
    "set clocks": 0x2,
    "group of cards": 0x10,
    "display": 0x100,
    "board limit": 0x200,
    "reliability": 0x400,
}
SLOWDOWN_CAUSES = 0x40 | 0x80
NAMED_BITS = 0x7FF
OTHER = "other"
EXACT = {"heat": "thermal_limited_pct", "power": "power_limited_pct"}


@dataclass(frozen=True, slots=True)
class HeldDown:
    """Share of load time in which something held the clock down [%], of the time in which that was known.

    Attributes
    ----------
    pct
        The whole of a row counts where one of its looks had the reason; exact where a share was recorded.
    least_pct
        Only one look of such a row counts: the truth lies between.
    known_pct
        Share of load time in which it was known.
    """

    pct: float | None
    least_pct: float | None
    known_pct: float | None


@dataclass(frozen=True, slots=True)
class Sustained:
    """What one source sustained in one period.

    Attributes
    ----------
    n_stretches, load_h
        Stretches of load, and their time [h].
    load_w
        Power above which it was load [W]; None where no power was had.
    clocks_mhz
        At each of `MOMENTS_S`, with the standard error over stretches [MHz].
    loss_pct
        How much the clock from minute 20 on lies below minute 1 of the same stretch [% of minute 1].
    mhz_per_die_kelvin
        Clock per kelvin of the die, within stretches and at like work [MHz/K]; below 0 where heat costs, be
        it through the power that a warm die leaks. None where it does not surely fall.
    is_while_held_down
        Whether that was taken while heat held the clock down, rather than before; None where nobody knows,
        and all minutes were taken for one law.
    mhz_per_air_kelvin
        Clock from minute 20 on per kelvin of the air, at like work [MHz/K].
    held_down
        By reason in words.
    reasons_unknown_pct
        Share of load time for which no limit reasons were had [%].
    """

    n_stretches: int
    load_h: float
    load_w: float | None
    clocks_mhz: dict[str, Measured]
    loss_pct: Measured
    mhz_per_die_kelvin: Measured
    is_while_held_down: bool | None
    mhz_per_air_kelvin: Measured
    held_down: dict[str, HeldDown]
    reasons_unknown_pct: float | None

    def as_document(self) -> dict[str, Any]:
        """For programs: plain values, None where a number is not known."""
        document = asdict(self)
        for one in (*document["clocks_mhz"].values(), *(v for v in document.values() if isinstance(v, dict))):
            if "reason" in one:
                one["ci95"] = list(one["ci95"]) if one["ci95"] else None
                one["reason"] = one["reason"] or None
        return document


def sustained(frame: pd.DataFrame, air_c: pd.Series | None = None, load_w: float | None = None) -> Sustained:
    """Say what a source sustained in one period, which a short run hides.

    Parameters
    ----------
    frame
        As `Reader.source_frame` gives it.
    air_c
        Temperature of the air [°C], UTC index, strictly increasing; None where nobody knows it.
    load_w
        Power above which it is load [W], see `load_threshold_w`; None takes it from this frame.
    """
    threshold_w = load_threshold_w(frame) if load_w is None else load_w
    found = find_stretches(frame, threshold_w)
    table = table_of(frame, found)
    time_s = found.load_time_s()
    held_down, unknown_pct = _held_down(frame, time_s)
    of_die, is_while_held_down = _per_die_kelvin(minutes_of(_with_heat(frame), found))
    return Sustained(
        n_stretches=len(table),
        load_h=float(time_s.sum()) / 3600.0,
        load_w=threshold_w,
        clocks_mhz={
            moment: mean_of(table[f"clock_mhz_{moment}"].to_numpy(float), "stretch long enough had a clock")
            for moment in MOMENTS_S
        },
        loss_pct=_loss(table),
        mhz_per_die_kelvin=of_die,
        is_while_held_down=is_while_held_down,
        mhz_per_air_kelvin=_per_air_kelvin(table, found, air_c),
        held_down=held_down,
        reasons_unknown_pct=unknown_pct,
    )


def _loss(table: pd.DataFrame) -> Measured:
    early, late = (table[f"clock_mhz_{moment}"].to_numpy(float) for moment in ("minute_1", LATE))
    busy = (table[f"utilization_pct_{moment}"].to_numpy(float) for moment in ("minute_1", LATE))
    # Heavier work later is no loss; where nobody knows how busy it was, a stretch is taken for one work.
    is_other = np.abs(np.subtract(*busy)) > ALIKE_UTILIZATION_PCT
    loss_pct = 100.0 * (1.0 - late / np.where(is_other | (early <= 0.0), np.nan, early))
    return mean_of(loss_pct, "stretch of 25 min had a clock early and late, at like work")


def _with_heat(frame: pd.DataFrame) -> pd.DataFrame:
    """The frame with the share of time held down by heat, from limit reasons where it was not had itself."""
    name = EXACT["heat"]
    if "limit_reasons" not in frame or (name in frame and frame[name].notna().all()):
        return frame
    told = frame["limit_reasons"]
    has_pct = 100.0 * (told.fillna(0).to_numpy(np.int64) & LIMIT_BITS["heat"] != 0)
    heat_pct = pd.Series(has_pct, index=frame.index).mask(told.isna().to_numpy(bool))
    return frame.assign(**{name: frame[name].fillna(heat_pct) if name in frame else heat_pct})


def _per_die_kelvin(minutes: pd.DataFrame) -> tuple[Measured, bool | None]:
    minutes = minutes.dropna(subset=["clock_mhz", "temperature_c"])
    if not len(minutes):
        reason = "cannot be known: clock and temperature were not had under load"
        return Measured(None, None, None, 0, reason), None
    is_told = bool(minutes["thermal_limited_pct"].notna().any())
    held_pct = minutes["thermal_limited_pct"].fillna(0.0).to_numpy(float)  # not known to be held
    held, free = (_long_enough(minutes[one]) for one in (held_pct >= HELD_DOWN_PCT, held_pct <= FREE_PCT))
    # While heat holds it down, a clock obeys another law than before.
    is_ruled = held["stretch"].nunique() >= LEAST_STRETCHES
    chosen = held if is_ruled else free
    work = like_work(chosen["utilization_pct"], chosen["memory_utilization_pct"], MINUTES_WIDTH)
    stretch = chosen["stretch"].to_numpy(np.int64)
    alike = stretch * (work.max(initial=0) + 1) + work
    observed = pd.DataFrame(
        {
            "x_c": chosen["temperature_c"].to_numpy(float),
            "clock_mhz": chosen["clock_mhz"].to_numpy(float),
            "alike": np.where(work == UNKNOWN_WORK, UNKNOWN_WORK, alike),
            "stretch": stretch,
            "draw": stretch,
        }
    )
    when = "while heat held the clock down, " if is_ruled else ""
    told = slope_alike(observed, LEAST_DIE_SD_K, "the die's temperature", "stretch", when)
    return told, is_ruled if is_told else None


def _long_enough(minutes: pd.DataFrame) -> pd.DataFrame:
    size = minutes.groupby("stretch")["minute"].transform("size")
    return minutes[size >= LEAST_MINUTES]


def _per_air_kelvin(table: pd.DataFrame, found: Stretches, air_c: pd.Series | None) -> Measured:
    if air_c is None or not air_c.notna().any():
        return Measured(None, None, None, 0, "cannot be known: nobody knows the air's temperature")
    known_c = air_c.dropna()
    late = found.grid.middles((found.begins + found.ends) // 2)
    nearest = pd.DatetimeIndex(known_c.index).get_indexer(late, method="nearest", tolerance=AIR_WITHIN)
    of_stretch_c = np.where(nearest >= 0, known_c.to_numpy(float)[nearest], np.nan)
    # Stretches of one day share its room, so days are what is independent.
    observed = pd.DataFrame(
        {
            "x_c": of_stretch_c,
            "clock_mhz": table[f"clock_mhz_{LATE}"].to_numpy(float),
            "alike": like_work(table[f"utilization_pct_{LATE}"], table[f"memory_utilization_pct_{LATE}"]),
            "stretch": np.arange(len(table)),
            "draw": pd.factorize(pd.DatetimeIndex(table.index).floor("D"))[0],
        }
    )
    return slope_alike(observed.dropna(), LEAST_AIR_SD_K, "the air's temperature", "day")


def _held_down(frame: pd.DataFrame, time_s: Array) -> tuple[dict[str, HeldDown], float | None]:
    """Share of load time by reason, and the share for which no reasons were had."""
    is_load = time_s > 0.0
    time_s = time_s[is_load]
    is_told, bits = np.zeros(len(time_s), bool), np.zeros(len(time_s), np.int64)
    if "limit_reasons" in frame:
        told = pd.Series(frame["limit_reasons"].array[is_load])
        is_told, bits = told.notna().to_numpy(bool), told.fillna(0).to_numpy(np.int64)
    looks = frame["n_looks"].to_numpy(float)[is_load] if "n_looks" in frame else np.ones(len(time_s))
    found = {}
    for reason, mask in (LIMIT_BITS | {OTHER: ~NAMED_BITS}).items():
        has = bits & mask != 0
        if reason == "hardware slowdown":
            has &= bits & SLOWDOWN_CAUSES == 0
        most, least, is_known = has * 1.0, has / np.maximum(looks, 1.0), is_told
        if reason in EXACT and EXACT[reason] in frame:
            share = frame[EXACT[reason]].to_numpy(float)[is_load] / 100.0
            is_exact = np.isfinite(share)
            most, least = np.where(is_exact, share, most), np.where(is_exact, share, least)
            is_known = is_told | is_exact
        known_s = np.where(is_known, time_s, 0.0)
        found[reason] = HeldDown(
            pct=_share_pct(most * known_s, known_s),
            least_pct=_share_pct(least * known_s, known_s),
            known_pct=_share_pct(known_s, time_s),
        )
    return found, _share_pct(np.where(is_told, 0.0, time_s), time_s)


def _share_pct(part_s: Array, whole_s: Array) -> float | None:
    whole = float(whole_s.sum())
    return min(100.0, 100.0 * float(part_s.sum()) / whole) if whole > 0.0 else None
