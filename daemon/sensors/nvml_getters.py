"""The only functions of the NVML binding that heatdrift can reach.

The binding offers dozens of functions that change a GPU next to those that read it. Every call goes
through `Getters`, which refuses any name that is not listed here. Loaded by the child: imports nothing.
"""

from __future__ import annotations

TYPE_CHECKING = False  # importing `typing` for it would cost the child half a megabyte
if TYPE_CHECKING:
    from typing import Any

ALLOWED = frozenset(
    (
        "nvmlInit",
        "nvmlShutdown",
        "nvmlSystemGetDriverVersion",
        "nvmlDeviceGetCount",
        "nvmlDeviceGetHandleByIndex",
        "nvmlDeviceGetUUID",
        "nvmlDeviceGetName",
        "nvmlDeviceGetVbiosVersion",
        "nvmlDeviceGetPciInfo",
        "nvmlDeviceGetTemperatureV",
        "nvmlDeviceGetTemperature",
        "nvmlDeviceGetTemperatureThreshold",
        "nvmlDeviceGetFieldValues",
        "nvmlDeviceGetPowerUsage",
        "nvmlDeviceGetTotalEnergyConsumption",
        "nvmlDeviceGetEnforcedPowerLimit",
        "nvmlDeviceGetPowerManagementDefaultLimit",
        "nvmlDeviceGetClockInfo",
        "nvmlDeviceGetUtilizationRates",
        "nvmlDeviceGetCurrentClocksEventReasons",
        "nvmlDeviceGetCurrentClocksThrottleReasons",
        "nvmlDeviceGetViolationStatus",
        "nvmlDeviceGetNumFans",
        "nvmlDeviceGetFanSpeed_v2",
    )
)


class Getters:
    """A binding of NVML, seen through the list of allowed names.

    Parameters
    ----------
    binding
        The imported module: the real binding or its double.

    Attributes
    ----------
    error
        The binding's exception; its ``value`` is NVML's return code.
    """

    __slots__ = ("_binding", "error")

    def __init__(self, binding: Any) -> None:
        self._binding = binding
        self.error: type[Exception] = binding.NVMLError

    def __getattr__(self, name: str) -> Any:
        if name not in ALLOWED:
            raise AttributeError(f"{name} is not one of the functions that only read")
        return getattr(self._binding, name)
