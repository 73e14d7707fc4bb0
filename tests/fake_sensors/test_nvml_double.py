"""The double speaks as the real binding does: same names, same shapes, same errors."""

from __future__ import annotations

import inspect
from pathlib import Path

import pynvml
import pytest

from heatdrift.fake_sensors import nvml_double
from heatdrift.fake_sensors.nvml_double import STATE_VARIABLE, GpuState, NVMLError, write_state

FUNCTIONS = sorted(name for name in vars(nvml_double) if name.startswith("nvml") and name[4].isupper())
CONSTANTS = sorted(name for name in vars(nvml_double) if name.startswith("NVML_"))


@pytest.fixture
def state_path(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    path = tmp_path / "nvml.json"
    monkeypatch.setenv(STATE_VARIABLE, str(path))
    return path


@pytest.mark.parametrize("name", FUNCTIONS)
def test_function_takes_the_arguments_of_the_real_one(name: str) -> None:
    ours = list(inspect.signature(getattr(nvml_double, name)).parameters)
    theirs = list(inspect.signature(getattr(pynvml, name)).parameters)
    assert theirs[: len(ours)] == ours


@pytest.mark.parametrize("name", CONSTANTS)
def test_constant_has_the_real_value(name: str) -> None:
    assert getattr(nvml_double, name) == getattr(pynvml, name)


def test_replaced_state_is_seen_at_once(state_path: Path) -> None:
    write_state(state_path, "580.1", [GpuState(temperature_c=40)])
    assert nvml_double.nvmlDeviceGetTemperatureV(0, nvml_double.NVML_TEMPERATURE_GPU) == 40
    write_state(state_path, "580.1", [GpuState(temperature_c=41)])
    assert nvml_double.nvmlDeviceGetTemperatureV(0, nvml_double.NVML_TEMPERATURE_GPU) == 41


def test_no_state_file_is_no_driver(state_path: Path) -> None:
    with pytest.raises(NVMLError) as caught:
        nvml_double.nvmlInit()
    assert caught.value.value == pynvml.NVML_ERROR_DRIVER_NOT_LOADED


def test_injected_code_is_raised_by_that_function_alone(state_path: Path) -> None:
    write_state(state_path, "580.1", [GpuState(errors={"nvmlDeviceGetPowerUsage": 15})])
    with pytest.raises(NVMLError) as caught:
        nvml_double.nvmlDeviceGetPowerUsage(0)
    assert caught.value.value == pynvml.NVML_ERROR_GPU_IS_LOST
    assert nvml_double.nvmlDeviceGetUUID(0) == GpuState().uuid


def test_each_field_has_its_own_code(state_path: Path) -> None:
    write_state(state_path, "580.1", [GpuState(memory_temperature_c=62)])
    memory, average = nvml_double.nvmlDeviceGetFieldValues(0, [82, 185])
    assert (memory.nvmlReturn, memory.value.uiVal) == (pynvml.NVML_SUCCESS, 62)
    assert average.nvmlReturn == pynvml.NVML_ERROR_NOT_SUPPORTED


def test_calls_on_a_sleeping_gpu_are_told_apart(state_path: Path, tmp_path: Path) -> None:
    calls = tmp_path / "calls"
    write_state(state_path, "580.1", [GpuState()], calls_path=calls)
    nvml_double.nvmlDeviceGetPowerUsage(0)
    write_state(state_path, "580.1", [GpuState(asleep=True)], calls_path=calls)
    nvml_double.nvmlDeviceGetPowerUsage(0)
    assert calls.read_text().split("\n")[:2] == [
        "nvmlDeviceGetPowerUsage awake",
        "nvmlDeviceGetPowerUsage asleep",
    ]
