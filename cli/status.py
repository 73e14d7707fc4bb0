"""``heatdrift status``: whether it records, and what."""

from __future__ import annotations

import time

import click

from ..store.database import open_reader
from ..store.latest import latest_probes, latest_samples
from ..store.summary import summary
from .options import json_option, machine_option, settings_options
from .pulse import pulse
from .settings import Settings
from .speech import say, say_json
from .status_text import Status, as_document, as_lines

EXIT_NOT_RECORDING = 2
EPILOG = """\b
Example:
  heatdrift status
"""


@click.command("status", epilog=EPILOG)
@machine_option
@json_option
@settings_options
@click.pass_context
def command(ctx: click.Context, settings: Settings, machine: str | None, as_json: bool) -> None:
    """Show whether it records, the last readings, gaps, size and its own cost.

    Exit status 0 while it records, 2 while it does not.
    """
    now_utc_ms = time.time_ns() // 1_000_000
    database = open_reader(settings.database)
    try:
        found = summary(database, now_utc_ms, machine)
        samples = latest_samples(database, found.machine_uuid)
        probes = latest_probes(database, found.machine_uuid)
        where = database.url_for_people
    finally:
        database.close()
    keeping = settings.sections["keeping"]
    status = Status(
        now_utc_ms,
        where,
        found,
        samples,
        probes,
        pulse(found.state, found.state_at_utc_ms, now_utc_ms),
        {"seal": 1.0, "backup": keeping["backup_period_days"], "check": keeping["check_period_days"]},
    )
    if as_json:
        say_json(as_document(status))
    else:
        for line in as_lines(status):
            say(line)
    ctx.exit(0 if status.heart.is_recording else EXIT_NOT_RECORDING)
