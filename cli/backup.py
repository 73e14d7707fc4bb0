"""``heatdrift backup``: a verified copy of the database."""

from __future__ import annotations

import time
from pathlib import Path

import click

from ..store.database import open_reader
from ..store.keeping import backup
from .options import settings_options
from .settings import Settings
from .speech import say
from .wording import size_text

EPILOG = """\b
Example:
  heatdrift backup /media/usb/heatdrift
"""


@click.command("backup", epilog=EPILOG)
@click.argument("folder", type=click.Path(path_type=Path, file_okay=False))
@click.option(
    "--keep", type=click.IntRange(1, 1000), default=3, show_default=True, help="How many copies stay there."
)
@settings_options
def command(settings: Settings, folder: Path, keep: int) -> None:
    """Copy the database into FOLDER while the service runs, and verify the copy.

    Only copies that heatdrift made are ever removed.
    """
    database = open_reader(settings.database)
    try:
        path = backup(database, folder, time.time_ns() // 1_000_000, keep=keep)
    finally:
        database.close()
    say(f"{path}  {size_text(path.stat().st_size)}, verified")
