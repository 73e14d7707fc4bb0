"""``heatdrift journal``: what was done to the machine, so that before and after can be told apart."""

from __future__ import annotations

import time
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, replace
from difflib import get_close_matches
from pathlib import Path
from typing import Any

import click

from ..reports.power_history import power_scales, scale_at
from ..store.database import open_reader, open_writer
from ..store.errors import SettingsError
from ..store.journal import Journal
from ..store.journal_entry import NUMBERS, JournalEntry, check_entry, kind_of
from ..store.journal_file import TEXT_FIELDS, format_journal, load_journal, save_journal
from ..store.reader import Reader
from .journal_options import KINDS, entry_options, with_fields, without_fields
from .journal_text import advice_lines, as_documents, effect_lines, list_lines
from .options import json_option, machine_option, settings_options
from .settings import Settings
from .speech import mention, say, say_json
from .wording import counted

EPILOG = """\b
Example:
  heatdrift journal add shunt --source gpu0 --time 2026-03-01 \\
      --shunt-from-mohm 5 --shunt-to-mohm 4 --cost 12.50 --currency EUR
"""
LIST_EPILOG = "Example:\n  heatdrift journal list"
EDIT_EPILOG = "Example:\n  heatdrift journal edit 3 --note 'second try' --clear cost"
REMOVE_EPILOG = "Example:\n  heatdrift journal remove 3"
LOAD_EPILOG = "Example:\n  heatdrift journal load journal.toml"
SAVE_EPILOG = "Example:\n  heatdrift journal save journal.toml"
ADVICE_EPILOG = "Example:\n  heatdrift journal advice liquid_metal"
CLEARABLE = click.Choice([*TEXT_FIELDS, "cost", *NUMBERS])


@dataclass(frozen=True, slots=True)
class Open:
    """An open journal, and what its machine has."""

    journal: Journal
    sources: tuple[str, ...]


@click.group("journal", epilog=EPILOG)
def command() -> None:
    """Keep the journal: what was done to the machine, when, and what it cost.

    An entry opens a new era, so that before and after are compared and never mixed. One about a shunt or a
    calibration also says what the reported power means.
    """


@command.command("add", epilog=EPILOG)
@click.argument("kind", type=KINDS, metavar="KIND")
@entry_options
@machine_option
@settings_options
def add(settings: Settings, machine: str | None, kind: str, **fields: Any) -> None:
    """Note what was done, and say what it changes and risks.

    KIND is one of compound, liquid_metal, pads, heatsink_work, plating, cleaning, fan, shunt, power_limit,
    firmware, driver, position, calibration, other.
    """
    now_utc_ms = time.time_ns() // 1_000_000
    entry = with_fields(JournalEntry(now_utc_ms, kind_of(kind)), fields)
    with opened(settings, machine, can_write=True) as found:
        known = found.journal.entries()
        if entry in known:
            say("already there")
            return
        check(entry, found.sources, now_utc_ms)
        check_power([*known, entry])
        added = found.journal.add([entry], now_utc_ms)
        say(f"entry {added[0].entry_id}: {entry.name}")
        say_effects(entry, [*known, entry])
    say("\n" + "\n".join(advice_lines(entry.kind)))


@command.command("list", epilog=f"\b\n{LIST_EPILOG}")
@json_option
@machine_option
@settings_options
def list_(settings: Settings, machine: str | None, as_json: bool) -> None:
    """Show every entry, the oldest first."""
    with opened(settings, machine) as found:
        entries = found.journal.entries()
    if as_json:
        say_json(as_documents(entries))
        return
    for line in list_lines(entries):
        say(line)


@command.command("edit", epilog=f"\b\n{EDIT_EPILOG}")
@click.argument("number", type=int)
@click.option("--kind", type=KINDS, metavar="KIND", help="What was done.")
@click.option("--clear", multiple=True, type=CLEARABLE, metavar="FIELD", help="Empty this field.")
@entry_options
@machine_option
@settings_options
def edit(
    settings: Settings,
    machine: str | None,
    number: int,
    kind: str | None,
    clear: tuple[str, ...],
    **fields: Any,
) -> None:
    """Change fields of entry NUMBER; what is not named stays."""
    now_utc_ms = time.time_ns() // 1_000_000
    with opened(settings, machine, can_write=True) as found:
        old = found.journal.entry(number)
        entry = with_fields(without_fields(old, clear), fields)
        if kind is not None:
            entry = replace(entry, kind=kind_of(kind))
        others = [other for other in found.journal.entries() if other.entry_id != number]
        check(entry, found.sources, now_utc_ms)
        check_power([*others, entry])
        found.journal.change(number, entry, now_utc_ms)
    say(f"entry {number}: {entry.name}")
    say_effects(entry, [*others, entry])


@command.command("remove", epilog=f"\b\n{REMOVE_EPILOG}")
@click.argument("number", type=int)
@machine_option
@settings_options
def remove(settings: Settings, machine: str | None, number: int) -> None:
    """Take entry NUMBER out, and print it as `journal load` reads it."""
    with opened(settings, machine, can_write=True) as found:
        entry = found.journal.remove(number)
        left = found.journal.entries()
    say(format_journal([entry]), nl=False)
    try:
        check_power(left)
    except SettingsError as error:
        mention(f"what is left contradicts itself: {error}")


@command.command(
    "load", short_help="Add the entries of a file that are not there yet.", epilog=f"\b\n{LOAD_EPILOG}"
)
@click.argument("file", type=click.Path(path_type=Path, dir_okay=False))
@machine_option
@settings_options
def load(settings: Settings, machine: str | None, file: Path) -> None:
    """Add the entries of FILE that are not there yet: all of them or, where one is wrong, none."""
    now_utc_ms = time.time_ns() // 1_000_000
    entries = load_journal(file)
    with opened(settings, machine, can_write=True) as found:
        known = found.journal.entries()
        for number, entry in enumerate(entries, 1):
            try:
                check(entry, found.sources, now_utc_ms)
            except SettingsError as error:
                raise SettingsError(
                    f"{file}: entry {number}: {error.message}", remedy=error.remedy
                ) from error
        check_power([*known, *(entry for entry in entries if entry not in known)])
        added = found.journal.add(entries, now_utc_ms)
    there = len(entries) - len(added)
    say(f"{counted(len(added), 'new entry').replace('entrys', 'entries')}, {there:,} already there")


@command.command("save", epilog=f"\b\n{SAVE_EPILOG}")
@click.argument("file", type=click.Path(path_type=Path, dir_okay=False))
@machine_option
@settings_options
def save(settings: Settings, machine: str | None, file: Path) -> None:
    """Write every entry to FILE, which `journal load` reads back."""
    with opened(settings, machine) as found:
        entries = found.journal.entries()
    save_journal(entries, file)
    say(f"{file}  {len(entries):,} {'entry' if len(entries) == 1 else 'entries'}")


@command.command(
    "advice", short_help="Say what a kind of work risks, before it is begun.", epilog=f"\b\n{ADVICE_EPILOG}"
)
@click.argument("kind", type=KINDS, metavar="KIND")
def advice(kind: str) -> None:
    """Say what a KIND of work risks, before it is begun; see `journal add` for the kinds."""
    for line in advice_lines(kind_of(kind)):
        say(line)


@contextmanager
def opened(settings: Settings, machine: str | None, *, can_write: bool = False) -> Iterator[Open]:
    """The journal of a machine that has a record; beside a running service it writes and "
    "checkpoints nothing."""
    database = open_reader(settings.database)
    try:
        reader = Reader(database, machine)
        machine_id, sources = reader.machine_id, tuple(source.name for source in reader.sources())
        if not can_write:
            yield Open(Journal(database, machine_id), sources)
    finally:
        database.close()
    if can_write:
        database = open_writer(settings.database, keeps_checkpoints=False)
        try:
            yield Open(Journal(database, machine_id), sources)
        finally:
            database.close()


def check(entry: JournalEntry, sources: Sequence[str], now_utc_ms: int) -> None:
    """Refuse an entry that is wrong by itself, or speaks of a source that is not there."""
    check_entry(entry, now_utc_ms)
    if entry.source and sources and entry.source not in sources:
        near = get_close_matches(entry.source, sources, 1)
        remedy = f"did you mean {near[0]}?" if near else f"this machine has {', '.join(sources)}"
        raise SettingsError(f"no source is called {entry.source}", remedy=remedy)


def check_power(entries: Sequence[JournalEntry]) -> None:
    """Refuse a journal whose entries contradict each other about the power of a source."""
    for source in sorted({entry.source for entry in entries}):
        power_scales(entries, source)


def say_effects(entry: JournalEntry, entries: Sequence[JournalEntry]) -> None:
    """Print what an entry does to the figures."""
    scale = scale_at(power_scales(entries, entry.source), entry.at_utc_ms) if entry.source else None
    for line in effect_lines(entry, scale):
        say(line)
