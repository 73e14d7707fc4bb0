"""What all days of an era share: time constants, which sources share a sink, and what the air resists."""

from __future__ import annotations

import json
import math
from collections.abc import Callable
from dataclasses import asdict, dataclass
from typing import Any

import numpy as np
import pandas as pd

from ..store.errors import AnalysisError
from .air_model import AirModel
from .apart import ApartModel, learn_apart
from .fan_owners import strangers_fans
from .grid import Grid
from .machine_frames import MachineFrames
from .reference_temperature import Reference, ReferenceKind, choose_reference
from .settled import DEFAULT_SETTINGS, reading_grid_k, settled_windows
from .sink_sharing import sharing
from .step_memory import memory_slope
from .step_windows import StepSettings
from .steps import fit_steps
from .time_constants import TimeConstants, identify_time_constants
from .total_resistance import TotalResistance, fit_total_resistances

RANGE_QUANTILES = (0.02, 0.98)


@dataclass(frozen=True, slots=True)
class KnownReference:
    """How the temperature of the air is known in an era; see `Reference`."""

    kind: str
    name: str
    offset_k: float
    offset_error_k: float
    scatter_k: float
    n_cold_starts: int


@dataclass(frozen=True, slots=True)
class EraModel:
    """One source in one era.

    Attributes
    ----------
    source, from_utc_ms
        Whose, and from when.
    n_days
        Days that it was learned from.
    step_range_w, grid_k
        Range in which the power moves [W], and the step of the temperature reading [K].
    idle_w
        Idle power [W] of the source, under the empty name, and of each other one.
    shared_with
        Sources that seem to sit on the same sink.
    constants, reference, air
        None where they could not be learned.
    usual_speed, usual_memory_pct
        Where the air's resistance is quoted; NaN where not had.
    apart
        How far it stands apart from each other source on its sink.
    memory_slope
        How the logarithm of the interface part goes with busy memory; see `step_memory.memory_slope`.
    no_steps, no_air
        Why there are no constants, or no model of the air; empty where there are.
    """

    source: str
    from_utc_ms: int
    n_days: int
    step_range_w: float
    grid_k: float
    idle_w: dict[str, float]
    shared_with: tuple[str, ...]
    constants: TimeConstants | None
    reference: KnownReference | None
    air: AirModel | None
    fan: str
    usual_speed: float
    usual_memory_pct: float
    memory_slope: float = 0.0
    apart: tuple[ApartModel, ...] = ()
    no_steps: str = ""
    no_air: str = ""

    @property
    def step_settings(self) -> StepSettings:
        """What makes a load step in this era."""
        return StepSettings(step_range_w=self.step_range_w)

    def to_json(self) -> str:
        """For the database."""
        document = asdict(self) | {"air": self.air.as_document() if self.air else None}
        return json.dumps(_changed(document, _null_of_nan), allow_nan=False)

    @classmethod
    def from_json(cls, body: str) -> EraModel:
        """What `to_json` wrote."""
        document: dict[str, Any] = json.loads(body)
        constants, reference, air = (document.pop(key) for key in ("constants", "reference", "air"))
        if constants is not None:
            constants["noise_autocovariance_k2"] = tuple(constants["noise_autocovariance_k2"])
        document["shared_with"] = tuple(document["shared_with"])
        document["apart"] = tuple(ApartModel.of_document(one) for one in document["apart"])
        for key in ("usual_speed", "usual_memory_pct"):
            document[key] = math.nan if document[key] is None else document[key]
        return cls(
            constants=TimeConstants(**constants) if constants else None,
            reference=KnownReference(**reference) if reference else None,
            air=AirModel.of_document(air) if air else None,
            **document,
        )


def learn_era(frames: MachineFrames, source: str, from_utc_ms: int, n_days: int) -> EraModel:
    """Learn what the days of an era share from its first stretch.

    Whatever cannot be learned is said in words; nothing is raised.

    Parameters
    ----------
    frames
        The stretch, of the whole machine.
    source
        Whose era.
    from_utc_ms
        Beginning of the era [ms since 1970].
    n_days
        Days with readings in the stretch.
    """
    frame = frames.sources[source]
    power_w = frame["power_w"].dropna().to_numpy(float)
    low_w, high_w = np.quantile(power_w, RANGE_QUANTILES) if len(power_w) else (0.0, 0.0)
    learned = _learn_air(frames, source)
    total, reference, shared = learned.total, learned.reference, learned.shared_with
    constants, no_steps, slope = None, "", 0.0
    try:
        others = [frames.sources[name] for name in shared]
        settings = StepSettings(step_range_w=float(high_w - low_w))
        constants = identify_time_constants(frame, settings, others)
        steps = fit_steps(frame, constants, settings, others)
        slope = memory_slope(pd.DataFrame([asdict(step) for step in steps]))
    except AnalysisError as reason:
        no_steps = str(reason)
    return EraModel(
        source=source,
        from_utc_ms=from_utc_ms,
        n_days=n_days,
        step_range_w=float(high_w - low_w),
        grid_k=reading_grid_k(frame),
        idle_w={"" if name == source else name: _idle_w(one) for name, one in frames.sources.items()},
        shared_with=shared,
        constants=constants,
        reference=_known(reference) if reference else None,
        air=total.model.without_trifles() if total else None,
        fan=total.fan if total else "",
        usual_speed=total.speed if total else math.nan,
        usual_memory_pct=total.memory_utilization_pct if total else math.nan,
        memory_slope=slope,
        apart=learned.apart,
        no_steps=no_steps,
        no_air=learned.no_air,
    )


def _changed(value: Any, change: Callable[[Any], Any]) -> Any:
    """A document with every leaf changed."""
    if isinstance(value, dict):
        return {key: _changed(one, change) for key, one in value.items()}
    if isinstance(value, list | tuple):
        return [_changed(one, change) for one in value]
    return change(value)


def _null_of_nan(value: Any) -> Any:
    return None if isinstance(value, float) and math.isnan(value) else value


@dataclass(frozen=True, slots=True)
class _Air:
    """What the settled windows of a stretch say of one source."""

    total: TotalResistance | None
    reference: Reference | None
    shared_with: tuple[str, ...]
    apart: tuple[ApartModel, ...]
    no_air: str


def _learn_air(frames: MachineFrames, source: str) -> _Air:
    windows: dict[str, pd.DataFrame] = {}
    references: dict[str, Reference] = {}
    reasons: dict[str, str] = {}
    for name, frame in frames.sources.items():
        try:
            windows[name] = settled_windows(
                frame, frames.others(name), frames.fans, beside=frames.temperatures_beside(name)
            )
            references[name] = choose_reference(windows[name], frame["temperature_c"], frames.probes)
        except AnalysisError as reason:
            windows.pop(name, None)
            reasons[name] = str(reason)
    fits = fit_total_resistances(windows, references)
    shared = sharing(frames, source, fits)
    if source not in windows:
        return _Air(None, None, shared, (), reasons[source])
    strangers = strangers_fans(frames, source, shared)
    if strangers:
        windows[source] = windows[source].drop(columns=[f"speed.{fan}" for fan in strangers])
        fits = fit_total_resistances(windows, references)
    fit, reference = fits[source], references[source]
    if reference.kind is not ReferenceKind.OWN_IDLE:  # which would move with the thermometer
        windows[source]["reference_c"] = reference.at(pd.DatetimeIndex(windows[source].index))
    apart = tuple(found for name in shared if (found := learn_apart(windows[source], name)) is not None)
    total = fit if isinstance(fit, TotalResistance) else None
    return _Air(total, reference, shared, apart, str(fit) if isinstance(fit, AnalysisError) else "")


def _idle_w(frame: pd.DataFrame) -> float:
    grid = Grid.of(frame.index, DEFAULT_SETTINGS.bin_s)
    return grid.idle(grid.mean(frame["power_w"]))


def _known(reference: Reference) -> KnownReference:
    return KnownReference(
        reference.kind.value,
        reference.name,
        reference.offset_k,
        reference.offset_error_k,
        reference.scatter_k,
        reference.n_cold_starts,
    )
