"""What each day of one source says: its load steps, its settled windows, and a fit for each class of work.

Many days are worked through at once, because that is faster; but of no day does the answer look further back
than a day and four hours, or further ahead than two minutes, so that it is the same by itself as within its
year.
"""

from __future__ import annotations

from dataclasses import replace
from operator import attrgetter

import numpy as np
import numpy.typing as npt
import pandas as pd

from ..store.derived import CELL_FIELDS, STEP_FIELDS
from ..store.errors import AnalysisError
from ..store.packing import DAY_MS
from .apart import apart_cells
from .classes import day_cells, step_classes, to_the_middle, window_classes
from .era_model import EraModel
from .grid import moments_ms
from .machine_frames import MachineFrames
from .reference_temperature import IDLE_FACTOR, RESTED_SHARE, Reference, ReferenceKind, hourly_idle
from .settled import settled_windows
from .step_memory import memory_of_steps
from .steps import fit_steps
from .window_groups import LOADED_FACTOR

Array = npt.NDArray[np.float64]

LEAD_MS = DAY_MS + 4 * 3_600_000  # the day before for its idle hours, and what the slowest lag remembers
TAIL_MS = 120_000  # what a step near midnight still needs
LEAST_IDLE_WINDOWS = 3
KEPT_IDLE_MS, IDLE_WINDOWS = 600_000, 5  # one window of two minutes in ten
FAN_BIN_K = 3.0
MOST_IDLE_SHARE = 0.5
LEAST_RATIO = 0.1  # below it a reading is wrong
FAN_ERROR_SHARE = 0.01
MOST_RELATIVE_ERROR = 100.0  # of a step: beyond, it has no weight in any mean
IN_ORDER = attrgetter(*STEP_FIELDS)


def steps_of(frames: MachineFrames, model: EraModel) -> pd.DataFrame:
    """Load steps of a stretch: columns `STEP_FIELDS`."""
    if model.constants is None:
        return pd.DataFrame(columns=list(STEP_FIELDS))
    others = [frames.sources[name] for name in model.shared_with if name in frames.sources]
    try:
        found = fit_steps(
            frames.sources[model.source],
            model.constants,
            model.step_settings,
            others,
            frames.fans.get(model.fan),
        )
    except AnalysisError:  # a stretch without power or temperature has none
        found = []
    return pd.DataFrame([IN_ORDER(step) for step in found], columns=list(STEP_FIELDS))


def windows_of(frames: MachineFrames, model: EraModel) -> pd.DataFrame:
    """Settled windows of a stretch."""
    source = model.source
    try:
        return settled_windows(
            frames.sources[source],
            frames.others(source),
            frames.fans,
            grid_k=model.grid_k,
            idle_w=model.idle_w,
            beside=frames.temperatures_beside(source),
        )
    except AnalysisError:
        return pd.DataFrame(index=pd.DatetimeIndex([], tz="UTC", name="time_utc"))


def with_air(frames: MachineFrames, model: EraModel, windows: pd.DataFrame) -> pd.DataFrame:
    """The windows, with what the air was: column ``reference_c`` [°C], NaN where nobody knows."""
    air_c = np.full(len(windows), np.nan)
    if model.reference is not None:
        readings = _air_readings(frames, model, windows)
        reference = Reference(
            ReferenceKind(model.reference.kind), "", readings, model.reference.offset_k, 0.0, 0.0
        )
        days = day_numbers(windows.index)
        read_on = day_numbers(readings.index)
        for day in np.unique(days):
            near = slice(*np.searchsorted(read_on, [day - 1, day + 1]))
            begin, end = np.searchsorted(days, [day, day + 1])
            of_day = replace(reference, readings_c=readings.iloc[near])
            air_c[begin:end] = of_day.at(pd.DatetimeIndex(windows.index[begin:end]))
    return windows.assign(reference_c=air_c)


def worth_keeping(model: EraModel, windows: pd.DataFrame) -> pd.DataFrame:
    """All windows at work, and of those at idle one in ten minutes: idle hours are long and all alike."""
    is_tenth = (moments_ms(windows.index) // (KEPT_IDLE_MS // IDLE_WINDOWS)) % IDLE_WINDOWS == 0
    kept: pd.DataFrame = windows[is_tenth | ~_is_idle(model, windows)]
    return kept


def cells_of(model: EraModel, steps: pd.DataFrame, windows: pd.DataFrame) -> pd.DataFrame:
    """The fits by day and class of work: columns `CELL_FIELDS`.

    Parameters
    ----------
    steps, windows
        Of whole days; windows as `with_air` gives them.
    """
    parts = [interface_step_cells(steps, model.memory_slope)]
    if len(windows):
        parts += [_fan(model, windows), _idle(model, windows), total_cells(model, windows)]
        parts.append(apart_cells(model.apart, windows))
    cells = pd.concat([part for part in parts if len(part)] or [_empty()], ignore_index=True)
    return cells.assign(era_from_utc_ms=model.from_utc_ms)[list(CELL_FIELDS)]


def day_numbers(index: pd.Index) -> npt.NDArray[np.int64]:
    """Days since 1970 of some moments."""
    numbers: npt.NDArray[np.int64] = moments_ms(index) // DAY_MS
    return numbers


def _air_readings(frames: MachineFrames, model: EraModel, windows: pd.DataFrame) -> pd.Series:
    """Readings of what stands for the air: a probe, or the source's own idle by the hour."""
    assert model.reference is not None  # the caller asks only then
    if model.reference.kind != ReferenceKind.OWN_IDLE.value:
        return frames.probes.get(model.reference.name, pd.Series(dtype=float)).dropna()
    late = [column for column in windows.columns if column.startswith("late_")]
    is_rested = windows[late].abs().max(axis=1) <= RESTED_SHARE * model.idle_w[""]
    return hourly_idle(windows["temperature_c"][_is_idle(model, windows) & is_rested.to_numpy()])


def _is_idle(model: EraModel, windows: pd.DataFrame) -> npt.NDArray[np.bool_]:
    is_idle = np.ones(len(windows), bool)
    for name, idle_w in model.idle_w.items():
        column = f"power_w.{name}" if name else "power_w"
        if column in windows:
            is_idle &= windows[column].to_numpy(float) <= IDLE_FACTOR * idle_w
    return is_idle


def interface_step_cells(steps: pd.DataFrame, memory_slope: float) -> pd.DataFrame:
    """What the steps of each day and class say, brought to the middle of their class of busy memory.

    Parameters
    ----------
    steps
        Columns `STEP_FIELDS`.
    memory_slope
        Of the era; see `step_memory.memory_slope`.
    """
    # A step can only be compared as a ratio where it is above zero; noise takes few below, and some so near
    # to it that the ratio says nothing.
    least = steps["standard_error_k_per_w"] / MOST_RELATIVE_ERROR
    is_above = (steps["interface_resistance_k_per_w"] > 0.0) & (steps["interface_resistance_k_per_w"] > least)
    known = steps[(steps["not_identifiable"] == "") & is_above]
    if not len(known):
        return _empty()
    resistance = known["interface_resistance_k_per_w"].to_numpy(float)
    relative = known["standard_error_k_per_w"].to_numpy(float) / resistance
    days = known["at_utc_ms"].to_numpy(np.int64) // DAY_MS
    log_value = np.log(resistance) + memory_slope * to_the_middle(memory_of_steps(known))
    return _cells("interface", days, step_classes(known), log_value, relative)


def total_cells(model: EraModel, windows: pd.DataFrame) -> pd.DataFrame:
    """Rise under load as a ratio to what the model of the era says, by day and class.

    Where the source's own idle stands for the air, it moves with the resistance too; the share by which that
    hides a change is given back.

    Parameters
    ----------
    windows
        As `with_air` gives them.
    """
    if model.air is None or model.reference is None:
        return _empty()
    loaded = windows[windows["power_w"].to_numpy(float) > LOADED_FACTOR * IDLE_FACTOR * model.idle_w[""]]
    flowing_k, other_k = model.air.rise_k(loaded)
    rise_k = (loaded["temperature_c"] - loaded["reference_c"]).to_numpy(float) - other_k
    chosen = np.isfinite(rise_k) & (flowing_k > 0.0) & (rise_k > 0.0)
    if not chosen.any():
        return _empty()
    loaded, flowing_k, rise_k = loaded[chosen], flowing_k[chosen], rise_k[chosen]
    days, classes = day_numbers(loaded.index), window_classes(loaded, model.fan)
    error_k = np.hypot(loaded["temperature_error_k"].to_numpy(float), model.reference.scatter_k)
    ratio = rise_k / flowing_k
    if model.reference.kind == ReferenceKind.OWN_IDLE.value:
        seen = 1.0 - np.minimum(model.idle_w[""] / loaded["power_w"].to_numpy(float), MOST_IDLE_SHARE)
        ratio, error_k = np.maximum(1.0 + (ratio - 1.0) / seen, LEAST_RATIO), error_k / seen
    total = _cells("total", days, classes, np.log(ratio), error_k / flowing_k)
    if model.constants is not None:
        own_k = model.constants.interface_resistance_k_per_w * loaded["power_w"].to_numpy(float)
        share = pd.Series(own_k / flowing_k).groupby([days, classes.to_numpy()]).mean()
        numbers = day_numbers(pd.DatetimeIndex(total["day"]).tz_localize("UTC"))
        wanted = pd.MultiIndex.from_arrays([numbers, total["workload_class"]])
        total["interface_share"] = share.reindex(wanted).to_numpy()
    return total


def _idle(model: EraModel, windows: pd.DataFrame) -> pd.DataFrame:
    """Idle temperature above a probe, or by itself where there is none."""
    idle = windows[_is_idle(model, windows)]
    is_probe = model.reference is not None and model.reference.kind != ReferenceKind.OWN_IDLE.value
    level_c = idle["temperature_c"] - idle["reference_c"] if is_probe else idle["temperature_c"]
    level_c = level_c.dropna()
    grouped = level_c.groupby(day_numbers(level_c.index))
    found = pd.DataFrame({"value": grouped.median(), "n": grouped.size(), "sd": grouped.std(ddof=0)})
    found = found[found["n"] >= LEAST_IDLE_WINDOWS]
    if not len(found):
        return _empty()
    return pd.DataFrame(
        {
            "day": _iso(found.index.to_numpy(np.int64)),
            "part": "idle",
            "workload_class": "above the air" if is_probe else "as read",
            "value": found["value"].to_numpy(),
            "standard_error": np.hypot(model.grid_k / np.sqrt(12.0), found["sd"].to_numpy()),
            "n": found["n"].to_numpy(),
            "interface_share": np.nan,
        }
    )


def _fan(model: EraModel, windows: pd.DataFrame) -> pd.DataFrame:
    """Speed of the fan by the heat that it answers to."""
    column = f"speed.{model.fan}"
    if not model.fan or column not in windows:
        return _empty()
    turning = windows[windows[column] > 0.0]
    if not len(turning):
        return _empty()
    # A fan answers to the hottest of those that share it.
    beside = [f"temperature_c.{name}" for name in model.shared_with if f"temperature_c.{name}" in turning]
    hottest_c = turning[["temperature_c", *beside]].max(axis=1).to_numpy(float)
    level = np.floor(hottest_c / FAN_BIN_K).astype(np.int64)
    names = {
        number: f"{model.fan} at {number * FAN_BIN_K:.0f}-{(number + 1) * FAN_BIN_K:.0f} °C"
        for number in np.unique(level)
    }
    classes = pd.Series([names[number] for number in level])
    error = np.full(len(turning), FAN_ERROR_SHARE)
    return _cells("fan", day_numbers(turning.index), classes, np.log(turning[column].to_numpy(float)), error)


def _cells(
    part: str,
    days: npt.NDArray[np.int64],
    classes: pd.Series,
    log_value: Array,
    standard_error: Array,
) -> pd.DataFrame:
    found = day_cells(
        pd.DataFrame(
            {
                "day": _iso(days),
                "workload_class": classes.to_numpy(),
                "log_value": log_value,
                "standard_error": standard_error,
            }
        )
    )
    value = np.exp(found["log_value"].to_numpy(float))
    return pd.DataFrame(
        {
            "day": found["day"].to_numpy(),
            "part": part,
            "workload_class": found["workload_class"].to_numpy(),
            "value": value,
            "standard_error": value * found["standard_error"].to_numpy(float),
            "n": found["n"].to_numpy(int),
            "interface_share": np.nan,
        }
    )


def _iso(days: npt.NDArray[np.int64]) -> npt.NDArray[np.str_]:
    """ISO dates of some days since 1970."""
    return np.datetime_as_string(days.astype("datetime64[D]"))


def _empty() -> pd.DataFrame:
    return pd.DataFrame(columns=[name for name in CELL_FIELDS if name != "era_from_utc_ms"])
