"""``heatdrift backtest``: which alerts the stored past would have raised, night by night."""

from __future__ import annotations

from datetime import date, datetime, timedelta
from pathlib import Path
from typing import Any

import click

from ..reports.alerts import is_told_already, is_worth_telling
from ..reports.backtest import KEEPS_STRETCH_DAYS, nights
from ..reports.derivation import LEAST_ROWS
from ..reports.judgement import Judge, Verdict
from ..reports.verdict_document import moment, verdict_document
from ..reports.verdict_message import message_of
from ..store.errors import SettingsError
from ..store.message import Severity
from ..store.packing import day_of
from .export import milliseconds, progress_bar
from .fit import STANDARD_OUTPUT, write_json
from .history import History, open_history
from .nightly_messages import kinds_on_path
from .options import Moment, json_file_option, machine_option, settings_options
from .settings import Settings
from .speech import say
from .tables import columns
from .wording import counted

SCHEMA = "heatdrift-backtest/1"
ALERT_KEYS = (
    "source",
    "state",
    "cause",
    "part",
    "shape",
    "change_pct",
    "change_ci95_pct",
    "change_k",
    "change_ci95_k",
    "onset",
)
MOST_STRAY_DAYS = 366
EPILOG = """\b
Example:
  heatdrift backtest --json alerts.json
"""


@click.command("backtest", epilog=EPILOG)
@json_file_option("Write the alerts")
@click.option("--from", "from_utc", type=Moment(), help="First day, YYYY-MM-DD (UTC).")
@click.option("--to", "to_utc", type=Moment(), help="Up to this day; nothing later is used.")
@machine_option
@settings_options
def command(
    *,
    settings: Settings,
    machine: str | None,
    json_file: Path | None,
    from_utc: datetime | None,
    to_utc: datetime | None,
) -> None:
    """Go through the past night by night, with what was known on each, and show the alerts.

    Nothing is stored and nobody is told. So you see what heatdrift would have said of a history that was
    imported, or before you let it write to you.
    """
    with open_history(settings, machine) as history:
        derivation = history.update()
        first, last = _days(history, from_utc, to_utc)
        judge = Judge(history.reader, history.derived, derivation, KEEPS_STRETCH_DAYS)
        alerts = _alerts(history, judge, first, last)
    n_nights = (last - first).days + 1
    if json_file is not None:
        document = {"schema": SCHEMA, "from": first.isoformat(), "to": last.isoformat()}
        write_json(json_file, {**document, "nights": n_nights, "alerts": alerts})
    if json_file != STANDARD_OUTPUT:
        _say(alerts, n_nights)


def _days(history: History, from_utc: datetime | None, to_utc: datetime | None) -> tuple[date, date]:
    """The nights asked for, else all from the first day of the record to its last."""
    known = _days_of_record(history)
    first = known[0] if from_utc is None else max(known[0], from_utc.date())
    last = known[1] if to_utc is None else min(known[1], day_of((milliseconds(to_utc) or 0) - 1))
    if first > last:
        raise SettingsError("the period ends before it begins", remedy="correct --from and --to")
    return first, last


def _days_of_record(history: History) -> tuple[date, date]:
    """The first and the last day with more than a stray row of a clock that was wrong, if there is one."""
    full: set[str] = set()
    for source in history.reader.sources():
        n_rows = history.derived.row_days(source.name, history.derived.marks(source.name))
        full |= {day for day, n in n_rows.items() if n >= LEAST_ROWS}
    if full:
        return date.fromisoformat(min(full)), date.fromisoformat(max(full))
    days = [date(1970, 1, 1) + timedelta(days=number) for number in history.reader.days()]
    return days[0], min(days[-1], days[0] + timedelta(days=MOST_STRAY_DAYS))


def _alerts(history: History, judge: Judge, first: date, last: date) -> list[dict[str, Any]]:
    """What would have been told, each finding once as the outbox would have it."""
    causes: dict[str, list[str]] = {}
    told: dict[str, Severity] = {}
    alerts: list[dict[str, Any]] = []
    with progress_bar() as bar:
        task = bar.add_task("judging night by night", total=None)
        walk = nights(judge, first, last, lambda done, of: bar.update(task, completed=done, total=of))
        for night in walk:
            for one in night.verdicts:
                before = causes.setdefault(one.source, [])
                if is_worth_telling(one, before) and _is_new(history, one, night.made_utc_ms, told):
                    alerts.append(_alert(one, night.day, night.made_utc_ms))
                before.append(one.cause.value)
    return alerts


def _is_new(
    history: History,
    one: Verdict,
    made_utc_ms: int,
    told: dict[str, Severity],
) -> bool:
    """Whether it is another finding than those that were told; reminders are left out."""
    kinds = kinds_on_path(history.entries, one.source, made_utc_ms)
    message = message_of(
        one, made_utc_ms=made_utc_ms, machine_name=history.reader.machine_name, kinds_of_entries=kinds
    )
    if is_told_already(message, told):
        return False
    told[message.key] = message.severity
    return True


def _alert(one: Verdict, day: date, made_utc_ms: int) -> dict[str, Any]:
    document = verdict_document(one)
    return {"raised": moment(made_utc_ms), "night": day.isoformat()} | {
        key: document[key] for key in ALERT_KEYS if key in document
    }


def _change(alert: dict[str, Any]) -> str:
    """How much the leading part changed: the idle temperature in kelvin, all else in per cent."""
    if alert["change_pct"] is None:
        return f"{alert['change_k']:+.1f} K"
    return f"{alert['change_pct']:+.0f} %"


def _say(alerts: list[dict[str, Any]], n_nights: int) -> None:
    if not alerts:
        say(f"no alert in {counted(n_nights, 'night')}")
        return
    rows = [("NIGHT AFTER", "PATH", "PART", "CHANGE", "SINCE", "STATE", "CAUSE")]
    for one in alerts:
        onset = (one["onset"] or "")[:10]
        rows.append(
            (
                one["night"],
                one["source"],
                one["part"],
                _change(one),
                onset,
                one["state"],
                one["cause"] + (f", {one['shape']}" if one["shape"] else ""),
            )
        )
    for line in columns(rows):
        say(line)
    say(f"{counted(len(alerts), 'alert')} in {counted(n_nights, 'night')}")
