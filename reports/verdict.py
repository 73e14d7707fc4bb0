"""The verdict on one heat path after one day."""

from __future__ import annotations

from dataclasses import dataclass, field

import pandas as pd

from .cause import Blame, Cause
from .era_model import EraModel
from .eras import Era
from .judged_part import JudgedPart
from .part_series import APART

ACT_PCT = 15.0  # common practice, no source: by then some kelvin are lost, and it goes on


@dataclass(frozen=True, slots=True, eq=False)
class Verdict:
    """One source.

    Attributes
    ----------
    state
        ``holding``, ``watch`` or ``act``.
    leading
        The part that was seen to change first; None while nothing has.
    remark
        What else has to be said.
    as_read_k
        Where a thermometer seems to be off: by how much it moved by itself, with the weather in it [K].
    apart
        Its thermometer against that of another source on the same sink, at like powers.
    """

    source: str
    era: Era
    model: EraModel | None
    interface: JudgedPart
    airflow: JudgedPart
    fan: JudgedPart
    idle: JudgedPart
    state: str
    cause: Cause
    blame: Blame | None
    leading: JudgedPart | None
    remark: str = ""
    as_read_k: float = 0.0
    apart: JudgedPart = field(
        default_factory=lambda: JudgedPart.unknown(APART, "no other source on its sink")
    )

    @property
    def parts(self) -> tuple[JudgedPart, ...]:
        """All that is judged of it; the neighbour on the sink only where there is one."""
        judged = (self.interface, self.airflow, self.fan, self.idle)
        return judged if self.apart.series is None else (*judged, self.apart)

    @property
    def is_thermometer_led(self) -> bool:
        """Whether nothing but a temperature that went off leads."""
        return self.leading is not None and self.leading in (self.idle, self.apart)


def onset_of(part: JudgedPart) -> pd.Timestamp:
    """When a changed part began to."""
    return pd.Timestamp(part.changed_by.onset_utc or "")


def state_of(cause: Cause, changed: list[JudgedPart]) -> str:
    """How much it presses: ``holding``, ``watch`` or ``act``."""
    if not changed:
        return "holding"
    if cause in (Cause.INTERFACE, Cause.AIRFLOW, Cause.FAN):
        worst = max(abs(part.detection.change_pct) for part in changed if part.detection is not None)
        is_worse = any(
            part.detection.change_pct > 0 for part in changed if part.detection and part.name != "fan"
        )
        if worst >= ACT_PCT and (is_worse or cause is Cause.FAN):
            return "act"
    return "watch"
