"""Hears the sources of a machine together: what one of them leaves open another may settle."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace

import pandas as pd

from .cause import Cause
from .verdict import Verdict, onset_of, state_of

SAME_DAY = pd.Timedelta(days=4)  # an onset is known to some days


def settle(verdicts: list[Verdict]) -> list[Verdict]:
    """Take back what a neighbour's wrong readings did, and settle what one source alone leaves open.

    Its watts are in their sums: where they changed their scale, the air of the others seems to have changed.
    A fan answers to the hottest of them: where a thermometer went off, it seems to turn at another speed.
    """
    verdicts = [_moved_itself(one, verdicts) for one in verdicts]
    wrong = {one.source: one for one in verdicts if one.cause is Cause.TELEMETRY}
    return [_with_the_others(one, verdicts) for one in (_settled(one, wrong) for one in verdicts)]


def _moved_itself(one: Verdict, verdicts: list[Verdict]) -> Verdict:
    """Take back what a source was held against that moved more itself: without a probe both seem off."""
    if one.leading is None or one.leading is not one.idle:
        return one
    for other in verdicts:
        if other.source == one.source or other.leading is None or other.leading is not other.idle:
            continue
        is_same_day = abs(onset_of(one.idle) - onset_of(other.idle)) <= SAME_DAY
        if is_same_day and abs(other.idle_as_read_k) > abs(one.idle_as_read_k):
            return replace(
                one,
                state="holding",
                cause=Cause.NONE,
                leading=None,
                blame=None,
                remark=f"idle only seems changed: it is held against {other.source}, which moved that day",
            )
    return one


def _with_the_others(one: Verdict, verdicts: list[Verdict]) -> Verdict:
    """Call it air where that is possible and the air of another source changed alike on the same day.

    Two thermometers do not go off on one day.
    """
    if one.cause is not Cause.UNKNOWN or one.leading is not one.airflow or not _may_be_air(one):
        return one
    for other in verdicts:
        if other.source == one.source or other.leading is not other.airflow or not _may_be_air(other):
            continue
        is_same_day = abs(onset_of(one.airflow) - onset_of(other.airflow)) <= SAME_DAY
        alike = one.airflow.changed_by.change_pct * other.airflow.changed_by.change_pct > 0.0
        if is_same_day and alike:
            return replace(
                one,
                cause=Cause.AIRFLOW,
                state=state_of(Cause.AIRFLOW, [one.airflow]),
                remark=f"the air of {other.source} changed alike on the same day",
            )
    return one


def _may_be_air(one: Verdict) -> bool:
    return (
        one.airflow.is_changed and one.blame is not None and one.blame.allows(Cause.AIRFLOW, "airflow part")
    )


def _settled(one: Verdict, wrong: Mapping[str, Verdict]) -> Verdict:
    shared = one.model.shared_with if one.model else ()
    if one.leading is None or one.interface.is_changed or one.source in wrong:
        return one
    for name in shared:
        other = wrong.get(name)
        if other is None or other.leading is None:
            continue
        if abs(onset_of(one.leading) - onset_of(other.leading)) <= SAME_DAY:
            seen = "the fan" if one.leading is one.fan else "the air"
            return replace(
                one,
                state="holding",
                cause=Cause.NONE,
                leading=None,
                blame=None,
                remark=f"{seen} only seems changed: the readings of {name} did on the same day",
            )
    return one
