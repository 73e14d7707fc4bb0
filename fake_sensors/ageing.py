"""Hidden faults: what time does to the truth of a machine, and to nothing else."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, field
from enum import Enum


class FaultMode(Enum):
    """What goes wrong."""

    NONE = "none"
    PUMP_OUT = "pump_out"  # compound sheared out of the middle, steadily
    DRY_OUT = "dry_out"  # compound loses its oil: slow, and slower still
    DRAWN_IN = "drawn_in"  # liquid metal taken up by copper: fast at first, then flat
    KNOCKED = "knocked"  # a cooler loosened by a blow: at once
    LINT = "lint"  # fins fill up, steadily
    AIRFLOW_STEP = "airflow_step"  # moved, covered or cleaned: at once
    FAN_WEAR = "fan_wear"  # less speed with the same drive
    POWER_SCALE = "power_scale"  # the power reading changes its scale: at once
    TEMPERATURE_OFFSET = "temperature_offset"  # the temperature reading shifts: at once


INTERFACE_MODES = (FaultMode.PUMP_OUT, FaultMode.DRY_OUT, FaultMode.DRAWN_IN, FaultMode.KNOCKED)
AIRFLOW_MODES = (FaultMode.LINT, FaultMode.AIRFLOW_STEP)
STEP_MODES = (
    FaultMode.KNOCKED,
    FaultMode.AIRFLOW_STEP,
    FaultMode.POWER_SCALE,
    FaultMode.TEMPERATURE_OFFSET,
)


@dataclass(frozen=True, slots=True)
class Fault:
    """One thing that goes wrong.

    Attributes
    ----------
    mode
        What.
    from_day
        When it begins [days since the start].
    size
        Relative change at ``span_days`` after the beginning (0.3 is +30 %; a fan loses, a power reading may
        go either way); for `TEMPERATURE_OFFSET` the shift [K].
    span_days
        How long a creeping fault takes to reach its size [days]; without meaning for one that comes at once.
    source
        Which source; empty means all. The air flow and the fan belong to the sink of the source.
    """

    mode: FaultMode
    from_day: float = 0.0
    size: float = 0.0
    span_days: float = 90.0
    source: str = ""

    def grown(self, age_days: float) -> float:
        """Share of `size` come about at an age [days since the start]; may pass 1 for what never stops."""
        since_days = age_days - self.from_day
        if since_days < 0 or self.mode is FaultMode.NONE:
            return 0.0
        if self.mode in STEP_MODES:
            return 1.0
        share = since_days / self.span_days
        if self.mode is FaultMode.DRAWN_IN:  # nineteen twentieths of it within the span, then flat
            return 1.0 - math.exp(-3.0 * share)
        if self.mode is FaultMode.DRY_OUT:  # diffusion: with the root of time
            return math.sqrt(share)
        return share


@dataclass(frozen=True, slots=True)
class Effects:
    """What all faults together do to one source and its sink: factors on the truth, and a shift [K]."""

    interface_factor: float = 1.0
    airflow_factor: float = 1.0
    fan_factor: float = 1.0
    power_factor: float = 1.0
    temperature_offset_k: float = 0.0


MAX_FAN_LOSS = 0.9  # a fan that has lost more stands still


@dataclass(frozen=True, slots=True)
class Ageing:
    """All faults of one machine."""

    faults: Sequence[Fault] = field(default=())

    def effects(self, source: str, age_days: float) -> Effects:
        """What a source has suffered at an age [days since the start]."""
        interface = airflow = fan = power = 1.0
        offset_k = 0.0
        for fault in self.faults:
            if fault.source not in ("", source):
                continue
            change = fault.size * fault.grown(age_days)
            if fault.mode in INTERFACE_MODES:
                interface *= 1.0 + change
            elif fault.mode in AIRFLOW_MODES:
                airflow *= 1.0 + change
            elif fault.mode is FaultMode.FAN_WEAR:
                fan *= 1.0 - min(change, MAX_FAN_LOSS)
            elif fault.mode is FaultMode.POWER_SCALE:
                power *= 1.0 + change
            elif fault.mode is FaultMode.TEMPERATURE_OFFSET:
                offset_k += change
        return Effects(interface, airflow, fan, power, offset_k)

    def next_onset_day(self, age_days: float) -> float:
        """When the next fault begins [days since the start]; infinite when none will."""
        return min((fault.from_day for fault in self.faults if fault.from_day > age_days), default=math.inf)
