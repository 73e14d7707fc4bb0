"""``heatdrift compare``: before and after a journal entry."""

from __future__ import annotations

import re
from collections.abc import Sequence
from pathlib import Path

import click

from ..reports.compare import Comparison, compare
from ..reports.eras import era_opened_by
from ..reports.reference_conditions import ReferenceConditions
from ..store.errors import SettingsError
from ..store.journal_entry import JournalEntry
from .compare_text import as_document, as_lines
from .fit import STANDARD_OUTPUT, write_json
from .history import open_history
from .options import json_file_option, machine_option, settings_options
from .report_writing import write_comparison
from .settings import Settings
from .speech import say
from .wording import moment_text

EPILOG = """\b
Example:
  heatdrift compare 3
  heatdrift compare 2026-03-01 --html repaste.html
"""
DATE = re.compile(r"\d{4}-\d{2}-\d{2}")


@click.command("compare", epilog=EPILOG)
@click.argument("entry")
@click.option(
    "--html",
    "html_file",
    metavar="FILE",
    type=click.Path(path_type=Path, dir_okay=False),
    help="Write it as one page to show around.",
)
@json_file_option("Write the figures")
@machine_option
@settings_options
def command(
    *, settings: Settings, machine: str | None, entry: str, html_file: Path | None, json_file: Path | None
) -> None:
    """Compare before and after ENTRY of the journal, like work with like, at equal power and room.

    ENTRY is a number from `heatdrift journal list`, or the day of the entry. The last thirty days with load
    before it are held against the first thirty after it, one day left out for the run-in.
    """
    with open_history(settings, machine) as history:
        chosen = find_entry(history.entries, entry)
        derivation = history.update()
        sources = [
            source
            for source, eras in derivation.eras.items()
            if chosen.source in ("", source) and (chosen.source or era_opened_by(eras, chosen))
        ]
        if not sources:
            raise SettingsError(
                f"the {chosen.name} resets nothing, or nothing was recorded after it",
                remedy="compare an entry that changes a heat path, and record after it",
            )
        conditions = ReferenceConditions(**settings.sections["reference"])
        found: list[Comparison] = []
        for source in sources:
            found.append(
                compare(history.reader, history.derived, derivation, chosen, source, conditions=conditions)
            )
        if html_file is not None:
            write_comparison(history, found, html_file)
    if json_file is not None:
        write_json(json_file, {"comparisons": [as_document(one) for one in found]})
    if json_file != STANDARD_OUTPUT:
        for number, one in enumerate(found):
            for line in ([""] if number else []) + as_lines(one):
                say(line)
        if html_file is not None:
            say(f"written: {html_file}")


def find_entry(entries: Sequence[JournalEntry], wanted: str) -> JournalEntry:
    """The entry that is meant, by number or day.

    Raises
    ------
    SettingsError
        There is none, or several on that day.
    """
    if DATE.fullmatch(wanted):
        found = [entry for entry in entries if moment_text(entry.at_utc_ms).startswith(wanted)]
    else:
        found = [entry for entry in entries if str(entry.entry_id) == wanted]
    if len(found) == 1:
        return found[0]
    if not found:
        raise SettingsError(f"the journal has no entry {wanted}", remedy="see `heatdrift journal list`")
    numbers = ", ".join(f"{entry.entry_id} ({entry.kind.value})" for entry in found)
    raise SettingsError(f"{wanted} has {len(found)} entries: {numbers}", remedy="give the number of one")
