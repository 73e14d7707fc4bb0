"""``heatdrift verdict``: how each heat path stands now, in words."""

from __future__ import annotations

from collections.abc import Sequence

import click

from ..reports.evidence_words import evidence_of, sentence
from ..reports.judgement import Judge, Verdict
from ..reports.verdict_document import verdict_document
from .history import open_history
from .options import exit_code_option, json_option, machine_option, settings_options
from .settings import Settings
from .speech import say, say_json
from .tables import WIDTH, wrap

EXIT_DRIFT = 1
EPILOG = """\b
Example:
  heatdrift verdict
  heatdrift verdict --exit-code || echo "something has changed"
"""


@click.command("verdict", epilog=EPILOG)
@json_option
@exit_code_option()
@machine_option
@settings_options
@click.pass_context
def command(
    ctx: click.Context, *, settings: Settings, machine: str | None, as_json: bool, wants_exit_code: bool
) -> None:
    """Say how each heat path stands now: what changed, by how much, since when, and why most likely.

    Below each sentence stands what it rests on, and which other causes were ruled out.
    """
    with open_history(settings, machine) as history:
        derivation = history.update()
        verdicts = Judge(history.reader, history.derived, derivation).verdicts()
    if as_json:
        say_json({"verdicts": [verdict_document(one) for one in verdicts]})
    else:
        _say(verdicts)
    if wants_exit_code:
        ctx.exit(exit_code(verdicts))


def exit_code(verdicts: Sequence[Verdict]) -> int:
    """Status of a command that was asked for one: 1 where a heat path does not hold."""
    return EXIT_DRIFT if any(one.state != "holding" for one in verdicts) else 0


def _say(verdicts: Sequence[Verdict]) -> None:
    for verdict in verdicts:
        for line in wrap(sentence(verdict), WIDTH):
            say(line)
        excluded = verdict.blame.excluded if verdict.blame else ()
        for text in (*evidence_of(verdict), *(f"not {said}" for said in excluded)):
            first, *more = wrap(text, WIDTH - 4)
            say(f"  - {first}")
            for line in more:
                say(f"    {line}")
