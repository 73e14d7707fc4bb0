"""Holds what the tool said of a machine against the truth.

The rule, source by source:

* The verdict at the end must name a cause that is true of the source (`source_truth` says which): the fault's
  own where the source or its sink is struck, ``none`` where it is not. A source that shares its sink with one
  whose readings became wrong may also be said to have wrong readings, or an unknown change: it hangs on them.
  A machine is right when all its sources are, and all commands ended well.
* A false alarm is an alert before the fault begins, or one on a source that is not struck, with a cause that
  is not true of it; so is a verdict at the end that accuses such a source.
* A fault is missed when no source on which it had to be found was ever alerted after it began, nor stands in
  another state than ``holding`` at the end. A change below 8 % need not be found.
* The delay runs from the day on which the true change passes 8 % to the first alert after the onset; days on
  which the machine was off do not count. It is negative where the alert came earlier.
* The change of the interface is held against the truth on every source for which it was given, except where
  the power reading went wrong: reported watts are what the resistance is made of.
* Step or creep counts where a struck source was given the right cause.
* An outlook counts where a date was given for a source that creeps and has a sink of its own.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import UTC, datetime
from typing import Any

from ..fake_sensors.ageing import FaultMode
from ..fake_sensors.trial_outlook import days_to_limit
from ..fake_sensors.trial_truth import SourceTruth, is_on, source_truth, true_fault
from ..fake_sensors.trial_worlds import DAY_MS, World, sources_of
from .wording import counted

HOLDING, NONE = "holding", "none"
TENTHS = 10


@dataclass(frozen=True, slots=True)
class Documents:
    """What the commands wrote; ``problem`` where one of them failed."""

    backtest: Mapping[str, Any]
    report: Mapping[str, Any]
    problem: str = ""


@dataclass(frozen=True, slots=True)
class Outcome:
    """How the tool did on one machine.

    Attributes
    ----------
    name, scenario, truth, said
        For people.
    is_faulty, is_cause_right, is_false_alarm, is_missed
        As the rule above has it.
    is_to_be_found
        Whether a source was struck so hard that it had to be found.
    delay_days
        None where nothing was found, or nothing had to be.
    interface_errors_pct, interface_covered
        Of each source: said minus true change [points], and whether the 95 % interval holds the truth.
    shapes_right, outlooks_right
        One for each source for which it can be said.
    """

    name: str
    scenario: str
    truth: str
    said: str
    is_faulty: bool
    is_to_be_found: bool
    is_cause_right: bool
    is_false_alarm: bool
    is_missed: bool
    delay_days: float | None
    interface_errors_pct: tuple[float, ...]
    interface_covered: tuple[bool, ...]
    shapes_right: tuple[bool, ...]
    outlooks_right: tuple[bool, ...]

    @property
    def is_right(self) -> bool:
        """Nothing to hold against it."""
        return self.is_cause_right and not self.is_false_alarm and not self.is_missed


def score(world: World, documents: Documents) -> Outcome:
    """Score what was said of a world; see the rule above."""
    truths = {source: source_truth(world, source) for source in sources_of(world.values)}
    paths = {path["source"]: path for path in documents.report.get("paths", [])}
    alerts = [Alert.of(world, alert) for alert in documents.backtest.get("alerts", [])]
    fault = true_fault(world)
    onset_day = fault.from_day if fault else world.days
    found = [alert for alert in alerts if truths[alert.source].is_struck and alert.day >= onset_day]
    stands = [source for source, path in paths.items() if path["state"] != HOLDING]
    wanted = [source for source, truth in truths.items() if truth.is_struck and NONE not in truth.causes]
    is_found = any(alert.source in wanted for alert in found) or any(source in wanted for source in stands)
    measured = [
        (path["interface_resistance"], truths[source].interface_change_pct)
        for source, path in paths.items()
        if path["interface_resistance"]["change_pct"] is not None and not _has_wrong_power(world, source)
    ]
    return Outcome(
        name=world.name,
        scenario=world.scenario,
        truth=f"{truth_text(world, truths)}; {circumstances_text(world)}",
        said=said_text(documents, alerts),
        is_faulty=fault is not None,
        is_to_be_found=bool(wanted),
        is_cause_right=not documents.problem
        and all(
            source in paths and cause_of(paths[source]) in truth.causes for source, truth in truths.items()
        ),
        is_false_alarm=_is_false_alarm(truths, paths, alerts, onset_day),
        is_missed=bool(wanted) and not is_found,
        delay_days=_delay_days(world, truths, found),
        interface_errors_pct=tuple(part["change_pct"] - true for part, true in measured),
        interface_covered=tuple(
            part["change_ci95_pct"][0] <= true <= part["change_ci95_pct"][1]
            for part, true in measured
            if part["change_ci95_pct"] is not None
        ),
        shapes_right=tuple(
            paths[source]["shape"] == truth.shape
            for source, truth in truths.items()
            if truth.is_struck and source in paths and cause_of(paths[source]) in set(truth.causes) - {NONE}
        ),
        outlooks_right=tuple(
            right
            for source, path in paths.items()
            if (right := _is_outlook_right(world, source, path["outlook"])) is not None
        ),
    )


@dataclass(frozen=True, slots=True)
class Alert:
    """One alert of the backtest, its day counted from the start of the world."""

    source: str
    day: float
    state: str
    cause: str

    @classmethod
    def of(cls, world: World, alert: Mapping[str, Any]) -> Alert:
        """From the document."""
        raised = datetime.fromisoformat(alert["raised"]).astimezone(UTC)
        day = (raised.timestamp() * 1000 - world.start_utc_ms) / DAY_MS
        return cls(alert["source"], day, alert["state"], alert["cause"])


def cause_of(path: Mapping[str, Any]) -> str:
    """What a verdict accuses; nothing while it holds."""
    return NONE if path["state"] == HOLDING else str(path["cause"])


def truth_text(world: World, truths: Mapping[str, SourceTruth]) -> str:
    """The truth of a world in a line."""
    fault = true_fault(world)
    if fault is None:
        return world.scenario
    struck = "; ".join(
        f"{source} interface {truth.interface_change_pct:+.0f} %, airflow {truth.airflow_change_pct:+.0f} %"
        if fault.mode not in (FaultMode.POWER_SCALE, FaultMode.TEMPERATURE_OFFSET)
        else f"{source} by {fault.size:+.2f}{' K' if fault.mode is FaultMode.TEMPERATURE_OFFSET else ''}"
        for source, truth in truths.items()
        if truth.is_struck
    )
    return f"{world.scenario} from day {fault.from_day:.0f}: {struck}"


def circumstances_text(world: World) -> str:
    """What made a world hard to judge, in a line."""
    values = world.values
    around, habits = values.surroundings, values.habits
    words = ["room probe" if around.ambient_offset_k is not None else "no room probe"]
    words.append(f"{counted(values.n_fan_tachs, 'fan')} counted")
    words += [f"off from day {begin:.0f} for {days:.1f} d" for begin, days in habits.absences]
    if math.isfinite(habits.change_day):
        words.append(f"other tasks from day {habits.change_day:.0f}")
    words += [
        f"{wave.extra_k:.0f} K of heatwave from day {wave.from_day:.0f}" for wave in values.climate.heatwaves
    ]
    return ", ".join(words)


def said_text(documents: Documents, alerts: list[Alert]) -> str:
    """What was said of it, in a line."""
    if documents.problem:
        return documents.problem
    said = [
        f"{path['source']} {path['state']} {cause_of(path)} {path['shape'] or ''}".rstrip()
        + (f" ({part['change_pct']:+.1f} %)" if part["change_pct"] is not None else "")
        for path in documents.report.get("paths", [])
        for part in [path["interface_resistance"]]
    ]
    raised = [f"day {alert.day:.0f} {alert.source} {alert.state} {alert.cause}" for alert in alerts]
    return f"{'; '.join(said)}; alerts: {', '.join(raised) or 'none'}"


def _has_wrong_power(world: World, source: str) -> bool:
    return any(fault.mode is FaultMode.POWER_SCALE and fault.source == source for fault in world.faults)


def _is_false_alarm(
    truths: Mapping[str, SourceTruth],
    paths: Mapping[str, Mapping[str, Any]],
    alerts: list[Alert],
    onset_day: float,
) -> bool:
    def is_unjust(source: str, cause: str) -> bool:
        truth = truths[source]
        return not truth.is_struck and cause not in truth.causes

    early = any(alert.day < onset_day for alert in alerts)
    unjust = any(is_unjust(alert.source, alert.cause) or alert.cause == NONE for alert in alerts)
    at_end = any(is_unjust(source, cause_of(path)) for source, path in paths.items())
    return early or unjust or at_end


def _is_outlook_right(world: World, source: str, outlook: Mapping[str, Any]) -> bool | None:
    """Whether the 80 % interval of a date holds the true one; None where no date was given or is true."""
    if outlook["ci80_days"] is None:
        return None
    days = days_to_limit(
        world,
        source,
        limit_c=outlook["limit_c"],
        ambient_c=outlook["reference_ambient_c"],
        power_w=outlook["reference_power_w"],
    )
    early, late = outlook["ci80_days"]
    return None if days is None else bool(early <= days <= late)


def _delay_days(world: World, truths: Mapping[str, SourceTruth], found: list[Alert]) -> float | None:
    delays = []
    for alert in found:
        felt_day = truths[alert.source].felt_day
        if felt_day is not None:
            sign = 1.0 if alert.day >= felt_day else -1.0
            low, high = sorted((alert.day, felt_day))
            tenths = range(round(low * TENTHS), round(high * TENTHS))
            delays.append(sign * sum(is_on(world, tenth / TENTHS) for tenth in tenths) / TENTHS)
    return min(delays, default=None)
