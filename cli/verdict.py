"""``heatdrift verdict``: how each heat path stands now, in words."""

from __future__ import annotations

import click

from ..reports.evidence_words import evidence_of, sentence
from ..reports.judgement import Judge
from .history import open_history
from .options import machine_option, settings_options
from .settings import Settings
from .tables import WIDTH, wrap

EPILOG = """\b
Example:
  heatdrift verdict
"""


@click.command("verdict", epilog=EPILOG)
@machine_option
@settings_options
def command(*, settings: Settings, machine: str | None) -> None:
    """Say how each heat path stands now: what changed, by how much, since when, and why most likely.

    Below each sentence stands what it rests on, and which other causes were ruled out.
    """
    with open_history(settings, machine) as history:
        derivation = history.update()
        verdicts = Judge(history.reader, history.derived, derivation).verdicts()
    for verdict in verdicts:
        for line in wrap(sentence(verdict), WIDTH):
            click.echo(line)
        excluded = verdict.blame.excluded if verdict.blame else ()
        for text in (*evidence_of(verdict), *(f"not {said}" for said in excluded)):
            first, *more = wrap(text, WIDTH - 4)
            click.echo(f"  - {first}")
            for line in more:
                click.echo(f"    {line}")
