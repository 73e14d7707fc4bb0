"""NVML: GPU temperatures, power, clocks and limits, through a child process that may fail without harm.

``NvmlLink`` (`nvml_link`) owns the child and never raises into the poller; ``nvml_groups`` (`nvml_group`)
makes one sensor group of each GPU; `nvml_wake` decides when NVML may be opened so that no sleeping GPU is
woken.
Fan speeds here are what the driver asks for: they can never prove that a fan turns.
"""

from __future__ import annotations

from .nvml_answers import NvmlGpu
from .nvml_group import NvmlGroup, SleepingGroup, nvml_groups
from .nvml_link import NvmlLink

__all__ = ["NvmlGpu", "NvmlGroup", "NvmlLink", "SleepingGroup", "nvml_groups"]
