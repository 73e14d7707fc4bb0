"""Sums up a blind trial and sets it as tables."""

from __future__ import annotations

import math
import statistics
from collections.abc import Sequence
from dataclasses import asdict, dataclass
from typing import Any

from ..fake_sensors.trial_worlds import SCENARIOS
from .tables import columns, labelled
from .trial_score import Outcome

SCHEMA = "heatdrift-trial/1"
HEADING = ("SCENARIO", "MACHINES", "CAUSE RIGHT", "FALSE ALARMS", "MISSED", "DELAY")
LATE_SHARE = 0.9


@dataclass(frozen=True, slots=True)
class Share:
    """So many of so many."""

    n: int
    of: int

    def __str__(self) -> str:
        return f"{self.n} of {self.of}" + (f" ({100 * self.n / self.of:.0f} %)" if self.of else "")


@dataclass(frozen=True, slots=True)
class Summary:
    """A whole trial.

    Attributes
    ----------
    cause_right, false_alarms
        Of all machines.
    false_alarms_healthy
        Of the machines with nothing wrong.
    missed
        Of the machines whose fault had to be found.
    delay_days_median, delay_days_late
        Median, and what nine of ten stay below [days]; None where nothing was found.
    interface_error_pct_median, interface_error_pct_late
        Of the amount of the error [points], as above.
    interface_covered, shape_right, outlook_right
        Of all sources for which it can be said.
    """

    cause_right: Share
    false_alarms: Share
    false_alarms_healthy: Share
    missed: Share
    delay_days_median: float | None
    delay_days_late: float | None
    interface_error_pct_median: float | None
    interface_error_pct_late: float | None
    interface_covered: Share
    shape_right: Share
    outlook_right: Share


def summarise(outcomes: Sequence[Outcome]) -> Summary:
    """Sum a trial up."""
    healthy = [one for one in outcomes if not one.is_faulty]
    wanted = [one for one in outcomes if one.is_to_be_found]
    delays = [one.delay_days for one in outcomes if one.delay_days is not None]
    errors = [abs(error) for one in outcomes for error in one.interface_errors_pct]
    return Summary(
        cause_right=_share([one.is_cause_right for one in outcomes]),
        false_alarms=_share([one.is_false_alarm for one in outcomes]),
        false_alarms_healthy=_share([one.is_false_alarm for one in healthy]),
        missed=_share([one.is_missed for one in wanted]),
        delay_days_median=statistics.median(delays) if delays else None,
        delay_days_late=_late(delays),
        interface_error_pct_median=statistics.median(errors) if errors else None,
        interface_error_pct_late=_late(errors),
        interface_covered=_share([held for one in outcomes for held in one.interface_covered]),
        shape_right=_share([right for one in outcomes for right in one.shapes_right]),
        outlook_right=_share([right for one in outcomes for right in one.outlooks_right]),
    )


def trial_lines(outcomes: Sequence[Outcome]) -> list[str]:
    """Tables for people: each scenario, the whole, and every machine that was judged wrongly."""
    rows = [HEADING]
    for scenario in SCENARIOS:
        of_it = [one for one in outcomes if one.scenario == scenario]
        if of_it:
            found = summarise(of_it)
            rows.append(
                (
                    scenario,
                    str(len(of_it)),
                    f"{found.cause_right.n}",
                    f"{found.false_alarms.n}",
                    f"{found.missed.n}",
                    _days(found.delay_days_median),
                )
            )
    total = summarise(outcomes)
    lines = [*columns(rows, right=(1, 2, 3, 4)), ""]
    said = {
        "cause right": str(total.cause_right),
        "false alarms": f"{total.false_alarms}; of machines with nothing wrong {total.false_alarms_healthy}",
        "missed": str(total.missed),
        "delay": f"median {_days(total.delay_days_median)}, "
        f"nine of ten within {_days(total.delay_days_late)}",
        "interface change": f"error median {_points(total.interface_error_pct_median)}, nine of ten within "
        f"{_points(total.interface_error_pct_late)}; 95 % interval holds the truth {total.interface_covered}",
        "step or creep": str(total.shape_right),
        "outlook": f"80 % interval holds the truth {total.outlook_right}",
    }
    for label, text in said.items():
        lines += labelled(label, text, 18)
    wrong = [one for one in outcomes if not one.is_right]
    for one in wrong:
        lines += ["", *labelled(one.name, _faults_of(one), 14)]
        lines += labelled("  truth", one.truth, 14)
        lines += labelled("  said", one.said, 14)
    return lines


def trial_document(seed: int, days: float, outcomes: Sequence[Outcome]) -> dict[str, Any]:
    """The trial for programs."""
    return {
        "schema": SCHEMA,
        "seed": seed,
        "days": days,
        "summary": asdict(summarise(outcomes)),
        "machines": [{**asdict(one), "is_right": one.is_right} for one in outcomes],
    }


def _faults_of(one: Outcome) -> str:
    words = {
        "wrong cause": not one.is_cause_right,
        "false alarm": one.is_false_alarm,
        "missed": one.is_missed,
    }
    return ", ".join(word for word, is_so in words.items() if is_so)


def _share(claims: Sequence[bool]) -> Share:
    return Share(sum(claims), len(claims))


def _late(values: Sequence[float]) -> float | None:
    return sorted(values)[math.ceil(LATE_SHARE * len(values)) - 1] if values else None


def _days(days: float | None) -> str:
    return "-" if days is None else f"{days:.1f} d"


def _points(points: float | None) -> str:
    return "-" if points is None else f"{points:.1f} points"
