"""The air of one source tells of the air of another: one sink, one fan, one case around both."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace

from .baseline import change_of_log, log_of_pct, log_with_error
from .cause import UNDECIDED, Cause
from .detector_settings import AIRFLOW_LOG_BAYES_LIMIT, DetectorSettings
from .evidence import CHANGES_PER_DAY
from .judged_part import JudgedPart, change_now
from .part_settings import airflow_settings
from .verdict import Verdict, onset_of, state_of

# Fins, fan and vents belong to a sink and not to a source; two coolers in one case share its vents alone.
# Common practice, no source: of ten changed sinks nine change for all sources, of four coolers one does.
ODDS_SAME_SINK, ODDS_SAME_CASE = 9.0, 1.0 / 3.0
PLAIN_ERRORS = 3.3  # of a normal error so far out lies one in a thousand
UNLIKE = 0.3  # by how much the shares of two sources in one change of air differ (simulated laptops)


def told_of_its_air(one: Verdict, verdicts: Sequence[Verdict]) -> Verdict:
    """Tell of the air that this source shares with another, where it says the same by itself.

    Parameters
    ----------
    one
        What is silent about its air is told of that of the others.
    verdicts
        Of all sources of the machine.
    """
    if one.leading is not None or one.airflow.series is None:
        return one
    for other in verdicts:
        if other.source == one.source or other.cause not in (Cause.AIRFLOW, Cause.FAN):
            continue
        if other.leading is not other.airflow:
            continue
        same_sink = shares_sink(one, other)
        odds = ODDS_SAME_SINK if same_sink else ODDS_SAME_CASE
        agrees = evidence(one, other.airflow)
        if agrees > 0.0 and agrees + 2.0 * math.log(odds) >= UNDECIDED:
            air = one.airflow if one.airflow.is_changed else _changed_since(one, other.airflow)
            return replace(
                one,
                cause=Cause.AIRFLOW if other.cause is Cause.FAN and not same_sink else other.cause,
                state=state_of(Cause.AIRFLOW, [air]),
                airflow=air,
                leading=air,
                remark=f"the air of {other.source} has changed, and its own agrees with that",
            )
    return one


def helped_settings(one: Verdict, verdicts: Sequence[Verdict]) -> DetectorSettings | None:
    """What counts as drift of its air, where that of a neighbour on the sink seems worse as well.

    One change of air is the change of both, so that their evidence adds; that it is improbable beforehand
    counts once. What that leaves of the limit is asked of each.

    Parameters
    ----------
    one
        The source that is asked.
    verdicts
        Of all sources of the machine.

    Returns
    -------
    DetectorSettings or None
        None where no neighbour helps.
    """
    if not seems_worse(one):
        return None
    others = (other for other in verdicts if other.source != one.source and shares_sink(one, other))
    help_nats = max((_evidence_alone(other) for other in others if seems_worse(other)), default=0.0)
    if help_nats <= 0.0:
        return None
    return replace(airflow_settings(one.model), log_bayes_limit=AIRFLOW_LOG_BAYES_LIMIT - help_nats)


def seems_worse(one: Verdict) -> bool:
    """Whether its air resists more by what would matter, and nothing is known of it yet."""
    found = one.airflow.detection
    if one.leading is not None or one.interface.is_changed or one.airflow.series is None:
        return False
    if found is None or found.state != "holding":
        return False
    return log_of_pct(found.change_pct) >= airflow_settings(one.model).smallest_change


def _evidence_alone(one: Verdict) -> float:
    """Evidence for a change of its air by now, without that changes are rare [nats]."""
    found, series = one.airflow.detection, one.airflow.series
    assert found is not None and series is not None  # it seems worse
    n_onsets = max(found.n_rows - series.n_baseline, 1)
    return found.log_bayes_factor - math.log(CHANGES_PER_DAY * n_onsets)


def is_against_its_sink(one: Verdict, verdicts: Sequence[Verdict]) -> bool:
    """Whether the air of a neighbour on the sink speaks against a change of the air of this source.

    The fins are the same for both. Where one of them seems changed and the other says that they are as they
    were, both together have to be plain.

    Parameters
    ----------
    one
        A source whose air is accused.
    verdicts
        Of all sources of the machine.
    """
    for other in verdicts:
        if other.source == one.source or other.leading is not None or not shares_sink(one, other):
            continue
        if other.airflow.series is None or evidence(other, one.airflow) >= 0.0:
            continue
        found = one.airflow.changed_by
        seen = [log_with_error(found.change_pct, found.change_ci95_pct), _since(other, one.airflow)]
        weights = [error**-2.0 for _, error in seen]
        both = sum(weight * value for weight, (value, _) in zip(weights, seen, strict=True))
        if abs(both) < PLAIN_ERRORS * math.sqrt(sum(weights)):
            return True
    return False


def shares_sink(one: Verdict, other: Verdict) -> bool:
    """Whether the heat of either was seen to warm the other through the metal."""
    return any(
        name.model is not None and beside.source in name.model.shared_with
        for name, beside in ((one, other), (other, one))
    )


def evidence(one: Verdict, air: JudgedPart) -> float:
    """How much likelier its air changed as another's did than not at all [difference of chi squared].

    Parameters
    ----------
    one
        The source that is asked.
    air
        Changed airflow part of the other.
    """
    seen, error = _since(one, air)
    if not math.isfinite(error):
        return 0.0
    expected, its_error = log_with_error(air.changed_by.change_pct, air.changed_by.change_ci95_pct)
    if_alike = math.hypot(error, its_error, UNLIKE * expected)
    nothing = (seen / error) ** 2 + 2.0 * math.log(error)
    return nothing - ((seen - expected) / if_alike) ** 2 - 2.0 * math.log(if_alike)


def _changed_since(one: Verdict, air: JudgedPart) -> JudgedPart:
    """Its own change, since when and how the other's did; how fast by itself nobody knows."""
    told = change_of_log(*_since(one, air))
    assert told.pct is not None and told.ci95_pct is not None
    found = replace(
        air.changed_by,
        change_pct=told.pct,
        change_ci95_pct=told.ci95_pct,
        trend_pct_per_30d=None,
        trend_ci95=None,
    )
    return replace(one.airflow, detection=found)


def _since(one: Verdict, air: JudgedPart) -> tuple[float, float]:
    """How far its newest days stand from the baseline, and the error [log units]; infinite: nobody knows.

    Days before the other's change are left out.
    """
    assert one.airflow.series is not None
    told = change_now(one.airflow.series, since=onset_of(air).floor("D"))
    if told.pct is None or told.ci95_pct is None:
        return 0.0, math.inf
    seen, own_error = log_with_error(told.pct, told.ci95_pct)
    return seen, math.hypot(own_error, airflow_settings(one.model).systematic_sd)
