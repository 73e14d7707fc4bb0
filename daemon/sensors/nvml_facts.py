"""What rarely changes about a GPU, and whether its two ways of telling energy agree.

Loaded by the child, so it imports next to nothing.
"""

from __future__ import annotations

from .nvml_device import Device
from .nvml_getters import Getters

TYPE_CHECKING = False  # importing `typing` for it would cost the child half a megabyte
if TYPE_CHECKING:
    from typing import Any

# The numbers below are NVML's own, from its public header.
SUCCESS = 0
THRESHOLDS = {"shutdown_c": 0, "slowdown_c": 1}
# Margins from the die to a limit [K]: they must never be taken for temperatures.
MARGINS = {"shutdown_margin_k": 193, "slowdown_margin_k": 194}

# Counter against power x time: long enough for many looks at a power that is itself a mean over 1 s.
AGREEMENT_SPAN_S = 600.0
AGREEMENT_SHARE = 0.15  # looks 10 s apart catch a changing load to about a tenth
LONGEST_STEP_S = 15.0  # across a longer silence nobody knows what the power was


class EnergyCheck:
    """Adds up power x time next to the energy counter.

    On some boards the two differ by more than half: there, watts from one are not watts from the other.
    """

    def __init__(self) -> None:
        self.verdict = "unknown"
        self._began_at_s = self._last_at_s = 0.0
        self._last_mw = 0
        self._sum_mj = 0.0
        self._energy_from_mj: int | None = None

    def add(self, at_s: float, power_mw: int) -> None:
        """Take one look at the power [s, mW]."""
        step_s = at_s - self._last_at_s
        if self._energy_from_mj is not None and not 0 <= step_s <= LONGEST_STEP_S:
            self._energy_from_mj = None
        self._sum_mj += step_s * (power_mw + self._last_mw) / 2
        self._last_at_s, self._last_mw = at_s, power_mw

    def compare(self, energy_mj: int) -> None:
        """Hold the sum against the counter [mJ], read just after the last look."""
        if self._energy_from_mj is None or energy_mj < self._energy_from_mj:
            self._energy_from_mj, self._sum_mj, self._began_at_s = energy_mj, 0.0, self._last_at_s
            return
        if self._last_at_s - self._began_at_s < AGREEMENT_SPAN_S or self._sum_mj <= 0:
            return
        ratio = (energy_mj - self._energy_from_mj) / self._sum_mj
        self.verdict = "agree" if abs(ratio - 1) <= AGREEMENT_SHARE else "disagree"
        self._energy_from_mj = None


def lasting_facts(getters: Getters, device: Device, handle: Any) -> dict[str, str]:
    """Name, firmware and limits of one GPU: asked once, when NVML is opened."""
    facts = {}
    for key, function in (("name", "nvmlDeviceGetName"), ("vbios", "nvmlDeviceGetVbiosVersion")):
        try:
            facts[key] = _text(getattr(getters, function)(handle))
        except (getters.error, AttributeError):
            continue
    limit_mw = device.ask("nvmlDeviceGetPowerManagementDefaultLimit")
    if isinstance(limit_mw, int):
        facts["default_limit_w"] = f"{limit_mw / 1000:g}"
    for key, threshold in THRESHOLDS.items():
        limit_c = device.ask("nvmlDeviceGetTemperatureThreshold", threshold)
        if isinstance(limit_c, int):
            facts[key] = str(limit_c)
    facts.update(_margins(getters, handle))
    facts["power_method"] = device.method
    return facts


def bus_id(getters: Getters, handle: Any) -> str:
    """PCI address as the kernel writes it, empty where it cannot be had."""
    try:
        full = _text(getters.nvmlDeviceGetPciInfo(handle).busId).lower()
    except (getters.error, AttributeError):
        return ""
    domain, _, rest = full.partition(":")
    return f"{domain[-4:]}:{rest}"


def _margins(getters: Getters, handle: Any) -> dict[str, str]:
    try:
        values = getters.nvmlDeviceGetFieldValues(handle, list(MARGINS.values()))
    except (getters.error, AttributeError):
        return {}
    had = {int(v.fieldId): int(v.value.siVal) for v in values if int(v.nvmlReturn) == SUCCESS}
    return {key: str(had[number]) for key, number in MARGINS.items() if number in had}


def _text(value: Any) -> str:
    return value.decode() if isinstance(value, bytes) else str(value)
