"""The pictures of one source's work: its clocks, its fan and its thermal cycles."""

from __future__ import annotations

from collections.abc import Callable

import pandas as pd

from ...store.derived import DerivedStore
from ...store.errors import AnalysisError
from ...store.packing import DAY_MS, day_of
from ...store.reader import Reader
from ..derivation import Derivation
from ..verdict import Verdict
from .clocks import Days, clocks_picture
from .day_axis import span_words
from .fan_heat import fan_picture
from .picture import Picture
from .thermal_cycles import cycles_picture


def work_pictures(
    reader: Reader,
    derived: DerivedStore,
    derivation: Derivation,
    verdict: Verdict,
    *,
    from_utc_ms: int,
    to_utc_ms: int,
) -> list[Picture]:
    """Clocks, fan and thermal cycles of one source; what cannot be drawn says why.

    Clocks and fan are shown since the era began, where that is later: what an entry did to them is another
    question. Cycles are counted over the whole stretch.

    Parameters
    ----------
    reader, derived, derivation
        Of the machine, up to date.
    verdict
        Of the source; its baseline days are what the pictures hold the present against.
    from_utc_ms, to_utc_ms
        What is reported [ms since 1970].
    """
    source = verdict.source
    stretch, baseline = (from_utc_ms, to_utc_ms), baseline_days(verdict, from_utc_ms)
    since_utc_ms = min(max(from_utc_ms, verdict.era.from_utc_ms), to_utc_ms)
    of_era = (since_utc_ms, to_utc_ms), baseline
    every = reader.source_frame(source, *stretch)
    now = every[every.index >= pd.Timestamp(since_utc_ms, unit="ms", tz="UTC")]
    then = None if baseline is None else reader.source_frame(source, *baseline)
    shown = [(since_utc_ms, to_utc_ms)] if baseline is None else [baseline, (since_utc_ms, to_utc_ms)]
    cells = pd.concat(
        [
            derived.cells(source, *(day_of(at).isoformat() for at in (begin, end - 1 + DAY_MS)))
            for begin, end in shown
        ]
    )
    makers: dict[str, Callable[[], Picture]] = {
        "clocks": lambda: clocks_picture(source, now, then, of_era),
        "fan": lambda: fan_picture(verdict, cells, of_era),
        "cycles": lambda: cycles_picture(source, every, then, (stretch, baseline)),
    }
    return [_made(f"{source}-{name}", make, stretch) for name, make in makers.items()]


def baseline_days(verdict: Verdict, from_utc_ms: int) -> Days | None:
    """Days of a source's baseline; None where there is none that ends before a moment [ms since 1970]."""
    for part in (verdict.interface, verdict.airflow, verdict.fan):
        if part.series is not None:
            baseline = part.series.baseline
            begin, end = (
                int(pd.Timestamp(day).timestamp() * 1000) for day in (baseline.from_day, baseline.to_day)
            )
            return (begin, end + DAY_MS) if end + DAY_MS <= from_utc_ms else None
    return None


def _made(key: str, make: Callable[[], Picture], days: Days) -> Picture:
    try:
        return make()
    except AnalysisError as reason:
        return Picture(key, key.replace("-", ": ", 1), span_words(*days, 0), "", None, str(reason))
