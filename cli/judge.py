"""``heatdrift judge``: what the service does every night: judge, keep the verdicts, tell the owner."""

from __future__ import annotations

import math
import time
from dataclasses import MISSING, dataclass, fields
from typing import Any, TypeGuard

import click

from ..reports.evidence_words import sentence
from ..reports.judgement import Judge, Verdict
from ..reports.reference_conditions import ReferenceConditions
from ..reports.remeasure import Stretch
from ..reports.verdict_document import stored, verdict_document
from ..store.packing import DAY_MS, day_of
from ..store.verdicts import VerdictBook
from .history import History, open_history
from .nightly_messages import nightly_messages
from .options import exit_code_option, json_option, machine_option, settings_options
from .settings import Settings
from .speech import say, say_json
from .tables import WIDTH, wrap
from .verdict import exit_code
from .wording import counted

KEEPS_STRETCH_DAYS = 7.0
STRETCH = [spec.name for spec in fields(Stretch)]
LEAST_OF_STRETCH = [spec.name for spec in fields(Stretch) if spec.default is MISSING]
EPILOG = """\b
Example:
  heatdrift judge
"""


@click.command("judge", epilog=EPILOG)
@json_option
@exit_code_option()
@machine_option
@settings_options
@click.pass_context
def command(
    ctx: click.Context, *, settings: Settings, machine: str | None, as_json: bool, wants_exit_code: bool
) -> None:
    """Judge all finished days, keep the verdict of each heat path, and write what the owner should hear.

    The service does this once a day; messages then go out on the channels of the settings. Judging the same
    day again changes nothing and tells nothing twice.
    """
    conditions = ReferenceConditions(**settings.sections["reference"])
    with open_history(settings, machine) as history:
        night = judge_night(history, conditions, time.time_ns() // 1_000_000)
    if as_json:
        verdicts = [verdict_document(one) for one in night.verdicts]
        say_json({"day": night.day, "verdicts": verdicts, "messages": night.messages})
    else:
        _say(night)
    if wants_exit_code:
        ctx.exit(exit_code(night.verdicts))


@dataclass(frozen=True, slots=True, eq=False)
class JudgedNight:
    """The last finished day, what is known after it, and what was queued for the owner.

    ``day`` is None while the first day is still going on.
    """

    day: str | None
    verdicts: list[Verdict]
    messages: list[dict[str, Any]]


def judge_night(history: History, conditions: ReferenceConditions, now_utc_ms: int) -> JudgedNight:
    """Judge all days that are finished, keep the verdicts and queue what the owner should hear.

    Parameters
    ----------
    history
        Of the machine.
    conditions
        Room and power at which temperatures are quoted.
    now_utc_ms
        The moment [ms since 1970].

    Raises
    ------
    StoreError
        Nothing was recorded yet.
    """
    derivation = history.update()
    span = history.reader.span_utc_ms()
    assert span is not None  # the update refuses an empty record
    # A day that is still going on is judged tomorrow; of a record that ended long ago the last day counts.
    until_utc_ms = min(now_utc_ms // DAY_MS, span[1] // DAY_MS + 1) * DAY_MS
    if until_utc_ms <= span[0]:
        return JudgedNight(None, [], [])
    book = VerdictBook(history.writing, history.reader.machine_id)
    judge = Judge(history.reader, history.derived, derivation, KEEPS_STRETCH_DAYS)
    judge.stretches |= _kept_stretches(book)
    verdicts = judge.verdicts(until_utc_ms)
    messages = nightly_messages(history, judge, verdicts, until_utc_ms, conditions)
    day = day_of(until_utc_ms - 1).isoformat()
    book.put(
        [
            stored(one, day, _recipe(one), judge.stretches.get((one.source, one.era.from_utc_ms)))
            for one in verdicts
        ]
    )
    return JudgedNight(day, verdicts, messages)


def _kept_stretches(book: VerdictBook) -> dict[tuple[str, int], Stretch]:
    """What was measured on earlier nights, so that it need not be done in each."""
    kept = {}
    for source, past in book.newest().items():
        stretch, era = past.document().get("stretch"), past.recipe.partition("/")[0]
        if era.isdecimal() and _is_stretch(stretch):
            kept[source, int(era)] = Stretch(**stretch)
    return kept


def _is_stretch(document: Any) -> TypeGuard[dict[str, Any]]:
    """Whether a stretch can be made of it: what cannot be read is measured anew."""
    if not isinstance(document, dict) or not {*LEAST_OF_STRETCH} <= set(document) <= {*STRETCH}:
        return False
    return all(isinstance(value, int | float) and math.isfinite(value) for value in document.values())


def _recipe(one: Verdict) -> str:
    return "" if one.model is None else f"{one.era.from_utc_ms}/{one.model.n_days}"


def _say(night: JudgedNight) -> None:
    if night.day is None:
        say("no day is over yet: a day ends at midnight UTC")
        return
    say(f"judged up to {night.day}")
    for one in night.verdicts:
        for line in wrap(sentence(one), WIDTH):
            say(line)
    for message in night.messages:
        for line in wrap(f"told: {message['subject']}", WIDTH):
            say(line)
    if not night.messages:
        say(f"nothing new to tell of {counted(len(night.verdicts), 'heat path')}")
