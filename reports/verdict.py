"""The verdict on one heat path after one day."""

from __future__ import annotations

from dataclasses import dataclass

import pandas as pd

from .cause import Blame, Cause
from .era_model import EraModel
from .eras import Era
from .judged_part import JudgedPart

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
    idle_as_read_k
        Where idle leads: by how much it moved by itself, with the weather in it [K].
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
    idle_as_read_k: float = 0.0


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
