"""What a chip does with power: leakage, power limit, clocks that fall with heat."""

from __future__ import annotations

from dataclasses import dataclass

CLOCK_EXPONENT = 2.2  # power with clock along the voltage curve of a modern chip, common practice: 2 to 3
DYNAMIC_SHARE = 0.9  # of the range between idle and limit, what is not leakage
LEAST_CLOCK_SHARE = 0.35
THROTTLE_PER_K_S = 0.02  # how fast heat takes the clock down ...
RECOVER_PER_S = 0.01  # ... and how fast it comes back
BUSY_LEVEL = 0.03  # above this share of the limit the clock leaves idle
LEAK_AT_C = 80.0
UTILIZATION_PER_LEVEL = 1.1  # a chip is fully busy well before its power limit is met
POWER_CAP = 0x4  # NVML clock event bits
THERMAL_SLOWDOWN = 0x20
IDLE = 0x1


@dataclass(frozen=True, slots=True)
class ChipValues:
    """One chip, and what can be read of it.

    Attributes
    ----------
    source, kind
        ``gpu0``, ``gpu``.
    idle_w, limit_w
        Power when idle (cold) and the limit that its own meter enforces [W].
    leak_w, leak_doubling_k
        Leakage at 80 °C [W], and the rise that doubles it [K].
    throttle_c
        Where heat takes the clock down [°C].
    idle_clock_mhz, full_clock_mhz, idle_memory_clock_mhz, full_memory_clock_mhz
        Clocks; memory clocks 0 where there is none to read.
    aside_share, memory_aside_share
        Share of the power that heats the plate rather than the die: always, and in addition when memory is
        busy.
    hotspot_k_per_w, memory_k_per_w
        What the hottest spot lies above the sensor and the memory above the plate, per watt of the chip;
        None where no such sensor exists.
    grid_c
        Step of the temperature reading [°C].
    power_scale
        What the meter says per true watt, when new.
    shows_power, shows_throttle
        Whether power can be read, and what holds the clock down.
    """

    source: str
    kind: str
    idle_w: float
    limit_w: float
    leak_w: float
    leak_doubling_k: float
    throttle_c: float
    idle_clock_mhz: float
    full_clock_mhz: float
    idle_memory_clock_mhz: float
    full_memory_clock_mhz: float
    aside_share: float
    memory_aside_share: float
    hotspot_k_per_w: float | None
    memory_k_per_w: float | None
    grid_c: float
    power_scale: float = 1.0
    shows_power: bool = True
    shows_throttle: bool = True


class Chip:
    """A chip under work.

    Attributes
    ----------
    power_w, die_w, plate_w
        True power now, and where its heat goes [W].
    clock_share
        Clock as a share of the full one.
    heat_share
        What heat leaves of the clock, 1 when it takes nothing.
    is_power_limited, is_heat_limited
        What holds the clock down now.
    utilization_share, busy_s
        Utilisation now, and its integral [s].
    heat_limited_s, limited_times
        For how long heat has held the clock down [s], and how often it began to.
    meter_factor
        What the meter says per true watt now.
    """

    __slots__ = (
        "busy_s",
        "clock_share",
        "die_w",
        "heat_limited_s",
        "heat_share",
        "is_busy",
        "is_gpu",
        "is_heat_limited",
        "is_power_limited",
        "limited_times",
        "meter_factor",
        "plate_w",
        "power_w",
        "utilization_share",
        "values",
    )

    def __init__(self, values: ChipValues) -> None:
        self.values = values
        self.is_gpu = values.kind == "gpu"
        self.power_w = self.die_w = values.idle_w
        self.plate_w = 0.0
        self.clock_share = self.heat_share = 1.0
        self.is_power_limited = self.is_heat_limited = self.is_busy = False
        self.meter_factor = values.power_scale
        self.heat_limited_s = self.busy_s = self.utilization_share = 0.0
        self.limited_times = 0

    def step(self, seconds: float, level: float, memory_level: float, temperature_c: float) -> None:
        """Let ``seconds`` pass under a level of work (share of the limit) at a die temperature [°C]."""
        values = self.values
        if temperature_c > values.throttle_c or self.heat_share < 1.0:
            self._follow_heat(seconds, temperature_c)
        share = self.heat_share
        leak_w = values.leak_w * 2.0 ** ((temperature_c - LEAK_AT_C) / values.leak_doubling_k)
        rest_w = values.idle_w + leak_w
        asked_w = level * DYNAMIC_SHARE * (values.limit_w - values.idle_w)
        spare_w = values.limit_w / self.meter_factor - rest_w
        if asked_w > spare_w:
            allowed = (max(spare_w, 0.0) / asked_w) ** (1.0 / CLOCK_EXPONENT)
            self.is_power_limited = allowed < share
            share = min(share, max(allowed, LEAST_CLOCK_SHARE))
        else:
            self.is_power_limited = False
        self.is_busy = level > BUSY_LEVEL
        utilization = UTILIZATION_PER_LEVEL * level
        self.utilization_share = utilization = utilization if utilization < 1.0 else 1.0
        self.busy_s += utilization * seconds
        self.clock_share = share
        power_w = rest_w + (asked_w if share == 1.0 else asked_w * share**CLOCK_EXPONENT)
        self.power_w = power_w
        self.plate_w = power_w * (values.aside_share + values.memory_aside_share * memory_level)
        self.die_w = power_w - self.plate_w

    def _follow_heat(self, seconds: float, temperature_c: float) -> None:
        over_k = temperature_c - self.values.throttle_c
        was_limited = self.is_heat_limited
        if over_k > 0:
            self.heat_share = max(LEAST_CLOCK_SHARE, self.heat_share - THROTTLE_PER_K_S * over_k * seconds)
        elif over_k < -1.0:  # within a kelvin below, the clock is held: else it would saw
            self.heat_share = min(1.0, self.heat_share + RECOVER_PER_S * seconds)
        self.is_heat_limited = self.heat_share < 1.0
        if self.is_heat_limited:
            self.heat_limited_s += seconds
            self.limited_times += not was_limited

    def rest(self) -> None:
        """Be switched off."""
        self.power_w = self.die_w = self.plate_w = self.utilization_share = 0.0
        self.heat_share = 1.0
        self.is_busy = self.is_power_limited = self.is_heat_limited = False

    @property
    def clock_mhz(self) -> float:
        """Core clock now [MHz]."""
        values = self.values
        return values.full_clock_mhz * self.clock_share if self.is_busy else values.idle_clock_mhz

    @property
    def memory_clock_mhz(self) -> float:
        """Memory clock now [MHz]."""
        return self.values.full_memory_clock_mhz if self.is_busy else self.values.idle_memory_clock_mhz

    @property
    def limit_reasons(self) -> int:
        """NVML's clock event bits."""
        if not self.is_busy:
            return IDLE
        return POWER_CAP * self.is_power_limited | THERMAL_SLOWDOWN * self.is_heat_limited
