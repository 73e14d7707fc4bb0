"""How the command line speaks: errors and log on stderr, results on stdout."""

from __future__ import annotations

import json
import logging
import os
import sys
from collections.abc import Mapping

import click

LEVEL_PREFIX = {logging.DEBUG: "<7>", logging.INFO: "<6>", logging.WARNING: "<4>", logging.ERROR: "<3>"}


class JournalFormatter(logging.Formatter):
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
        handler.setFormatter(logging.Formatter("%(asctime)s %(levelname)s %(message)s", "%H:%M:%S"))
    logging.basicConfig(level=logging.DEBUG if verbose else logging.INFO, handlers=[handler], force=True)
    # Two lines for each run of a job would fill a year of log with nothing; the others tell of fonts.
    for library in ("apscheduler", "fontTools", "matplotlib"):
        logging.getLogger(library).setLevel(logging.WARNING)


def complain(message: str) -> None:
    """Say in one line on stderr what went wrong and what can be done."""
    click.echo(f"heatdrift: {' '.join(message.split())}", err=True)


def mention(message: str) -> None:
    """Say something useful on stderr, beside the log."""
    click.echo(f"heatdrift: {message}", err=True)


def say_json(value: object) -> None:
    """Print a result for programs."""
    click.echo(json.dumps(value, indent=2, ensure_ascii=False))
