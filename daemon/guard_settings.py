"""From where on the guard calls its owner; every default of it is written here once."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class GuardSettings:
    """Hard limits.

    Attributes
    ----------
    cpu_limit_c, gpu_limit_c
        Heat that must not last [°C]; 0 for the sensor's own throttle point where it tells one, else for the
        limit of its kind.
    hot_s
        How long it must have lasted [s].
    fan_heat_c, fan_stopped_s
        A fan that was seen turning at such heat [°C] may stand still at it for so long [s].
    step_k, step_s
        On a path with liquid metal: so much hotter than ever lately at like power [K], for so long [s].
    """

    cpu_limit_c: float = 0.0
    gpu_limit_c: float = 0.0
    hot_s: float = 60.0
    fan_heat_c: float = 80.0
    fan_stopped_s: float = 30.0
    step_k: float = 12.0
    step_s: float = 30.0
