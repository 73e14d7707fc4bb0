"""Hears the sources of a machine together: what one of them leaves open another may settle."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace

import pandas as pd

from .baseline import NORMAL_95, log_of_pct
from .cause import OFFSET, Cause
from .judged_part import JudgedPart
from .shared_air import PLAIN_ERRORS, is_against_its_sink, shares_sink, told_of_its_air
from .verdict import Verdict, onset_of, state_of

SAME_DAY = pd.Timedelta(days=4)  # an onset is known to some days


def settle(verdicts: list[Verdict]) -> list[Verdict]:
    """Take back what a neighbour's wrong readings did, and settle what one source alone leaves open.

    Its watts are in their sums: where they changed their scale, the air of the others seems to have changed.
    A fan answers to the hottest of them: where a thermometer went off, it seems to turn at another speed.
    """
    verdicts = [_moved_itself(one, verdicts) for one in verdicts]
    verdicts = [_with_the_others(one, verdicts) if _is_offset(one) else one for one in verdicts]
    verdicts = [_beside(one, verdicts) for one in verdicts]
    wrong = {one.source: one for one in verdicts if one.cause is Cause.TELEMETRY}
    verdicts = [_settled(one, wrong) for one in verdicts]
    verdicts = [_with_the_others(one, verdicts) if _may_be_air(one) else one for one in verdicts]
    verdicts = [_of_its_sink(one, verdicts) if _may_be_air(one) else one for one in verdicts]
    verdicts = [_not_by_itself(one) for one in verdicts]
    verdicts = [_not_by_chance(one) for one in verdicts]
    verdicts = [_as_its_sink_says(one, verdicts) for one in verdicts]
    verdicts = [_of_its_fan(one, verdicts) for one in verdicts]
    return [told_of_its_air(one, verdicts) for one in verdicts]


def _moved_itself(one: Verdict, verdicts: list[Verdict]) -> Verdict:
    """Take back what a source was held against that moved more itself: without a probe both seem off."""
    if one.leading is None or not one.is_thermometer_led:
        return one
    what = "idle" if one.leading is one.idle else "its temperature"
    for other in verdicts:
        if other.source == one.source:
            continue
        theirs = other.idle if one.leading is one.idle else other.apart
        is_led = other.leading is theirs or (theirs is other.apart and theirs.is_changed)
        has_moved = is_led and _is_same_day(one.leading, theirs) and abs(other.as_read_k) > abs(one.as_read_k)
        if one.leading is one.apart and other.interface.is_changed:
            has_moved = has_moved or _is_same_day(one.apart, other.interface)
        if has_moved:
            seen = f"{what} only seems changed: it is held against {other.source}, which moved that day"
            return _taken_back(one, seen)
    return one


def _with_the_others(one: Verdict, verdicts: list[Verdict]) -> Verdict:
    """Call it air where idle or air of another source changed alike on the same day.

    Two thermometers do not go off on one day.
    """
    if one.leading is None or one.leading is one.apart:  # the air moves both alike
        return one
    for other in verdicts:
        if other.source == one.source:
            continue
        for part in (other.airflow, other.idle):
            if part.is_changed and _is_alike(one.leading, part):
                if one.leading is one.idle and part is other.idle and one.airflow.detection is not None:
                    seen = f"idle moved alike on {other.source}, and under load the air did not"
                    return _taken_back(one, seen)
                changed = [one.airflow] if one.airflow.is_changed else [one.leading]
                return _called_air(one, changed, f"the air of {other.source} changed alike on the same day")
    return one


def _of_its_sink(one: Verdict, verdicts: list[Verdict]) -> Verdict:
    """Call it air where that of another source on the same sink has changed the same way, whenever it was.

    A hot week in which the fan turns faster can hide the beginning from one of them.
    """
    for other in verdicts:
        if other.cause is not Cause.AIRFLOW or other.leading is not other.airflow:
            continue
        is_same_way = one.airflow.changed_by.change_pct * other.airflow.changed_by.change_pct > 0.0
        if is_same_way and shares_sink(one, other):
            remark = f"it shares its sink with {other.source}, whose air has changed"
            return _called_air(one, [one.airflow], remark)
    return one


def _beside(one: Verdict, verdicts: list[Verdict]) -> Verdict:
    """Call it the thermometer where nothing changed for the other sources that the same air cools."""
    if one.cause is not Cause.UNKNOWN or not _is_offset(one) or one.model is None:
        return one
    beside = [other for other in verdicts if other.source in one.model.shared_with]
    if not beside or not all(_has_same_air(other) for other in beside):
        return one
    names = " and ".join(other.source for other in beside)
    remark = f"the same air cools {names}, and nothing has changed there"
    return replace(
        one,
        cause=Cause.TELEMETRY,
        state=state_of(Cause.TELEMETRY, [one.leading or one.idle]),
        blame=replace(one.blame, cause=Cause.TELEMETRY) if one.blame else None,
        remark=remark,
    )


def _has_same_air(one: Verdict) -> bool:
    """Whether its air and its idle temperature are known, and as they were."""
    return all(
        part.detection is not None and part.detection.state == "holding" for part in (one.airflow, one.idle)
    )


def _not_by_itself(one: Verdict) -> Verdict:
    """Take back what only a thermometer or the fan shows, unless they are what is accused.

    A fan that begins to turn at idle, or stops, moves the idle temperature; other work moves the fan.
    """
    if one.leading is None or not (one.is_thermometer_led or one.leading is one.fan):
        return one
    if one.interface.is_changed or one.airflow.is_changed:
        return one
    if one.cause is (Cause.FAN if one.leading is one.fan else Cause.TELEMETRY):
        return one
    if one.cause is Cause.AIRFLOW and one.airflow.detection is None:
        return one  # under load nobody knows
    what = "the fan's speed at like heat" if one.leading is one.fan else "its temperature at rest"
    return _taken_back(one, f"{what} has moved, and nothing under load did")


def _not_by_chance(one: Verdict) -> Verdict:
    """Take back what nobody is to blame for where it is not plain either: chance is one more suspect then."""
    if one.leading is None or one.cause is not Cause.UNKNOWN:
        return one
    low, high = (log_of_pct(end) for end in one.leading.changed_by.change_ci95_pct)
    if abs(low + high) / 2.0 >= PLAIN_ERRORS * (high - low) / (2.0 * NORMAL_95):
        return one
    return _taken_back(one, f"{one.leading.name} may have changed: too little to tell it from chance")


def _as_its_sink_says(one: Verdict, verdicts: list[Verdict]) -> Verdict:
    """Take back a change of air that the neighbour on the sink speaks against."""
    if one.cause is not Cause.AIRFLOW or one.leading is not one.airflow:
        return one
    if not is_against_its_sink(one, verdicts):
        return one
    return _taken_back(one, "airflow may have changed: the other source on its sink speaks against it")


def _of_its_fan(one: Verdict, verdicts: list[Verdict]) -> Verdict:
    """Tell of the fan that this source shares with another, where it was seen there to have worn."""
    if one.leading is not None or one.model is None:
        return one
    for other in verdicts:
        if other.cause is not Cause.FAN or other.leading is None or other.model is None:
            continue
        # Where no fan was seen to follow this source, it is that of the sink that both share.
        if other.model.fan != one.model.fan and (one.model.fan or other.source not in one.model.shared_with):
            continue
        if one.fan.change.pct is None or one.fan.change.pct < 0.0:
            remark = f"its fan is that of {other.source}"
            return replace(
                one,
                cause=other.cause,
                state=other.state,
                leading=other.leading,
                fan=other.fan,
                remark=remark,
            )
    return one


def _is_offset(one: Verdict) -> bool:
    """Whether a thermometer that is off explains it best."""
    if one.cause not in (Cause.TELEMETRY, Cause.UNKNOWN) or one.blame is None:
        return False
    return one.blame.likeliest == OFFSET and not one.interface.is_changed


def _may_be_air(one: Verdict) -> bool:
    return (
        one.cause is Cause.UNKNOWN
        and one.leading is one.airflow
        and one.blame is not None
        and one.blame.allows(Cause.AIRFLOW, "airflow part")
    )


def _is_alike(one: JudgedPart, other: JudgedPart) -> bool:
    return _is_same_day(one, other) and one.changed_by.change_pct * other.changed_by.change_pct > 0.0


def _is_same_day(one: JudgedPart, other: JudgedPart) -> bool:
    if abs(onset_of(one) - onset_of(other)) <= SAME_DAY:
        return True
    edges = one.changed_by.onset_ci95_utc, other.changed_by.onset_ci95_utc
    if edges[0] is None or edges[1] is None:
        return False
    # Moments in RFC 3339 stand in the order of their letters.
    return edges[0][0] <= edges[1][1] and edges[1][0] <= edges[0][1]


def _settled(one: Verdict, wrong: Mapping[str, Verdict]) -> Verdict:
    shared = one.model.shared_with if one.model else ()
    if one.leading is None or one.interface.is_changed or one.source in wrong:
        return one
    for name in shared:
        other = wrong.get(name)
        if other is not None and other.leading is not None and _is_same_day(one.leading, other.leading):
            seen = "the fan" if one.leading is one.fan else "the air"
            return _taken_back(one, f"{seen} only seems changed: the readings of {name} did on the same day")
    return one


def _called_air(one: Verdict, changed: list[JudgedPart], remark: str) -> Verdict:
    """What another source settles: it is the air; what its own signs say has just been overruled."""
    return replace(
        one, cause=Cause.AIRFLOW, state=state_of(Cause.AIRFLOW, changed), blame=None, remark=remark
    )


def _taken_back(one: Verdict, remark: str) -> Verdict:
    """What another source explains: nothing has changed here."""
    return replace(one, state="holding", cause=Cause.NONE, leading=None, blame=None, remark=remark)
