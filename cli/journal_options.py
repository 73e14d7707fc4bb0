"""The fields of a journal entry as options of the command line."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from datetime import datetime
from decimal import Decimal, InvalidOperation
from typing import Any

import click

from ..store.journal_entry import NUMBERS, EntryKind, JournalEntry
from ..store.journal_file import TEXT_FIELDS, cost_milli
from .options import Moment

Command = Callable[..., Any]
KINDS = click.Choice([kind.value for kind in EntryKind])
TEXT_HELP = {
    "path": "Whose heat path, gpu0 say; without it the whole machine.",
    "interface": "Which joint of the path, in your own words.",
    "currency": "Of the cost, three letters, EUR say.",
    "note": "Anything worth knowing later.",
    "photo": "Where a photo of it lies.",
}


class Cost(click.ParamType[int]):
    """A cost, in thousandths."""

    name = "cost"

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> int:
        try:
            return value if isinstance(value, int) else cost_milli(Decimal(str(value)))
        except InvalidOperation:
            self.fail(f"{value!r} is no number; write 12.50", param, ctx)


def entry_options(command: Command) -> Command:
    """Add one option for each field of an entry but its kind, each None where not given."""
    for key, detail in reversed(NUMBERS.items()):
        kinds = sorted(kind.value for kind in detail.kinds)
        meaning = detail.meaning[0].upper() + detail.meaning[1:]
        help_text = f"{meaning}; for {', '.join(kinds)}."
        command = click.option(option_name(key), key, type=float, metavar="NUMBER", help=help_text)(command)
    command = click.option("--cost", type=Cost(), metavar="NUMBER", help="What it cost.")(command)
    for key in reversed(TEXT_FIELDS):
        names = ("--source", "--path") if key == "path" else (option_name(key),)
        command = click.option(*names, key, metavar="TEXT", help=TEXT_HELP[key])(command)
    return click.option("--time", type=Moment(), help="When, RFC 3339 or YYYY-MM-DD (UTC); else now.")(
        command
    )


def with_fields(entry: JournalEntry, fields: dict[str, Any]) -> JournalEntry:
    """The entry with every field that was given put in place."""
    numbers = {key: fields[key] for key in NUMBERS if fields.get(key) is not None}
    changes: dict[str, Any] = {
        name: fields[key] for key, name in TEXT_FIELDS.items() if fields.get(key) is not None
    }
    if fields.get("cost") is not None:
        changes["cost_milli"] = fields["cost"]
    if isinstance(fields.get("time"), datetime):
        changes["at_utc_ms"] = round(fields["time"].timestamp() * 1000)
    return replace(entry, numbers={**entry.numbers, **numbers}, **changes)


def without_fields(entry: JournalEntry, keys: tuple[str, ...]) -> JournalEntry:
    """The entry with some fields emptied."""
    changes: dict[str, Any] = {TEXT_FIELDS[key]: "" for key in keys if key in TEXT_FIELDS}
    if "cost" in keys:
        changes |= {"cost_milli": None, "currency": ""}
    kept = {key: value for key, value in entry.numbers.items() if key not in keys}
    return replace(entry, numbers=kept, **changes)


def option_name(key: str) -> str:
    """``shunt_to_mohm`` as it is typed."""
    return "--" + key.replace("_", "-")
