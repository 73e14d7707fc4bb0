"""NVML for a GPU that does not exist: the getters' names and shapes of the real binding, state from a file.

The child process that reads NVML is told to import this module instead of the real one. Whoever plays the
machine calls `write_state` as often as the machine changes; the child re-reads the file when it was
replaced. Faults are part of the state: an error code or a delay for any function, a GPU that sleeps.
Where a `calls_path` is given, each call adds a line ``function awake|asleep`` to that file, which is how a
test proves that a sleeping GPU was left alone.
"""

# ruff: noqa: A002, N802, N803 - the binding chose these names

from __future__ import annotations

import json
import os
import time
from collections.abc import Mapping, Sequence
from pathlib import Path
from types import SimpleNamespace
from typing import Any

from .nvml_state import GpuState, write_state

__all__ = ["STATE_VARIABLE", "GpuState", "NVMLError", "write_state"]

STATE_VARIABLE = "HEATDRIFT_NVML_DOUBLE"

NVML_SUCCESS = 0
NVML_ERROR_NOT_SUPPORTED = 3
NVML_ERROR_NOT_FOUND = 6
NVML_ERROR_DRIVER_NOT_LOADED = 9
NVML_TEMPERATURE_GPU = 0
NVML_TEMPERATURE_THRESHOLD_SHUTDOWN = 0
NVML_TEMPERATURE_THRESHOLD_SLOWDOWN = 1
NVML_CLOCK_SM = 1
NVML_CLOCK_MEM = 2
NVML_FI_DEV_PERF_POLICY_POWER = 74
NVML_FI_DEV_PERF_POLICY_THERMAL = 75
NVML_FI_DEV_MEMORY_TEMP = 82
NVML_FI_DEV_POWER_AVERAGE = 185
NVML_FI_DEV_TEMPERATURE_SHUTDOWN_TLIMIT = 193
NVML_FI_DEV_TEMPERATURE_SLOWDOWN_TLIMIT = 194
NVML_PERF_POLICY_POWER = 0
NVML_PERF_POLICY_THERMAL = 1


class NVMLError(Exception):
    """An NVML return code other than success, in ``value``."""

    def __init__(self, value: int) -> None:
        super().__init__(f"NVML code {value}")
        self.value = value


class _Memory:
    """The state as last read, and which file it came from."""

    stamp: tuple[int, int, int] | None = None
    state: dict[str, Any] = {}  # noqa: RUF012 - one double in a process, as there is one driver
    handles = 0


def _state() -> dict[str, Any]:
    path = os.environ.get(STATE_VARIABLE, "")
    try:
        seen = Path(path).stat()
        stamp = (seen.st_mtime_ns, seen.st_ino, seen.st_size)
        if stamp != _Memory.stamp:
            _Memory.state = json.loads(Path(path).read_text(encoding="utf-8"))
            _Memory.stamp = stamp
    except FileNotFoundError:
        raise NVMLError(NVML_ERROR_DRIVER_NOT_LOADED) from None
    return _Memory.state


def _play(function: str, faults: Mapping[str, Any], state: Mapping[str, Any]) -> None:
    """Count the call, then take as long and fail as the state says."""
    if state["calls_path"]:
        asleep = any(gpu["asleep"] for gpu in state["gpus"])
        with Path(state["calls_path"]).open("a", encoding="utf-8") as calls:
            calls.write(f"{function} {'asleep' if asleep else 'awake'}\n")
    delay_s = faults["delays_s"].get(function, 0.0)
    if delay_s:
        time.sleep(delay_s)
    code = faults["errors"].get(function, NVML_SUCCESS)
    if code != NVML_SUCCESS:
        raise NVMLError(code)


def _system(function: str) -> dict[str, Any]:
    state = _state()
    _play(function, state, state)
    return state


def _gpu(function: str, handle: int) -> dict[str, Any]:
    state = _state()
    if handle >= len(state["gpus"]):
        raise NVMLError(NVML_ERROR_NOT_FOUND)
    gpu: dict[str, Any] = state["gpus"][handle]
    _play(function, gpu, state)
    return gpu


def _had(value: Any) -> Any:
    if value is None:
        raise NVMLError(NVML_ERROR_NOT_SUPPORTED)
    return value


def _milli(value: float | None) -> int:
    had: float = _had(value)
    return round(had * 1000)


def nvmlInit() -> None:
    _system("nvmlInit")
    _Memory.handles += 1


def nvmlShutdown() -> None:
    _Memory.handles -= 1
    _system("nvmlShutdown")


def nvmlSystemGetDriverVersion() -> str:
    return str(_system("nvmlSystemGetDriverVersion")["driver_version"])


def nvmlDeviceGetCount() -> int:
    return len(_system("nvmlDeviceGetCount")["gpus"])


def nvmlDeviceGetHandleByIndex(index: int) -> int:
    _gpu("nvmlDeviceGetHandleByIndex", index)
    return index


def nvmlDeviceGetUUID(handle: int) -> str:
    return str(_gpu("nvmlDeviceGetUUID", handle)["uuid"])


def nvmlDeviceGetName(handle: int) -> str:
    return str(_gpu("nvmlDeviceGetName", handle)["name"])


def nvmlDeviceGetVbiosVersion(handle: int) -> str:
    return str(_gpu("nvmlDeviceGetVbiosVersion", handle)["vbios"])


def nvmlDeviceGetPciInfo(handle: int) -> SimpleNamespace:
    return SimpleNamespace(busId=_gpu("nvmlDeviceGetPciInfo", handle)["pci_bus_id"].encode())


def nvmlDeviceGetTemperatureV(handle: int, sensor: int) -> int:
    return int(_gpu("nvmlDeviceGetTemperatureV", handle)["temperature_c"])


def nvmlDeviceGetTemperature(handle: int, sensor: int) -> int:
    return int(_gpu("nvmlDeviceGetTemperature", handle)["temperature_c"])


def nvmlDeviceGetTemperatureThreshold(handle: int, threshold: int) -> int:
    gpu = _gpu("nvmlDeviceGetTemperatureThreshold", handle)
    names = {
        NVML_TEMPERATURE_THRESHOLD_SHUTDOWN: "shutdown_c",
        NVML_TEMPERATURE_THRESHOLD_SLOWDOWN: "slowdown_c",
    }
    return int(_had(gpu[names[threshold]]))


def nvmlDeviceGetFieldValues(handle: int, fieldIds: Sequence[int]) -> list[SimpleNamespace]:
    """Each asked field with its own return code, as the driver does."""
    gpu = _gpu("nvmlDeviceGetFieldValues", handle)
    average_w = gpu["average_power_w"]
    answers = {
        NVML_FI_DEV_PERF_POLICY_POWER: gpu["power_limited_ns"],
        NVML_FI_DEV_PERF_POLICY_THERMAL: gpu["thermal_limited_ns"],
        NVML_FI_DEV_MEMORY_TEMP: gpu["memory_temperature_c"],
        NVML_FI_DEV_POWER_AVERAGE: None if average_w is None else round(average_w * 1000),
        NVML_FI_DEV_TEMPERATURE_SLOWDOWN_TLIMIT: gpu["slowdown_margin_k"],
        NVML_FI_DEV_TEMPERATURE_SHUTDOWN_TLIMIT: gpu["shutdown_margin_k"],
    }
    values = []
    for number in fieldIds:
        answer = answers.get(number)
        code = gpu["field_errors"].get(str(number), NVML_SUCCESS)
        if answer is None and code == NVML_SUCCESS:
            code = NVML_ERROR_NOT_SUPPORTED
        value = SimpleNamespace(uiVal=(answer or 0) & 0xFFFFFFFF, siVal=answer or 0, ullVal=answer or 0)
        values.append(SimpleNamespace(fieldId=number, nvmlReturn=code, value=value))
    return values


def nvmlDeviceGetPowerUsage(handle: int) -> int:
    return _milli(_gpu("nvmlDeviceGetPowerUsage", handle)["power_w"])


def nvmlDeviceGetTotalEnergyConsumption(handle: int) -> int:
    return _milli(_gpu("nvmlDeviceGetTotalEnergyConsumption", handle)["energy_j"])


def nvmlDeviceGetEnforcedPowerLimit(handle: int) -> int:
    return _milli(_gpu("nvmlDeviceGetEnforcedPowerLimit", handle)["enforced_limit_w"])


def nvmlDeviceGetPowerManagementDefaultLimit(handle: int) -> int:
    return _milli(_gpu("nvmlDeviceGetPowerManagementDefaultLimit", handle)["default_limit_w"])


def nvmlDeviceGetClockInfo(handle: int, type: int) -> int:
    gpu = _gpu("nvmlDeviceGetClockInfo", handle)
    return int(_had(gpu["memory_clock_mhz" if type == NVML_CLOCK_MEM else "clock_mhz"]))


def nvmlDeviceGetUtilizationRates(handle: int) -> SimpleNamespace:
    gpu = _gpu("nvmlDeviceGetUtilizationRates", handle)
    return SimpleNamespace(gpu=_had(gpu["utilization_pct"]), memory=gpu["memory_utilization_pct"] or 0)


def nvmlDeviceGetCurrentClocksEventReasons(handle: int) -> int:
    return int(_had(_gpu("nvmlDeviceGetCurrentClocksEventReasons", handle)["limit_reasons"]))


def nvmlDeviceGetCurrentClocksThrottleReasons(handle: int) -> int:
    return int(_had(_gpu("nvmlDeviceGetCurrentClocksThrottleReasons", handle)["limit_reasons"]))


def nvmlDeviceGetViolationStatus(device: int, perfPolicyType: int) -> SimpleNamespace:
    gpu = _gpu("nvmlDeviceGetViolationStatus", device)
    name = "thermal_limited_ns" if perfPolicyType == NVML_PERF_POLICY_THERMAL else "power_limited_ns"
    return SimpleNamespace(referenceTime=time.time_ns() // 1000, violationTime=_had(gpu[name]))


def nvmlDeviceGetNumFans(device: int) -> int:
    return len(_gpu("nvmlDeviceGetNumFans", device)["intended_speeds_pct"])


def nvmlDeviceGetFanSpeed_v2(handle: int, fan: int) -> int:
    return int(_gpu("nvmlDeviceGetFanSpeed_v2", handle)["intended_speeds_pct"][fan])
