"""Which quantities exist, in which unit, and how they become integers.

Every stored value is an integer of thousandths of its unit (25.125 °C is 25125), so that a
day packs into small differences and nothing depends on how a float is printed.
"""

from __future__ import annotations

import re
from dataclasses import dataclass

MILLI = 1000
OWNER = re.compile(r"[a-z][a-z0-9_]{0,39}")
"""How a source, a probe or a fan may be called: its name stands in headings, settings and messages."""


@dataclass(frozen=True, slots=True)
class Quantity:
    """One measurable quantity; ``name`` ends in its unit, as everywhere in heatdrift.

    ``lowest`` and ``highest`` [in the unit] bound what a computer can plausibly say: a value
    outside is a sensor fault, never a reading.
    """

    name: str
    unit: str
    lowest: float
    highest: float

    @property
    def stored_name(self) -> str:
        """Column name of the scaled integer: ``temperature_c`` is stored as ``temperature_milli_c``."""
        return f"{self.name.removesuffix('_' + self.unit)}_milli_{self.unit}"


# 0 °C exactly and below is what absent or just-resumed sensors say, far more often than a running die
# ; 130 °C is above every shut-down point in the field.
TEMPERATURE_C = Quantity("temperature_c", "c", 1.0, 130.0)
HOTSPOT_TEMPERATURE_C = Quantity("hotspot_temperature_c", "c", 1.0, 130.0)
MEMORY_TEMPERATURE_C = Quantity("memory_temperature_c", "c", 1.0, 130.0)
POWER_W = Quantity("power_w", "w", 0.0, 2000.0)
CLOCK_MHZ = Quantity("clock_mhz", "mhz", 0.0, 20000.0)
MEMORY_CLOCK_MHZ = Quantity("memory_clock_mhz", "mhz", 0.0, 40000.0)
UTILIZATION_PCT = Quantity("utilization_pct", "pct", 0.0, 100.0)
MEMORY_UTILIZATION_PCT = Quantity("memory_utilization_pct", "pct", 0.0, 100.0)
# Share of the time in which heat (or a power limit) held the clock down.
THERMAL_LIMITED_PCT = Quantity("thermal_limited_pct", "pct", 0.0, 100.0)
POWER_LIMITED_PCT = Quantity("power_limited_pct", "pct", 0.0, 100.0)
ENFORCED_LIMIT_W = Quantity("enforced_limit_w", "w", 0.0, 2000.0)

# The order is the order of columns, of reading tuples and of the bit groups in `missing_reasons`:
# append only.
SOURCE_QUANTITIES: tuple[Quantity, ...] = (
    TEMPERATURE_C,
    HOTSPOT_TEMPERATURE_C,
    MEMORY_TEMPERATURE_C,
    POWER_W,
    CLOCK_MHZ,
    MEMORY_CLOCK_MHZ,
    UTILIZATION_PCT,
    MEMORY_UTILIZATION_PCT,
    THERMAL_LIMITED_PCT,
    POWER_LIMITED_PCT,
    ENFORCED_LIMIT_W,
)
QUANTITY_INDEX: dict[str, int] = {q.name: i for i, q in enumerate(SOURCE_QUANTITIES)}
TEMPERATURE, POWER, UTILIZATION = (
    QUANTITY_INDEX["temperature_c"],
    QUANTITY_INDEX["power_w"],
    QUANTITY_INDEX["utilization_pct"],
)

# What a probe, a fan or the surroundings can say, one channel each.
PROBE_TEMPERATURE_C = Quantity("temperature_c", "c", -30.0, 130.0)  # a probe may stand outdoors
SPEED_RPM = Quantity("speed_rpm", "rpm", 0.0, 30000.0)
# What a driver asks for, not what a tachometer counts; may exceed 100.
INTENDED_SPEED_PCT = Quantity("intended_speed_pct", "pct", 0.0, 150.0)
PROBE_QUANTITIES: dict[str, Quantity] = {
    q.name: q for q in (PROBE_TEMPERATURE_C, SPEED_RPM, INTENDED_SPEED_PCT)
}


def to_milli(value: float) -> int:
    """Turn a value into the integer that is stored (thousandths, rounded half to even)."""
    return round(value * MILLI)
