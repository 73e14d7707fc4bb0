"""What the invented NVML answers, and how whoever plays the machine tells it."""

from __future__ import annotations

import json
import os
from collections.abc import Mapping, Sequence
from dataclasses import asdict, dataclass, field
from pathlib import Path


@dataclass(frozen=True, slots=True)
class GpuState:
    """What one invented GPU would answer; None where such a GPU would say "not supported".

    ``intended_speeds_pct`` holds one intended speed for each fan and is empty where there is none to steer.
    ``errors`` maps a function's name to the NVML code it fails with, ``field_errors`` a field's number to its
    code, ``delays_s`` a function's name to how long it takes [s].
    """

    uuid: str = "GPU-00000000-0000-0000-0000-000000000001"
    name: str = "Invented GPU"
    pci_bus_id: str = "00000000:01:00.0"
    vbios: str = "90.00.00.00.01"
    temperature_c: int = 40
    memory_temperature_c: int | None = None
    power_w: float = 15.0
    average_power_w: float | None = None
    energy_j: float | None = None
    clock_mhz: int | None = 300
    memory_clock_mhz: int | None = 405
    utilization_pct: int | None = 0
    memory_utilization_pct: int | None = 0
    limit_reasons: int | None = 1
    thermal_limited_ns: int | None = None
    power_limited_ns: int | None = None
    enforced_limit_w: float | None = 115.0
    default_limit_w: float | None = 115.0
    intended_speeds_pct: tuple[int, ...] = ()
    slowdown_c: int | None = None
    shutdown_c: int | None = None
    slowdown_margin_k: int | None = None
    shutdown_margin_k: int | None = None
    asleep: bool = False
    errors: Mapping[str, int] = field(default_factory=dict)
    field_errors: Mapping[int, int] = field(default_factory=dict)
    delays_s: Mapping[str, float] = field(default_factory=dict)


def write_state(
    path: Path,
    driver_version: str,
    gpus: Sequence[GpuState],
    *,
    errors: Mapping[str, int] | None = None,
    delays_s: Mapping[str, float] | None = None,
    calls_path: Path | None = None,
) -> None:
    """Replace the state file in one step, so that a reader never sees half of it.

    Parameters
    ----------
    path
        The file that the environment variable ``HEATDRIFT_NVML_DOUBLE`` names.
    driver_version
        What the driver calls itself.
    gpus
        The GPUs, in NVML's order.
    errors, delays_s
        Codes and delays [s] by function name, for the functions that have no GPU (``nvmlInit``, ...).
    calls_path
        File to which each call adds a line; none where calls are not to be counted.
    """
    state = {
        "driver_version": driver_version,
        "gpus": [asdict(gpu) for gpu in gpus],
        "errors": dict(errors or {}),
        "delays_s": dict(delays_s or {}),
        "calls_path": str(calls_path) if calls_path else "",
    }
    fresh = path.with_name(f"{path.name}.{os.getpid()}")
    fresh.write_text(json.dumps(state), encoding="utf-8")
    fresh.replace(path)
