"""Which verdict is worth a message, by what was said on the nights before."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import pandas as pd

from ..store.message import Message, Severity
from .cause import Cause
from .judgement import Verdict

# A cause other than the joint may still turn into another one as more days speak; that can wait some nights.
AGREEING_NIGHTS = 3


def is_worth_telling(one: Verdict, causes_before: Sequence[str]) -> bool:
    """Whether the owner should hear of it now.

    A changed joint and whatever is grave are told at once, all else once the cause has stayed as it is.

    Parameters
    ----------
    one
        What is known now.
    causes_before
        Causes of the nights before, the oldest first.
    """
    if one.leading is None:
        return False
    if one.cause is Cause.INTERFACE or one.state == "act":
        return True
    latest = list(causes_before)[-(AGREEING_NIGHTS - 1) :]
    found = one.leading.changed_by
    # A history that was imported, or a month without judgement, has no nights before that could agree.
    is_old = _days_between(found.detected_utc, one) >= AGREEING_NIGHTS
    return (len(latest) == AGREEING_NIGHTS - 1 or (is_old and not latest)) and all(
        cause == one.cause.value for cause in latest
    )


def is_told_already(wanted: Message, told: Mapping[str, Severity]) -> bool:
    """Whether the same finding was told, in this state or in a graver one.

    Parameters
    ----------
    wanted
        What would be told; its key holds the state.
    told
        Highest severity told, by key.
    """
    keys = {wanted.key, wanted.key.replace(" watch ", " act ")}
    return any(told[key].rank >= wanted.severity.rank for key in keys if key in told)


def has_gone_away(one: Verdict, states_before: Sequence[str]) -> bool:
    """Whether a change that was there on the night before has gone away by itself.

    Parameters
    ----------
    one
        What is known now.
    states_before
        States of the nights before, the oldest first.
    """
    if one.leading is not None or not states_before or states_before[-1] == "holding":
        return False
    return any(part.detection is not None and part.detection.state == "recovered" for part in one.parts)


def _days_between(detected_utc: str | None, one: Verdict) -> float:
    """Days from the alarm to the newest day of the part that leads."""
    series = one.leading.series if one.leading else None
    if detected_utc is None or series is None:
        return 0.0
    return float((series.rows.index[-1] - pd.Timestamp(detected_utc)) / pd.Timedelta(days=1))
