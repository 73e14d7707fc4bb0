"""What lies behind the two parts: who heats whom, and how the resistance falls with the fan's speed."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
import pandas as pd

from ..store.derived import DerivedStore
from ..store.errors import AnalysisError
from .cross_heating import CrossHeating, fit_cross_heating
from .derivation import Derivation
from .era_model import EraModel
from .fan_law import FanLaw, fit_fan_law
from .machine_frames import POWER_STAGE
from .window_groups import loaded, owner_of

Array = npt.NDArray[np.float64]

LIKE_SPEED = 0.15  # of its median: the matrix holds for one speed of each fan
SPEED_BIN = 0.08  # of a logarithm
LEAST_IN_BIN = 4


def fit_cross_heating_now(derived: DerivedStore, derivation: Derivation) -> CrossHeating:
    """The matrix of a machine in its present eras, at the usual speed of its fans.

    Raises
    ------
    AnalysisError
        Fewer than two sources with power, or their powers do not move independently.
    """
    from_utc_ms = max((eras[-1].from_utc_ms for eras in derivation.eras.values() if eras), default=0)
    windows = {
        name: found
        for name in derivation.eras
        if not name.startswith(POWER_STAGE) and len(found := derived.windows(name, from_utc_ms))
    }
    if len(windows) < 2:
        raise AnalysisError("not identifiable: one source with settled windows; there is nobody to heat it")
    joined = pd.concat(
        {name: found[["temperature_c", "power_w", "reference_c"]] for name, found in windows.items()},
        axis=1,
        join="inner",
    ).dropna()
    first = next(iter(windows.values())).reindex(joined.index)
    joined = joined[_is_usual_speed(first)]
    temperatures = pd.DataFrame({name: joined[name, "temperature_c"] for name in windows})
    powers = pd.DataFrame({name: joined[name, "power_w"] for name in windows})
    # Each source has its own idea of the air; the matrix gives each its own offset, so one will do.
    air_c = joined[next(iter(windows)), "reference_c"].to_numpy(float)
    return fit_cross_heating(temperatures, powers, air_c)


def fan_law_of(model: EraModel, windows: pd.DataFrame) -> FanLaw:
    """How the total resistance of a source falls with the speed of its fan.

    Parameters
    ----------
    model
        Of the era.
    windows
        Its settled windows, as `DerivedStore` gives them.

    Raises
    ------
    AnalysisError
        No fan follows the source, or its speed hardly varies.
    """
    column = f"speed.{model.fan}"
    if model.air is None or not model.fan or column not in windows:
        raise AnalysisError("not identifiable: no fan is seen to follow this source")
    rows = windows[loaded(windows) & (windows[column] > 0.0).to_numpy()]
    others = [name for name in rows.columns if name.startswith("power_w.")]
    _, other_k = model.air.rise_k(rows)
    cross_k = sum((model.air.term(name) * rows[name].to_numpy(float) for name in others), np.zeros(len(rows)))
    rise_k = (rows["temperature_c"] - rows["reference_c"]).to_numpy(float) - other_k - cross_k
    resistance = rise_k / rows["power_w"].to_numpy(float)
    table = pd.DataFrame({"speed": rows[column].to_numpy(float), "resistance": resistance}).dropna()
    grouped = table.groupby(np.round(np.log(table["speed"]) / SPEED_BIN))
    bins = grouped.agg(["mean", "std", "size"])
    bins = bins[bins["speed", "size"] >= LEAST_IN_BIN]
    n = bins["resistance", "size"].to_numpy(float)
    means = bins["resistance", "mean"].to_numpy(float)
    # Windows of one speed share work and hour: a hundredth is left however many they are.
    errors = np.hypot(bins["resistance", "std"].to_numpy(float) / np.sqrt(n), 0.01 * means)
    return fit_fan_law(bins["speed", "mean"], means, errors, is_intended=bool(owner_of(model.fan)))


def _is_usual_speed(windows: pd.DataFrame) -> npt.NDArray[np.bool_]:
    is_usual = np.ones(len(windows), bool)
    for column in windows.columns:
        if column.startswith("speed."):
            speed = windows[column].to_numpy(float)
            turning = speed[speed > 0.0]
            if len(turning):
                usual = float(np.median(turning))
                is_usual &= np.abs(speed - usual) <= LIKE_SPEED * usual
    return is_usual
