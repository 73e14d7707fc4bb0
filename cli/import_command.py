"""``heatdrift import``: what was recorded elsewhere, brought into the record."""

from __future__ import annotations

import socket
import time
import uuid
from functools import partial
from pathlib import Path

import click
from rich.markup import escape
from rich.progress import Progress, TaskID

from ..store.database import Database, open_writer
from ..store.errors import SettingsError
from ..store.import_mapping import load_mapping
from ..store.importing import ImportResult, check_table, import_table
from ..store.machines import MachineEntry, machines
from ..store.plain_text import plain
from ..store.writer import Writer
from .export import progress_bar
from .identity import identity
from .options import json_option, settings_options
from .places import APPLICATION
from .settings import Settings
from .speech import complain, mention, say, say_json
from .wiring import upkeep_settings
from .wording import counted, moment_text, rfc3339

EXIT_LEFT_OUT = 1
EPILOG = """\b
Example:
  heatdrift import 2024.csv 2025.parquet
  heatdrift import log.csv --mapping log.toml --machine desk

\b
The exchange table has a column "time" (RFC 3339, or seconds since 1970) and
any of these, such as gpu0.power_w, ambient.temperature_c or fan1.speed_rpm:
  sources  temperature_c, hotspot_temperature_c, memory_temperature_c,
           power_w, clock_mhz, memory_clock_mhz, utilization_pct,
           memory_utilization_pct
  probes   temperature_c
  fans     speed_rpm

\b
A mapping file, in TOML, for any other table (ours = scale x theirs + offset):
  [columns]
  "GPU temperature [F]" = {to = "gpu0.temperature_c", unit = "f"}
  "GPU power (mW)" = {to = "gpu0.power_w", scale = 0.001}
  [time]
  columns = ["Date", "Time"]
  format = "%d.%m.%Y %H:%M:%S"
  zone = "Europe/Berlin"
  [file]
  delimiter = ";"
  decimal = ","
  encoding = "cp1252"
  missing = ["N/A"]
"""


@click.command("import", epilog=EPILOG)
@click.argument(
    "files", nargs=-1, required=True, metavar="FILE...", type=click.Path(path_type=Path, dir_okay=False)
)
@click.option(
    "--mapping",
    "mapping_file",
    metavar="FILE",
    type=click.Path(path_type=Path, dir_okay=False),
    help="What the columns of another program's table mean.",
)
@click.option(
    "--machine", metavar="NAME", help="Whose it is, by name or UUID; a new name makes a new machine."
)
@json_option
@settings_options
@click.pass_context
def command(
    ctx: click.Context,
    *,
    settings: Settings,
    files: tuple[Path, ...],
    mapping_file: Path | None,
    machine: str | None,
    as_json: bool,
) -> None:
    """Bring tables that were recorded elsewhere into the record, CSV or Parquet.

    Each moment of each source is kept once: the same file again changes nothing, and what is there is never
    changed. Bad rows are left out and named with their reason, the good ones kept; the exit status is then 1.
    """
    now_utc_ms = time.time_ns() // 1_000_000
    mapping = None if mapping_file is None else load_mapping(mapping_file)
    for file in files:
        if not file.is_file():
            raise SettingsError(f"there is no file {file}", remedy="name a CSV or Parquet file")
        check_table(file, mapping)  # so that nothing is made for a file that cannot be read
    # Beside a recorder only the recorder copies the WAL back into the file.
    database = open_writer(settings.database, keeps_checkpoints=False)
    results = []
    try:
        machine_id = chosen_machine(database, settings, machine, now_utc_ms)
        hot_days = upkeep_settings(settings).hot_days
        for file in files:
            with progress_bar() as bar:
                task = bar.add_task(escape(plain(file.name)), total=1.0)
                show = partial(show_share, bar, task)
                result = import_table(
                    database, machine_id, file, now_utc_ms, mapping, hot_days=hot_days, progress=show
                )
            results.append(result)
            if not as_json:
                say_result(result)
    finally:
        database.close()
    if as_json:
        say_json({"files": [as_document(result) for result in results]})
    ctx.exit(EXIT_LEFT_OUT if any(r.n_rows_left_out or r.n_cells_left_out for r in results) else 0)


def show_share(bar: Progress, task: TaskID, share: float) -> None:
    """Move a bar to the share that is done."""
    bar.update(task, completed=share)


def say_result(result: ImportResult) -> None:
    """What became of a file: the good on stdout, the bad on stderr."""
    for line in as_lines(result):
        say(line)
    say_what_was_left_out(result)


def chosen_machine(database: Database, settings: Settings, wanted: str | None, now_utc_ms: int) -> int:
    """Number of the machine that is meant: the one named, else this one, else the only one there is.

    Raises
    ------
    SettingsError
        There are several, and none was named.
    """
    known = machines(database)
    own = identity(settings)
    if wanted is not None:
        named = [entry for entry in known if wanted in (entry.uuid, entry.name)]
        if len(named) > 1:
            raise SettingsError(f"{wanted} is {_listed(named)}", remedy="name one by its UUID")
        if named:
            return named[0].number
        mention(f"{wanted} is a new machine in this record")
        return Writer(
            database, str(uuid.uuid5(APPLICATION, f"import {wanted}")), wanted, now_utc_ms
        ).machine_id
    mine = [entry for entry in known if entry.uuid == own] or known
    if len(mine) > 1:
        raise SettingsError(f"the record holds {_listed(mine)}", remedy="name one with --machine")
    if mine:
        return mine[0].number
    return Writer(database, own, settings.machine_name or socket.gethostname(), now_utc_ms).machine_id


def as_lines(result: ImportResult) -> list[str]:
    """What became of a file, for people."""
    done = result.shelved
    lines = [f"{result.path}  {counted(result.n_rows, 'row')} read"]
    if result.span_utc_ms:
        lines[0] += f", {moment_text(result.span_utc_ms[0])} to {moment_text(result.span_utc_ms[1])}"
    lines.append(f"  added      {counted(done.n_added, 'row')} of sources and probes")
    if done.n_completed:
        lines.append(f"  completed  {counted(done.n_completed, 'row')} with values that were not there")
    if done.n_already:
        lines.append(f"  there      {counted(done.n_already, 'row')} already")
    if done.n_conflicts:
        lines.append(f"  kept       {counted(done.n_conflicts, 'row')} as it was: the file says otherwise")
    if result.columns_ignored:
        lines.append(f"  not meant  {', '.join(result.columns_ignored)}")
    return lines


def as_document(result: ImportResult) -> dict[str, object]:
    """What became of a file, for programs."""
    done, span = result.shelved, result.span_utc_ms
    return {
        "file": str(result.path),
        "rows": result.n_rows,
        "from": rfc3339(span[0]) if span else None,
        "to": rfc3339(span[1]) if span else None,
        "added": done.n_added,
        "completed": done.n_completed,
        "already": done.n_already,
        "conflicts": done.n_conflicts,
        "rows_left_out": result.n_rows_left_out,
        "cells_left_out": result.n_cells_left_out,
        "reasons": dict(result.reasons),
        "first_left_out": [
            {"line": said.line, "column": said.column, "reason": said.reason} for said in result.complaints
        ],
        "columns": list(result.columns_taken),
        "columns_ignored": list(result.columns_ignored),
    }


def say_what_was_left_out(result: ImportResult) -> None:
    """The first bad rows and cells, line by line, and how many there are in all."""
    for said in result.complaints:
        mention(str(said))
    n_said = len(result.complaints)
    n_all = result.n_rows_left_out + result.n_cells_left_out
    if n_all > n_said:
        for reason, number in result.reasons:
            mention(f"{result.path}: {number:,} times: {reason}")
    if n_all:
        rows, cells = counted(result.n_rows_left_out, "row"), counted(result.n_cells_left_out, "cell")
        complain(f"{result.path}: left out {rows} and {cells} of other rows")


def _listed(entries: list[MachineEntry]) -> str:
    return ", ".join(f"{entry.name} ({entry.uuid})" for entry in entries)
