"""How the command line speaks: errors and log on stderr, results on stdout."""

from __future__ import annotations

import json
import logging
import os
import sys
from collections.abc import Mapping

import click

from ..store.plain_text import escaped, plain

LONGEST_COMPLAINT = 2000  # a line that a person may still read; a name in it may be longer than any line
LEVEL_PREFIX = {logging.DEBUG: "<7>", logging.INFO: "<6>", logging.WARNING: "<4>", logging.ERROR: "<3>"}


class PlainFormatter(logging.Formatter):
    """For a terminal, which must not obey what stands in a message."""

    def format(self, record: logging.LogRecord) -> str:
        return plain(super().format(record))


class JournalFormatter(PlainFormatter):
    """For the system journal, which adds the time itself and reads the level from a prefix."""

    def format(self, record: logging.LogRecord) -> str:
        prefix = LEVEL_PREFIX.get(record.levelno, "<6>")
        return "\n".join(prefix + line for line in super().format(record).splitlines())


def configure_logging(verbose: bool, environment: Mapping[str, str] = os.environ) -> None:
    """Send the log to stderr; the one place in heatdrift that configures it.

    Parameters
    ----------
    verbose
        Also what only helps to find a fault.
    environment
        ``JOURNAL_STREAM`` tells that stderr is the system journal.
    """
    handler = logging.StreamHandler(sys.stderr)
    if "JOURNAL_STREAM" in environment and not sys.stderr.isatty():
        handler.setFormatter(JournalFormatter("%(message)s"))
    else:
        handler.setFormatter(PlainFormatter("%(asctime)s %(levelname)s %(message)s", "%H:%M:%S"))
    logging.basicConfig(level=logging.DEBUG if verbose else logging.INFO, handlers=[handler], force=True)
    # Two lines for each run of a job would fill a year of log with nothing; the others tell of fonts.
    for library in ("apscheduler", "fontTools", "matplotlib"):
        logging.getLogger(library).setLevel(logging.WARNING)


def say(text: str, *, nl: bool = True) -> None:
    """Print a result for people."""
    click.echo(plain(text), nl=nl)


def say_document(text: str) -> None:
    """Print a whole document as it stands, to be kept or read by programs."""
    click.echo(text, nl=not text.endswith("\n"))


def complain(message: str) -> None:
    """Say in one line on stderr what went wrong and what can be done."""
    line = " ".join(message.split())
    if len(line) > LONGEST_COMPLAINT:  # what is wrong stands in front, what to do at the end
        half = LONGEST_COMPLAINT // 2
        line = f"{line[:half]} ... {line[-half:]}"
    click.echo(f"heatdrift: {plain(line)}", err=True)


def mention(message: str) -> None:
    """Say something useful on stderr, beside the log."""
    click.echo(f"heatdrift: {plain(message)}", err=True)


def json_text(value: object) -> str:
    """A result as JSON, with nothing in it that a terminal would obey."""
    return escaped(json.dumps(value, indent=2, ensure_ascii=False))


def say_json(value: object) -> None:
    """Print a result for programs."""
    click.echo(json_text(value))
