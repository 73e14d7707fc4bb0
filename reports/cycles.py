"""Thermal cycles of a source, counted by rainflow, and the hours that it was hot.

Compound is pumped out by cycles and dried by heat, so both are counted; what they do to a joint is not
claimed here.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import pandas as pd
import rainflow

from .grid import moments_ms, row_spans_s

Array = npt.NDArray[np.float64]

# A sensor of whole degrees jitters by one, and work by a few: smaller swings are no cycles.
GATE_K = 5.0
RANGES_K = (5.0, 10.0, 20.0, 30.0, 40.0, 60.0)  # lower edges
HOT_C = (70.0, 80.0, 90.0)


@dataclass(frozen=True, slots=True)
class ThermalCycles:
    """Cycles and hot hours of a stretch.

    Attributes
    ----------
    by_range_k
        Cycles by the lower edge of their range [K]; halves are half cycles.
    hot_h
        Hours at or above each temperature [°C].
    recorded_h
        Hours for which there was a reading.
    """

    by_range_k: dict[float, float]
    hot_h: dict[float, float]
    recorded_h: float

    def n_above(self, range_k: float) -> float:
        """Cycles of at least a range [K], one of the edges."""
        return sum(n for low_k, n in self.by_range_k.items() if low_k >= range_k)


def thermal_cycles(frame: pd.DataFrame, gate_k: float = GATE_K) -> ThermalCycles:
    """Count the thermal cycles of a source.

    What the temperature did in a gap is not known; the reading after it stands for where it had come.

    Parameters
    ----------
    frame
        As `Reader.source_frame` gives it.
    gate_k
        Smaller swings are left out [K].
    """
    readings_c = frame["temperature_c"].dropna()
    counts = rainflow_counts(gated(readings_c.to_numpy(float), gate_k))
    by_range = dict.fromkeys(RANGES_K, 0.0)
    for range_k, n in counts:
        edges = [low_k for low_k in RANGES_K if low_k <= range_k]
        if edges:
            by_range[edges[-1]] += n
    spans_h = row_spans_s(moments_ms(readings_c.index)) / 3600.0 if len(readings_c) else np.empty(0)
    values = readings_c.to_numpy(float)
    hot_h = {hot_c: float(spans_h[values >= hot_c].sum()) for hot_c in HOT_C}
    return ThermalCycles(by_range, hot_h, float(spans_h.sum()))


def rainflow_counts(values: Array) -> list[tuple[float, float]]:
    """Range and number of each cycle [1]_.

    References
    ----------
    .. [1] ASTM E1049-85, Standard Practices for Cycle Counting in Fatigue Analysis, section 5.4.4.
    """
    return [(float(span), float(n)) for span, n in rainflow.count_cycles(values)]


def gated(values: Array, gate: float) -> Array:
    """The turning points of a series, those of swings below the gate left out."""
    if len(values) < 2:
        return values
    lowest = highest = extreme = float(values[0])
    kept: list[float] = []
    direction = 0
    for value in _turning(values):
        if direction == 0:
            # Until one swing is large enough, either end may be where the first one begins.
            lowest, highest = min(lowest, value), max(highest, value)
            if highest - lowest >= gate:
                direction = 1 if value == highest else -1
                kept.append(lowest if direction > 0 else highest)
                extreme = value
        elif direction * (value - extreme) > 0.0:
            extreme = value
        elif abs(value - extreme) >= gate:
            kept.append(extreme)
            extreme, direction = value, -direction
    return np.array([*kept, extreme] if direction else [extreme])


def _turning(values: Array) -> list[float]:
    """Values at which a series turns, and its last: most rows of a year are on the way."""
    steps = np.diff(values)
    moves = np.flatnonzero(steps)
    if not len(moves):
        return []
    ups = steps[moves] > 0.0
    turns = moves[1:][ups[1:] != ups[:-1]]
    return [*values[turns].tolist(), float(values[-1])]
