"""``heatdrift status``: whether it records, and what."""

from __future__ import annotations

import time
from collections.abc import Mapping

import click

from ..store.database import open_reader
from ..store.errors import StoreError
from ..store.latest import latest_probes, latest_samples
from ..store.spool import Backlog
from ..store.summary import summary
from .identity import identity
from .options import json_option, machine_option, settings_options
from .pulse import pulse
from .server_side import found_waiting, fresher, state_of, waiting_text
from .settings import Settings
from .speech import complain, say, say_json
from .status_text import Status, as_document, as_lines
from .tables import labelled

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
    backlog = None
    try:
        backlog = found_waiting(settings.database, identity(settings))
    except StoreError as error:  # the service's own folder; its server may be read all the same
        complain(f"what waits here cannot be seen: {error}")
    try:
        database = open_reader(settings.database)
    except StoreError as error:
        if backlog is None:
            raise
        _tell_without_the_server(ctx, now_utc_ms, *backlog, error, as_json=as_json)
        return
    try:
        found = summary(database, now_utc_ms, machine)
        samples = latest_samples(database, found.machine_uuid)
        probes = latest_probes(database, found.machine_uuid)
        where = database.url_for_people
    finally:
        database.close()
    is_own = backlog is not None and found.machine_uuid == identity(settings)
    if backlog is not None and is_own:
        found = fresher(found, backlog[1])
    keeping = settings.sections["keeping"]
    status = Status(
        now_utc_ms,
        where,
        found,
        samples,
        probes,
        pulse(found.state, found.state_at_utc_ms, now_utc_ms),
        {"seal": 1.0, "backup": keeping["backup_period_days"], "check": keeping["check_period_days"]},
        waiting_text(*backlog) if backlog is not None and is_own else "",
    )
    if as_json:
        say_json(as_document(status))
    else:
        for line in as_lines(status):
            say(line)
    ctx.exit(0 if status.heart.is_recording else EXIT_NOT_RECORDING)


def _tell_without_the_server(
    ctx: click.Context,
    now_utc_ms: int,
    backlog: Backlog,
    known: Mapping[str, str],
    error: StoreError,
    *,
    as_json: bool,
) -> None:
    """What can be said where the server does not answer: that it records, and what waits here."""
    state, heard_utc_ms = state_of(known)
    heart = pulse(state, heard_utc_ms, now_utc_ms)
    waiting = waiting_text(backlog, known) or "nothing"
    if as_json:
        say_json(
            {
                "schema": "heatdrift-status/1",
                "recording": heart.is_recording,
                "recording_words": heart.words,
                "pid": heart.pid,
                "state": state,
                "waiting": waiting,
                "trouble": str(error),
            }
        )
    else:
        for name, words in (("recording", heart.words), ("trouble", str(error)), ("waiting", waiting)):
            for line in labelled(name, words):
                say(line)
    ctx.exit(0 if heart.is_recording else EXIT_NOT_RECORDING)
