"""What each day said of each part, as rows for a spreadsheet."""

from __future__ import annotations

from collections.abc import Iterable

import numpy as np
import pandas as pd

from ..idle_series import IN_KELVIN, KELVIN_PER_LOG
from ..judgement import Verdict

COLUMNS = ("day", "source", "part", "value", "standard_error", "unit", "n")
PERCENT, KELVIN = "% of baseline", "K above baseline"
FORMULA_MARKS = ("=", "+", "-", "@", "\t", "\r", "\n")


def day_table(verdicts: Iterable[Verdict]) -> pd.DataFrame:
    """Day values of all parts of all sources.

    A day on which a part said nothing has no row. What all days of a part share, the uncertainty of the
    baseline above all, is not in the standard errors of the days.

    Parameters
    ----------
    verdicts
        One for each source.

    Returns
    -------
    DataFrame
        ``day`` (``2026-03-03``, UTC), ``source``, ``part`` (``interface``, ``airflow``, ``fan``, ``idle``,
        ``apart``), ``value`` and ``standard_error`` in ``unit`` (% of the baseline, which is 100; of the last
        two kelvin above it), ``n``, what the day was made of. Text is such that no spreadsheet takes it for a
        formula.
    """
    made = [
        _rows(verdict.source, part.name, part.series.rows)
        for verdict in verdicts
        for part in verdict.parts
        if part.series is not None
    ]
    if not made:
        return pd.DataFrame({name: pd.Series(dtype=object) for name in COLUMNS})
    return pd.concat(made, ignore_index=True)


def no_formula(text: str) -> str:
    """Text that a spreadsheet shows as it is: what looks like a formula gets an apostrophe before it."""
    return f"'{text}" if text.lstrip(" ").startswith(FORMULA_MARKS) else text


def _rows(source: str, part: str, rows: pd.DataFrame) -> pd.DataFrame:
    days = pd.DatetimeIndex(rows.index)
    log_ratio = rows["log_ratio"].to_numpy(float)
    error = rows["standard_error"].to_numpy(float)
    is_in_kelvin = part in IN_KELVIN
    value = KELVIN_PER_LOG * log_ratio if is_in_kelvin else 100.0 * np.exp(log_ratio)
    return pd.DataFrame(
        {
            "day": days.strftime("%Y-%m-%d"),
            "source": no_formula(source),
            "part": part,
            "value": value,
            "standard_error": (KELVIN_PER_LOG if is_in_kelvin else value) * error,
            "unit": KELVIN if is_in_kelvin else PERCENT,
            "n": rows["n"].to_numpy(),
        },
        columns=list(COLUMNS),
    )
