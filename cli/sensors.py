"""``heatdrift sensors``: what can be read here, what it costs, and what is missing."""

from __future__ import annotations

import time

import click

from ..daemon.discovery import inventory
from . import wiring
from .fake_machine import Fake
from .options import fake_options, json_option, settings_options
from .run import settings_for
from .sensors_text import as_document, as_lines
from .settings import Settings
from .speech import say, say_json

BETWEEN_LOOKS_S = 1.0
EPILOG = """\b
Example:
  heatdrift sensors
"""


@click.command("sensors", epilog=EPILOG)
@fake_options
@json_option
@settings_options
def command(settings: Settings, fake: Fake | None, as_json: bool) -> None:
    """Show what can be read here, what one read costs, and what is missing.

    Looks twice, a second apart. Nothing is woken and nothing is written.
    """
    if fake is not None:
        settings = settings_for(fake, settings)
    now_utc_ms = time.time_ns() // 1_000_000
    with wiring.open_doors(fake, now_utc_ms) as doors:
        layout = wiring.layout_factory(doors, settings)()
        try:
            # What counts up (energy, time at a limit) has a value only from the second look on.
            inventory(layout)
            time.sleep(BETWEEN_LOOKS_S)
            found = inventory(layout)
            if as_json:
                say_json(as_document(found, layout))
            else:
                for line in as_lines(found, layout):
                    say(line)
        finally:
            layout.close()
