"""Whether air that seems blocked may be nothing but a hot week.

Where no probe tells the room, the idle machine stands for it. In a hot spell a fan that stands at rest
begins to turn: idle stays cool while the room does not, and work then seems far too warm for that room, as if
the air were blocked by a third. Only a fan that is read, or a probe, would tell the two apart at once; a hot
spell ends.
"""

from __future__ import annotations

import pandas as pd

from .era_model import EraModel
from .judged_part import JudgedPart
from .reference_temperature import ReferenceKind
from .verdict import onset_of

MEANWHILE = (
    "See that nothing lies before its inlets. A thermometer near the air intake would tell hot weather from "
    "blocked air at once."
)
LONGEST = pd.Timedelta(days=21)  # common practice, no source: few hot spells last for three weeks
HOT_SPELL = (
    "airflow has seemed worse for less than three weeks; where neither room nor fan is read a hot spell "
    "looks the same, so it is told when it stays"
)


def may_be_a_hot_spell(airflow: JudgedPart, model: EraModel | None) -> bool:
    """Whether a change of the airflow part is too young to be told from weather.

    Parameters
    ----------
    airflow
        A part that has changed. What creeps is no weather.
    model
        Of the era: which fan is read, and what stands for the room.
    """
    found = airflow.detection
    if found is None or not airflow.is_changed or airflow.series is None or found.shape == "creep":
        return False
    reference = model.reference if model is not None else None
    if model is None or model.fan or reference is None or reference.kind != ReferenceKind.OWN_IDLE.value:
        return False
    newest = pd.DatetimeIndex(airflow.series.rows.index)[-1]
    return found.change_pct > 0.0 and bool(newest - onset_of(airflow) < LONGEST)
