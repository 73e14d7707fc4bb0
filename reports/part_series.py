"""From the cells of the days to one series for each part of a heat path."""

from __future__ import annotations

import numpy as np
import pandas as pd

INTERFACE, TOTAL, IDLE, FAN = "interface", "total", "idle", "fan"


def interface_cells(cells: pd.DataFrame) -> pd.DataFrame:
    """Cells of the interface part as `fit_day_levels` takes them."""
    return log_cells(cells, INTERFACE)


def log_cells(cells: pd.DataFrame, part: str) -> pd.DataFrame:
    """Cells of one part, value and error as logarithms.

    Parameters
    ----------
    cells
        As `DerivedStore.cells` gives them.
    """
    mine = cells[cells["part"] == part]
    value = mine["value"].to_numpy(float)
    return mine.assign(log_value=np.log(value), standard_error=mine["standard_error"].to_numpy(float) / value)
