"""Answers of the NVML child, held against their shape before anything is believed."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from ...store.errors import NvmlError
from .nvml_protocol import ENFORCED_LIMIT, FANS, POWER, UTILIZATION

STAMP = 1
LEAST_READING = STAMP + FANS  # each full reading begins with the child's monotonic time [s]
LOADED_POWER_SHARE = 0.3  # common practice, no source: idling GPUs draw a tenth to a fifth of their limit

Raw = list[Any]


@dataclass(frozen=True, slots=True)
class NvmlGpu:
    """One GPU as NVML introduced it; ``offered`` has one flag for each position of a reading."""

    uuid: str
    bus_id: str
    driver: str
    method: str
    energy_cost_s: float | None
    offered: tuple[bool, ...]
    facts: Mapping[str, str]


def gpus_in(answer: Mapping[str, Any]) -> tuple[NvmlGpu, ...]:
    """The GPUs of an answer to "open"."""
    try:
        return tuple(
            NvmlGpu(
                uuid=str(gpu["uuid"]),
                bus_id=str(gpu["bus_id"]),
                driver=str(answer["driver"]),
                method=str(gpu["method"]),
                energy_cost_s=gpu["energy_cost_s"],
                offered=tuple(bool(flag) for flag in gpu["offered"]),
                facts={str(key): str(value) for key, value in gpu["facts"].items()},
            )
            for gpu in answer["gpus"]
        )
    except (KeyError, TypeError, AttributeError) as error:
        raise NvmlError(f"the NVML child introduced its GPUs in an unknown form: {error!r}") from error


def readings_in(answer: Mapping[str, Any], least: int) -> dict[str, Raw]:
    """Readings by UUID, each at least so many long and made of numbers, codes and nulls only."""
    gpus = answer.get("gpus")
    if isinstance(gpus, dict) and all(_is_raw(raw, least) for raw in gpus.values()):
        return gpus
    raise NvmlError(f"the NVML child gave readings in an unknown form: {str(answer)[:60]}")


def facts_in(answer: Mapping[str, Any]) -> dict[str, dict[str, str]]:
    """Facts by UUID."""
    gpus = answer.get("gpus")
    if isinstance(gpus, dict) and all(isinstance(facts, dict) for facts in gpus.values()):
        return {uuid: {str(k): str(v) for k, v in facts.items()} for uuid, facts in gpus.items()}
    raise NvmlError(f"the NVML child gave facts in an unknown form: {str(answer)[:60]}")


def is_loaded(readings: Mapping[str, Raw]) -> bool:
    """Whether any GPU works: by its utilisation, where there is none by its power.

    Asked only of GPUs that can sleep, whose power is never had from the energy counter.
    """
    for raw in readings.values():
        busy, power, limit = (raw[STAMP + slot] for slot in (UTILIZATION, POWER, ENFORCED_LIMIT))
        if isinstance(busy, int):
            if busy > 0:
                return True
        elif isinstance(power, int) and isinstance(limit, int) and power > LOADED_POWER_SHARE * limit:
            return True
    return False


def _is_raw(raw: Any, least: int) -> bool:
    if not isinstance(raw, list) or len(raw) < least:
        return False
    if least == LEAST_READING and not isinstance(raw[0], int | float):
        return False
    return all(_is_answer(one) for one in raw)


def _is_answer(one: Any) -> bool:
    if isinstance(one, list):
        return len(one) == 1 and isinstance(one[0], int)
    if isinstance(one, float):
        return math.isfinite(one)
    return one is None or (isinstance(one, int) and not isinstance(one, bool))
