"""Room and power at which temperatures are quoted, so that two of them may be compared."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class ReferenceConditions:
    """The owner's room and load.

    Attributes
    ----------
    ambient_c
        Temperature of the room [°C].
    gpu_power_w, cpu_power_w
        Power of each kind of source [W]; 0 means what is usual under load.
    """

    ambient_c: float = 25.0
    gpu_power_w: float = 0.0
    cpu_power_w: float = 0.0

    def power_w(self, source: str, usual_w: float) -> float:
        """At which power a source is quoted [W]."""
        chosen = {"gpu": self.gpu_power_w, "cpu": self.cpu_power_w}.get(source.rstrip("0123456789"), 0.0)
        return chosen or usual_w
