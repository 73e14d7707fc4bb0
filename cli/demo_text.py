"""What the demonstration says at its end: where the report is, three sentences, and what was really so."""

from __future__ import annotations

import shlex
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from pathlib import Path

from ..fake_sensors.demo_machine import SOURCE, Scenario
from ..reports.compare import Comparison
from ..reports.evidence_words import sentence
from ..reports.judgement import Verdict
from ..reports.outlook import Outlook
from ..reports.verdict_outlook import outlook_sentence
from .report_making import MadeReport
from .tables import labelled

LABEL = 10


@dataclass(frozen=True, slots=True)
class Alert:
    """What the owner was told, and the day that the night came after."""

    day: str
    subject: str


@dataclass(frozen=True, slots=True, eq=False)
class Told:
    """What was said: in the report, of the work on the machine, and to the owner night by night."""

    made: MadeReport
    work: Comparison
    alerts: tuple[Alert, ...]

    @property
    def verdict(self) -> Verdict:
        """The worst one of the last night."""
        return max(self.made.verdicts, key=lambda one: (one.leading is not None, one.source == SOURCE))

    @property
    def ahead(self) -> Outlook:
        """How long it lasts."""
        return self.made.states[self.verdict.source].ahead


def demo_lines(told: Told, life: Scenario, pages: Mapping[str, Path], record: Path) -> list[str]:
    """Everything, for a terminal.

    Parameters
    ----------
    told
        What was found.
    life
        The truth.
    pages, record
        What to open, by what it is; and the database for more questions.
    """
    lines = []
    for label, text in (
        ("helped?", worked_sentence(told.work)),
        ("now", f"{sentence(told.verdict)}. {_alert_words(told)}"),
        ("ahead", outlook_sentence(told.ahead) or no_date(told.ahead)),
        ("truth", truth_sentence(life)),
    ):
        lines += labelled(label, text, LABEL)
    lines.append("")
    for label, path in (*pages.items(), ("record", record)):
        lines += labelled(label, str(path), LABEL)
    lines += labelled("ask it", f"heatdrift verdict --database {shlex.quote(str(record))}", LABEL)
    return lines


def worked_sentence(one: Comparison) -> str:
    """What the work on the machine did."""
    kinds = ", ".join(entry.kind.value.replace("_", " ") for entry in one.entries)
    day = datetime.fromtimestamp(one.entries[0].at_utc_ms / 1000, UTC).date()
    paid = f", {one.prices[0].total:.2f} {one.prices[0].currency}" if one.prices else ""
    said = f"{one.source}, {kinds} on {day}{paid}:"
    t = one.temperatures
    if t is None:
        said += f" its temperature cannot be compared ({one.no_temperatures});"
    else:
        low, high = t.ci95_k
        said += (
            f" {t.before_c:.1f} °C before, {t.after_c:.1f} °C after at {t.power_w:.0f} W in a room of "
            f"{t.ambient_c:.0f} °C, {t.change_k:+.1f} K ({low:+.1f} to {high:+.1f});"
        )
    told = one.interface
    if told.pct is None or told.ci95_pct is None:
        said += f" interface part not known: {told.reason}."
    else:
        said += f" interface part {told.pct:+.0f} % ({told.ci95_pct[0]:+.0f} to {told.ci95_pct[1]:+.0f})."
    factor = one.era.scale.factor
    if factor != 1.0:
        said += (
            f" Where its sensor says 100 W since then, {100.0 * factor:.0f} W flow; watts here are true ones."
        )
    return said


def no_date(ahead: Outlook) -> str:
    """Why nobody can say when the limit is reached."""
    return f"No date for its limit of {ahead.limit_c:.0f} °C: {ahead.reason.removeprefix('no date: ')}."


def truth_sentence(life: Scenario) -> str:
    """What was built into the machine, and what no judgement was told."""
    creep = life.faults[-1]
    start = datetime.fromtimestamp(life.start_utc_ms / 1000, UTC)
    since = (start + timedelta(days=creep.from_day)).date()
    pct = life.creep_pct()
    gain = 100.0 * life.faults[0].size
    return (
        f"Built into this machine, and told to no judgement: its interface part changed by {gain:+.0f} % by "
        f"the work, and that of {SOURCE} grows from {since} on, to {pct:+.0f} % at the end. {_weather(life)}"
    )


def _weather(life: Scenario) -> str:
    waves = life.values.climate.heatwaves
    if not waves:
        return ""
    longest = max(wave.days for wave in waves)
    return f"Hot spells of up to {longest:.0f} days in summer are weather, and no fault."


def _alert_words(told: Told) -> str:
    if not told.alerts:
        return "There was no message."
    mine = [alert for alert in told.alerts if alert.subject.startswith(f"{told.verdict.source}:")]
    if not mine:
        return f"Of other things there was word: {told.alerts[0].subject}."
    first = mine[0]
    before = "First message, with none before it," if first == told.alerts[0] else "First message of it"
    return f"{before} in the night after {first.day}."
