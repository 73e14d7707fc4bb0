"""What a day did to a heat path: thermal cycles weighted by their range, and hours weighted by their heat.

Compound is pumped out by cycles and dried by heat, so a part that ages may do it by either clock instead of
the calendar's. Which one it is, the record has to say (`creep_laws.py`); here they are only counted.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
import pandas as pd
import rainflow

from ..store.derived import CELL_FIELDS
from ..store.packing import DAY_MS
from .cycles import GATE_K
from .grid import moments_ms, row_spans_s

Array = npt.NDArray[np.float64]
Index = npt.NDArray[np.int64]

RANGE_K = (
    20.0  # the cycle that counts as one: common practice, no source; only a unit, it cancels in a forecast
)
# Coffin-Manson exponent, "typically 2 (1.9-2.0)": University of Bolton, course notes on fatigue of joints.
CYCLE_EXPONENT = 2.0
HOT_C = 60.0  # where an hour counts as one: common practice, no source; it cancels as well
ACTIVATION_EV = 0.7  # common practice for electronics where nothing is known, no source for compound
BOLTZMANN_EV_PER_K = 8.617333262e-5  # CODATA 2018
ZERO_C_IN_K = 273.15


def day_exposure(temperature_c: pd.Series) -> pd.DataFrame:
    """Cycles and hot hours of each day with readings.

    Days are cut at midnight UTC: of each, the answer is the same by itself as within a longer series. A
    cycle across midnight counts as the halves that lie on either side. What was not recorded does not
    count, as the machine was off then, and no reading stands for a gap.

    Parameters
    ----------
    temperature_c
        UTC index, rising, any spacing [°C]; NaN is left out.

    Returns
    -------
    pd.DataFrame
        Index ``day`` (ISO); ``cycles`` (of 20 K, or what does as much) and ``hot_h`` (hours at 60 °C, or
        what does as much). A day without readings has no row.

    References
    ----------
    .. [1] ASTM E1049-85, Standard Practices for Cycle Counting in Fatigue Analysis, section 5.4.4.
    """
    readings_c = temperature_c.dropna()
    if readings_c.empty:
        return pd.DataFrame(columns=["cycles", "hot_h"], index=pd.Index([], name="day"), dtype=float)
    times_ms, values = moments_ms(readings_c.index), readings_c.to_numpy(float)
    days, starts = np.unique(times_ms // DAY_MS, return_index=True)
    points_c, points_day = _turning_points(values, np.repeat(np.arange(len(days)), _lengths(starts, values)))
    point_starts = np.searchsorted(points_day, np.arange(len(days)))
    factors = arrhenius_acceleration(values)
    rows = []
    for first, last, begin, end in zip(
        starts, _ends(starts, values), point_starts, _ends(point_starts, points_c), strict=True
    ):
        spans_h = row_spans_s(times_ms[first:last]) / 3600.0
        rows.append((cycle_sum(points_c[begin:end]), float(spans_h @ factors[first:last])))
    index = pd.Index(np.datetime_as_string(days.astype("datetime64[D]")).astype(object), name="day")
    return pd.DataFrame(np.array(rows).reshape(-1, 2), index, ["cycles", "hot_h"])


def exposure_cells(from_utc_ms: int, temperature_c: pd.Series) -> pd.DataFrame:
    """The same as cells of an era, to be kept with the other cells of the day.

    Parameters
    ----------
    from_utc_ms
        Beginning of the era [ms since 1970].
    temperature_c
        Of whole days, or as much of them as belongs to the era.
    """
    found = day_exposure(temperature_c).reset_index()
    long = found.melt(id_vars="day", var_name="part", value_name="value")
    return long.assign(
        era_from_utc_ms=from_utc_ms, workload_class="", standard_error=0.0, n=1, interface_share=np.nan
    )[list(CELL_FIELDS)]


def exposure_of(cells: pd.DataFrame) -> pd.DataFrame | None:
    """What `exposure_cells` made, by day as `day_exposure` gave it; None where there is none."""
    mine = cells[cells["part"].isin(["cycles", "hot_h"])]
    if not len(mine):
        return None
    return mine.pivot_table(index="day", columns="part", values="value", aggfunc="sum")


def arrhenius_acceleration(
    temperature_c: npt.ArrayLike, reference_c: float = HOT_C, activation_ev: float = ACTIVATION_EV
) -> Array:
    """How many times faster a thermally activated process runs than at a reference [1]_.

    Parameters
    ----------
    temperature_c
        Any shape [°C].
    reference_c
        Where the factor is 1 [°C].
    activation_ev
        Activation energy [eV].

    References
    ----------
    .. [1] NIST/SEMATECH e-Handbook of Statistical Methods, section 8.1.5.1.
    """
    kelvin = np.asarray(temperature_c, float) + ZERO_C_IN_K
    inverse = 1.0 / (reference_c + ZERO_C_IN_K) - 1.0 / kelvin
    return np.asarray(np.exp(activation_ev / BOLTZMANN_EV_PER_K * inverse), float)


def cycle_sum(values_c: Array) -> float:
    """Cycles of 20 K that do as much as all cycles of a series of at least the gate."""
    counted: float = sum(
        float(n) * (float(range_k) / RANGE_K) ** CYCLE_EXPONENT
        for range_k, _, n, _, _ in rainflow.extract_cycles(values_c.tolist())
        if range_k >= GATE_K
    )
    return counted


def _turning_points(values: Array, days: Index) -> tuple[Array, Index]:
    """Where each day begins, turns and ends, without the closed cycles that are smaller than the gate.

    A swing that is no larger than both of its neighbours is a closed cycle: rainflow would count it and take
    it out, and nothing else would change. So whatever is too small goes at once, all days together; the
    library takes one point after the other.
    """
    is_new = np.concatenate([[True], (np.diff(values) != 0.0) | (np.diff(days) != 0)])
    values, days = values[is_new], days[is_new]
    steps, is_within = np.diff(values), np.diff(days) == 0
    is_end = np.ones(len(values), bool)
    is_end[1:-1] = ~(is_within[:-1] & is_within[1:]) | ((steps[:-1] > 0.0) != (steps[1:] > 0.0))
    values, days = values[is_end], days[is_end]
    while True:
        # Midnight is no swing: what touches it stays, as it does not close.
        ranges_k = np.where(np.diff(days) == 0, np.abs(np.diff(values)), -1.0)
        inner = ranges_k[1:-1]
        is_small = (inner >= 0.0) & (inner < GATE_K) & (inner <= ranges_k[:-2]) & (inner <= ranges_k[2:])
        if not is_small.any():
            return values, days
        # Swings side by side share a point: of a row of them every other one goes.
        places = np.arange(len(inner))
        in_row = places - np.maximum.accumulate(np.where(is_small, -1, places))
        chosen = np.flatnonzero(is_small & (in_row % 2 == 1))
        is_kept = np.ones(len(values), bool)
        is_kept[chosen + 1] = is_kept[chosen + 2] = False
        values, days = values[is_kept], days[is_kept]


def _ends(starts: Index, values: Array) -> Index:
    return np.append(starts[1:], len(values)).astype(np.int64)


def _lengths(starts: Index, values: Array) -> Index:
    return _ends(starts, values) - starts
