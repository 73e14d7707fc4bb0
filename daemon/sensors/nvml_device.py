"""One GPU inside the NVML child: which of its getters answer, how its power is had, what it says now.

Loaded by the child, so it imports next to nothing.
"""

from __future__ import annotations

import functools
import time

from .nvml_getters import Getters
from .nvml_protocol import (
    AVERAGE,
    ENERGY,
    FATAL,
    FUNCTION_NOT_FOUND,
    MEMORY_TEMPERATURE,
    NEVER,
    NOT_DUE,
    USAGE,
)

TYPE_CHECKING = False  # importing `typing` for it would cost the child half a megabyte
if TYPE_CHECKING:
    from collections.abc import Callable
    from typing import Any

    Answer = int | list[int] | None

# The numbers below are NVML's own, from its public header.
SUCCESS = 0
TEMPERATURE_GPU = 0
CLOCK_SM, CLOCK_MEM = 1, 2
POLICY_POWER, POLICY_THERMAL = 0, 1
FIELD_POWER_LIMITED_NS, FIELD_THERMAL_LIMITED_NS = 74, 75
FIELD_MEMORY_TEMPERATURE = 82
FIELD_AVERAGE_POWER = 185

# On one data-centre GPU the energy counter took 3.6 ms where every other call took 3-17 µs: at a look a
# second it alone would cost more than the whole service may.
CHEAP_S = 0.0003
N_COST_TRIALS = 5
# The same GPU took 0.7 ms for the time lost to heat, 3 µs for the time lost to the power limit. Nothing is
# lost by reading a dear counter of time seldom; while the cheap mask shows the limit it is read every time.
DEAR_PERIOD_S = 10.0
SLACK_S = 0.5  # looks are paced by a timer that may be early
THERMAL_BITS, POWER_BITS = 0x20 | 0x40, 0x4
# Unsupported memory sensors answer 0 or 255 with NVML_SUCCESS.
MEMORY_LOWEST_C, MEMORY_HIGHEST_C = 1, 130


class FailedError(Exception):
    """NVML can no longer be trusted; ``code`` says why, ``where`` in which call."""

    def __init__(self, code: int, where: str) -> None:
        super().__init__(f"{where}: {code}")
        self.code = code
        self.where = where


class Device:
    """A GPU behind an NVML handle.

    Parameters
    ----------
    getters
        The allowed functions.
    handle
        What NVML calls the GPU.
    uuid
        The GPU's own name for itself.
    method
        How power was had before, empty to choose now.
    may_count
        Whether the energy counter may be used: not where NVML is closed between looks.
    """

    def __init__(self, getters: Getters, handle: Any, uuid: str, method: str, may_count: bool) -> None:
        self._nvml = getters
        self._handle = handle
        self._never: set[tuple[str, int]] = set()
        self._field_numbers = [
            FIELD_MEMORY_TEMPERATURE,
            FIELD_AVERAGE_POWER,
            FIELD_POWER_LIMITED_NS,
            FIELD_THERMAL_LIMITED_NS,
        ]
        self._dear_read_at_s: dict[int, float] = {}
        self._trial_code = SUCCESS
        self._is_trial = True  # a getter that fails while others answer is that getter's own trouble
        self.uuid = uuid
        fans = self.ask("nvmlDeviceGetNumFans")
        self._n_fans = fans if isinstance(fans, int) else 0
        self.energy_cost_s = self._cost_s(self.energy_mj)
        self.method = method or self._choose(may_count)
        if self.method != AVERAGE:
            self._drop(FIELD_AVERAGE_POWER)
        first = self.read()
        for policy, number in (
            (POLICY_THERMAL, FIELD_THERMAL_LIMITED_NS),
            (POLICY_POWER, FIELD_POWER_LIMITED_NS),
        ):
            cost_s = self._cost_s(functools.partial(self._limited_ns, number, policy))
            if cost_s is not None and cost_s > CHEAP_S:
                self._dear_read_at_s[policy] = -DEAR_PERIOD_S
        memory_c = first[MEMORY_TEMPERATURE]
        if not isinstance(memory_c, int) or not MEMORY_LOWEST_C <= memory_c <= MEMORY_HIGHEST_C:
            self._drop(FIELD_MEMORY_TEMPERATURE)
            first[MEMORY_TEMPERATURE] = None
        self.offered = [isinstance(answer, int) for answer in first]
        if self._trial_code != SUCCESS and not any(self.offered):
            raise FailedError(self._trial_code, "every getter")
        self._is_trial = False

    def read(self) -> list[Answer]:
        """Every reading, at the positions that the protocol names."""
        fields = self._fields((FIELD_MEMORY_TEMPERATURE, FIELD_AVERAGE_POWER))
        reasons = self._either(
            "nvmlDeviceGetCurrentClocksEventReasons", "nvmlDeviceGetCurrentClocksThrottleReasons"
        )
        mask = reasons if isinstance(reasons, int) else 0
        utilization = self._pair("nvmlDeviceGetUtilizationRates")
        return [
            self._temperature(),
            fields.get(FIELD_MEMORY_TEMPERATURE),
            self._power(fields),
            self.ask("nvmlDeviceGetClockInfo", CLOCK_SM),
            self.ask("nvmlDeviceGetClockInfo", CLOCK_MEM),
            *utilization,
            reasons,
            self._limited(FIELD_THERMAL_LIMITED_NS, POLICY_THERMAL, bool(mask & THERMAL_BITS)),
            self._limited(FIELD_POWER_LIMITED_NS, POLICY_POWER, bool(mask & POWER_BITS)),
            self.ask("nvmlDeviceGetEnforcedPowerLimit"),
            *(self.ask("nvmlDeviceGetFanSpeed_v2", fan) for fan in range(self._n_fans)),
        ]

    def peek(self) -> list[Answer]:
        """Power [mW], else utilisation [%]: one cheap call that betrays a load and is never stored."""
        power_mw = self.power_mw()
        return [power_mw, None if power_mw is not None else self._pair("nvmlDeviceGetUtilizationRates")[0]]

    def ask(self, function: str, *arguments: Any, take: Callable[[Any], int] = int) -> Answer:
        """Call one getter, unless this GPU was found not to have it."""
        key = (function, arguments[0] if arguments and isinstance(arguments[0], int) else -1)
        if key in self._never:
            return None
        try:
            return take(getattr(self._nvml, function)(self._handle, *arguments))
        except AttributeError:  # a binding older than the function
            code = FUNCTION_NOT_FOUND
        except self._nvml.error as error:
            code = int(error.value)  # type: ignore[attr-defined]
        if code in NEVER or (self._is_trial and code in FATAL):
            self._never.add(key)
            self._trial_code = code if code in FATAL else self._trial_code
            return None
        if code in FATAL:
            raise FailedError(code, function)
        return [code]

    def energy_mj(self) -> Answer:
        """The energy counter [mJ]."""
        return self.ask("nvmlDeviceGetTotalEnergyConsumption")

    def power_mw(self) -> Answer:
        """Power as the simplest call has it [mW]."""
        return self.ask("nvmlDeviceGetPowerUsage")

    def _either(self, newer: str, older: str, *arguments: Any) -> Answer:
        answer = self.ask(newer, *arguments)
        return self.ask(older, *arguments) if answer is None else answer

    def _temperature(self) -> Answer:
        return self._either("nvmlDeviceGetTemperatureV", "nvmlDeviceGetTemperature", TEMPERATURE_GPU)

    def _pair(self, function: str) -> list[Answer]:
        """Utilisation of cores and of memory, from one call [%]."""
        both = self.ask(function, take=lambda rates: rates.gpu << 32 | rates.memory)
        return [both >> 32, both & 0xFFFFFFFF] if isinstance(both, int) else [both, both]

    def _power(self, fields: dict[int, Answer]) -> Answer:
        if self.method == ENERGY:
            return self.energy_mj()
        return fields.get(FIELD_AVERAGE_POWER) if self.method == AVERAGE else self.power_mw()

    def _limited(self, number: int, policy: int, is_limited: bool) -> Answer:
        """The counter of time lost to a limit, where it is due."""
        if policy in self._dear_read_at_s:
            now_s = time.monotonic()
            if not is_limited and now_s - self._dear_read_at_s[policy] < DEAR_PERIOD_S - SLACK_S:
                return [NOT_DUE]
            self._dear_read_at_s[policy] = now_s
        return self._limited_ns(number, policy)

    def _limited_ns(self, number: int, policy: int) -> Answer:
        """Nanoseconds for which the clock was held down, since the driver was loaded."""
        answer = self._fields((number,)).get(number)
        if answer is not None:
            return answer
        return self.ask(
            "nvmlDeviceGetViolationStatus", policy, take=lambda violation: int(violation.violationTime)
        )

    def _fields(self, only: tuple[int, ...]) -> dict[int, Answer]:
        """The readings that come as numbered fields, all from one call."""
        numbers = [number for number in self._field_numbers if number in only]
        answers: dict[int, Answer] = {}
        if not numbers:
            return answers

        def take(values: Any) -> int:
            for value in values:
                code = int(value.nvmlReturn)
                if code == SUCCESS:
                    wide = value.fieldId in (FIELD_POWER_LIMITED_NS, FIELD_THERMAL_LIMITED_NS)
                    answers[value.fieldId] = int(value.value.ullVal if wide else value.value.uiVal)
                elif code in NEVER or self._is_trial:
                    self._drop(value.fieldId)
                elif code in FATAL:
                    raise FailedError(code, f"field {value.fieldId}")
                else:
                    answers[value.fieldId] = [code]
            return 0

        failure = self.ask("nvmlDeviceGetFieldValues", numbers, take=take)
        if isinstance(failure, list):
            answers = dict.fromkeys(numbers, failure)
        return answers

    def _drop(self, number: int) -> None:
        if number in self._field_numbers:
            self._field_numbers.remove(number)

    def _cost_s(self, ask: Callable[[], Answer]) -> float | None:
        """Median cost of asking once [s]; None where there is no answer."""
        costs_s = []
        for _ in range(N_COST_TRIALS):
            began_s = time.perf_counter()
            if not isinstance(ask(), int):
                return None
            costs_s.append(time.perf_counter() - began_s)
        return sorted(costs_s)[N_COST_TRIALS // 2]

    def _choose(self, may_count: bool) -> str:
        if may_count and self.energy_cost_s is not None and self.energy_cost_s <= CHEAP_S:
            return ENERGY
        return (
            AVERAGE
            if isinstance(self._fields((FIELD_AVERAGE_POWER,)).get(FIELD_AVERAGE_POWER), int)
            else USAGE
        )
