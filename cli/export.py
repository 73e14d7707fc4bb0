"""``heatdrift export``: the record as one table."""

from __future__ import annotations

from datetime import datetime
from pathlib import Path

import click
from rich.console import Console
from rich.progress import BarColumn, Progress, TextColumn, TimeRemainingColumn

from ..store.database import open_reader
from ..store.errors import SettingsError
from ..store.exchange import export_table
from ..store.reader import Reader
from .options import Moment, machine_option, settings_options
from .settings import Settings
from .speech import say
from .wording import size_text

EPILOG = """\b
Example:
  heatdrift export march.csv --from 2026-03-01 --to 2026-04-01
"""
FORMAT_OF = {".csv": "csv", ".parquet": "parquet"}


@click.command("export", epilog=EPILOG)
@click.argument("file", type=click.Path(path_type=Path, dir_okay=False))
@click.option("--from", "from_utc", type=Moment(), help="First moment, RFC 3339 or YYYY-MM-DD (UTC).")
@click.option("--to", "to_utc", type=Moment(), help="Up to this moment, which is left out.")
@click.option(
    "--format",
    "table_format",
    type=click.Choice(["csv", "parquet"]),
    help="What to write; else the ending of FILE decides.",
)
@machine_option
@settings_options
def command(
    *,
    settings: Settings,
    machine: str | None,
    file: Path,
    from_utc: datetime | None,
    to_utc: datetime | None,
    table_format: str | None,
) -> None:
    """Write the record to FILE as one table, CSV or Parquet.

    One row for each moment, one column for each quantity, such as gpu0.temperature_c; an empty cell was
    not had. FILE is replaced only when the new one is complete.
    """
    from_utc_ms, to_utc_ms = milliseconds(from_utc), milliseconds(to_utc)
    if from_utc_ms is not None and to_utc_ms is not None and from_utc_ms >= to_utc_ms:
        raise SettingsError("--from is not before --to", remedy="exchange them")
    chosen = table_format or FORMAT_OF.get(file.suffix.lower())
    if chosen is None:
        raise SettingsError(
            f"{file.name} does not say what to write", remedy="end it in .csv or .parquet, or add --format"
        )
    database = open_reader(settings.database)
    try:
        with progress_bar() as bar:
            task = bar.add_task("writing", total=1.0)
            n_rows = export_table(
                Reader(database, machine),
                file,
                "csv" if chosen == "csv" else "parquet",
                from_utc_ms,
                to_utc_ms,
                progress=lambda share: bar.update(task, completed=share),
            )
    finally:
        database.close()
    if not n_rows:
        say(f"{file}  no rows: nothing was recorded in that time")
    else:
        say(f"{file}  {n_rows:,} rows, {size_text(file.stat().st_size)}")


def milliseconds(moment: datetime | None) -> int | None:
    """A moment as UTC [ms since 1970]."""
    return None if moment is None else round(moment.timestamp() * 1000)


def progress_bar() -> Progress:
    """A bar on stderr, shown only to people."""
    console = Console(stderr=True)
    columns = (TextColumn("{task.description}"), BarColumn(bar_width=40), TimeRemainingColumn())
    return Progress(*columns, console=console, transient=True, disable=not console.is_terminal)
