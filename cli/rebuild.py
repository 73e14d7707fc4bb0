"""``heatdrift rebuild``: everything that is derived from the record, made again."""

from __future__ import annotations

import click

from .history import open_history
from .options import machine_option, settings_options
from .settings import Settings
from .speech import say
from .wording import counted

EPILOG = """\b
Example:
  heatdrift rebuild
"""


@click.command("rebuild", epilog=EPILOG)
@machine_option
@settings_options
def command(*, settings: Settings, machine: str | None) -> None:
    """Make load steps, settled windows and fits again from the raw record.

    The raw record is not touched, and the numbers are the same as before; needed only where derived rows were
    damaged or doubted.
    """
    with open_history(settings, machine) as history:
        history.derived.forget()
        done = history.update()
    eras = counted(sum(len(models) for models in done.models.values()), "era")
    say(f"made again: {counted(done.n_days, 'day')} of sources, {eras}")
