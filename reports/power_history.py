"""Which power scale of a source held when: changes stand on each other, calibrations hold for a stretch."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from itertools import pairwise

import numpy as np
import pandas as pd

from ..store.errors import SettingsError
from ..store.journal_entry import EntryKind, JournalEntry
from .power_scale import PowerScale, power_scale, resistance_after_mohm

LARGEST_DISPUTE = 3.0  # standard errors between two calibrations of one stretch
RESISTOR_TOLERANCE = 0.10  # two people write 3.3 and 3.333 mOhm for one thing, and the part itself has one


@dataclass(frozen=True, slots=True)
class DatedScale:
    """A power scale and the moment from which it holds [ms since 1970]; the first one holds since ever."""

    from_utc_ms: int
    scale: PowerScale


def entries_of(entries: Sequence[JournalEntry], source: str) -> list[JournalEntry]:
    """What concerns one source: its own entries and those of the whole machine, by time."""
    mine = [entry for entry in entries if entry.source in ("", source)]
    return sorted(mine, key=lambda entry: (entry.at_utc_ms, entry.entry_id or 0))


def power_scales(entries: Sequence[JournalEntry], source: str) -> tuple[DatedScale, ...]:
    """What reported power meant, and from when on.

    Each change of a resistor stands on top of those before it. A calibration holds for the whole stretch
    between two changes in which it was made, also for the days before it, and what comes after stands on it.

    Parameters
    ----------
    entries
        The journal, in any order.
    source
        Whose power.

    Returns
    -------
    tuple of DatedScale
        By time, at least one; the first is from moment 0.

    Raises
    ------
    SettingsError
        Two entries claim the same moment, start from different resistors, or calibrate the same stretch to
        different values.
    """
    spoken = [(entry, scale) for entry in entries_of(entries, source) if (scale := power_scale(entry))]
    changes = [(entry, scale) for entry, scale in spoken if entry.kind is not EntryKind.CALIBRATION]
    calibrations = [(entry, scale) for entry, scale in spoken if entry.kind is EntryKind.CALIBRATION]
    _refuse_overlap([entry for entry, _ in changes])
    starts = [0, *(entry.at_utc_ms for entry, _ in changes)]
    ends = [*starts[1:], math.inf]
    steps = [PowerScale(), *(scale for _, scale in changes)]
    found: list[DatedScale] = []
    for start, end, step in zip(starts, ends, steps, strict=True):
        scale = step.after(found[-1].scale) if found else step
        inside = [(entry, c) for entry, c in calibrations if start <= entry.at_utc_ms < end]
        found.append(DatedScale(start, _agreed(inside) if inside else scale))
    return tuple(found)


def scale_at(scales: Sequence[DatedScale], at_utc_ms: int) -> PowerScale:
    """The scale that holds at a moment [ms since 1970]."""
    return next(dated.scale for dated in reversed(scales) if dated.from_utc_ms <= max(at_utc_ms, 0))


def correct_power(reported_w: pd.Series[float], scales: Sequence[DatedScale]) -> pd.Series[float]:
    """True power [W] of a whole record.

    Parameters
    ----------
    reported_w
        UTC index; NaN stays NaN.
    scales
        From `power_scales`.
    """
    index = pd.DatetimeIndex(reported_w.index)
    starts = pd.to_datetime([dated.from_utc_ms for dated in scales], unit="ms", utc=True)
    which = np.maximum(np.asarray(starts.searchsorted(index, side="right")) - 1, 0)
    slopes = np.array([dated.scale.slope for dated in scales])[which]
    offsets_w = np.array([dated.scale.offset_w for dated in scales])[which]
    true_w = (reported_w.to_numpy(np.float64) - offsets_w) / slopes
    return pd.Series(true_w, index=index, name=reported_w.name)


def _refuse_overlap(changes: list[JournalEntry]) -> None:
    partial = [entry for entry in changes if entry.numbers.get("shunt_share_pct", 100.0) < 100.0]
    if len(partial) > 1:  # the same rails again, or others: the two give different sums
        raise SettingsError(
            f"{partial[0].name} and {partial[1].name} both change a share of the rails",
            remedy="measure what the second changed in all, and give it as power_factor",
        )
    for before, entry in pairwise(changes):
        if before.at_utc_ms == entry.at_utc_ms:
            raise SettingsError(
                f"{before.name} and {entry.name} change the power at the same moment",
                remedy="make one entry of them, or say which came first",
            )
    there_mohm: float | None = None
    for entry in changes:
        if entry.kind is not EntryKind.SHUNT:
            continue
        from_mohm = entry.numbers.get("shunt_from_mohm")
        if None not in (there_mohm, from_mohm) and _differ(there_mohm, from_mohm):
            raise SettingsError(
                f"the {entry.name} starts from {from_mohm:g} mOhm, but {there_mohm:.3g} mOhm were there",
                remedy="two entries tell of the same change, or one between them is missing",
            )
        there_mohm = resistance_after_mohm(entry)


def _differ(there_mohm: float | None, from_mohm: float | None) -> bool:
    assert there_mohm is not None and from_mohm is not None
    return abs(from_mohm / there_mohm - 1.0) > RESISTOR_TOLERANCE


def _agreed(inside: list[tuple[JournalEntry, PowerScale]]) -> PowerScale:
    """The weighted mean of calibrations that agree."""
    for (entry, scale), (other, another) in pairwise(inside):
        spread = math.hypot(scale.slope_standard_error, another.slope_standard_error)
        if abs(scale.slope - another.slope) > LARGEST_DISPUTE * spread:
            raise SettingsError(
                f"{entry.name} and {other.name} disagree: {scale.factor:.3g} and {another.factor:.3g}",
                remedy="remove the wrong one, or enter what changed between them",
            )
    scales = [scale for _, scale in inside]
    weights = np.array([scale.slope_standard_error**-2 for scale in scales])
    return replace(
        scales[0],
        slope=float(np.average([scale.slope for scale in scales], weights=weights)),
        # Both were read off the same meters: what they share does not average out.
        slope_standard_error=min(scale.slope_standard_error for scale in scales),
        offset_w=float(np.average([scale.offset_w for scale in scales], weights=weights)),
        offset_standard_error_w=max(scale.offset_standard_error_w for scale in scales),
    )
