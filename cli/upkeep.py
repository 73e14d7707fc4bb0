"""``heatdrift upkeep``: the nightly work, done by a child of the service or by hand."""

from __future__ import annotations

import contextlib
import os
import time
from pathlib import Path

import click

from ..store.database import open_reader, open_writer
from ..store.errors import EXIT_DAMAGED, SchemaOutdatedError
from ..store.keeping import UpkeepResult, upkeep, usual_backup
from ..store.migrations import upgrade
from ..store.schema import REVISIONS
from . import repairing
from .identity import identity
from .options import json_option, settings_options
from .pulse import refuse_beside_a_recorder
from .settings import Settings
from .speech import complain, say, say_json
from .wiring import upkeep_settings
from .wording import size_text

EXIT_WARNINGS = 1
EPILOG = """\b
Example:
  heatdrift upkeep
"""


@click.command("upkeep", epilog=EPILOG)
@click.option(
    "--repair",
    "wants_repair",
    is_flag=True,
    help="Only repair the database: set a damaged file aside, bring back the newest good backup and all "
    "that can still be read.",
)
@json_option
@settings_options
@click.pass_context
def command(ctx: click.Context, *, settings: Settings, as_json: bool, wants_repair: bool) -> None:
    """Do the nightly work now: seal finished days, give back room, back up, check.

    It also brings the tables of an earlier heatdrift up to date, after a backup. The service does all this
    by itself once a day. Exit status 1 means that something of it failed and all else was done, 3 that the
    database is damaged.
    """
    now_utc_ms = time.time_ns() // 1_000_000
    if wants_repair:
        refuse_beside_a_recorder(settings.database, identity(settings), os.getppid())
        for line in repairing.as_lines(repairing.repaired(settings, now_utc_ms)):
            say(line)
        return
    with contextlib.suppress(SchemaOutdatedError):  # that is what the upgrade is for
        open_reader(settings.database).close()  # else there would be a new, empty one
    # The recorder lays its pen down for its own child alone.
    refuse_beside_a_recorder(settings.database, identity(settings), os.getppid())
    keeping = upkeep_settings(settings)
    copies: list[Path | None] = []
    before = upgrade(settings.database, lambda older: copies.append(usual_backup(older, keeping, now_utc_ms)))
    if copies == [None]:
        complain(
            "the tables of the server were changed without a copy: keeping.backup_folder names no folder"
        )
    database = open_writer(settings.database, may_make=False)
    try:
        result = upkeep(database, keeping, now_utc_ms, copies[0] if copies else None)
    finally:
        database.close()
    if as_json:
        say_json(as_document(result, before))
    else:
        for line in as_lines(result, before):
            say(line)
    for warning in result.warnings:
        complain(warning)
    ctx.exit(EXIT_DAMAGED if result.is_damaged else EXIT_WARNINGS if result.warnings else 0)


def as_lines(result: UpkeepResult, before: str | None) -> list[str]:
    """What was done, one line each."""
    lines = []
    if before is not None and before != REVISIONS[-1]:
        lines.append(f"tables    brought from {before} to {REVISIONS[-1]}")
    lines.append(
        f"sealed    {result.sealed.n_tables} days, {result.sealed.n_rows:,} rows"
        if result.sealed.n_tables
        else "sealed    nothing: no day is old enough"
    )
    if result.merged.n_tables:
        lines.append(f"merged    {result.merged.n_tables} weeks, {result.merged.n_rows:,} rows")
    if result.reclaimed_bytes:
        lines.append(f"returned  {size_text(result.reclaimed_bytes)} to the disk")
    lines.append(f"backup    {result.backup}" if result.backup else "backup    not due")
    lines.append("checked   all is readable" if result.was_checked else "checked   not due")
    return lines


def as_document(result: UpkeepResult, before: str | None) -> dict[str, object]:
    """What was done, for programs."""
    return {
        "schema_before": before,
        "schema_now": REVISIONS[-1],
        "sealed_tables": result.sealed.n_tables,
        "sealed_rows": result.sealed.n_rows,
        "merged_tables": result.merged.n_tables,
        "merged_rows": result.merged.n_rows,
        "reclaimed_bytes": result.reclaimed_bytes,
        "backup": str(result.backup) if result.backup else None,
        "checked": result.was_checked,
        "warnings": list(result.warnings),
    }
