"""The ``heatdrift`` command: one module for each subcommand, imported when it is asked for."""

from __future__ import annotations

import gc
import os
import sys
from collections.abc import Iterator, MutableMapping
from contextlib import contextmanager
from importlib import import_module
from typing import IO, Any

import click

from .. import __version__
from ..daemon.signals import end_with_parent
from ..store.errors import EXIT_DAMAGED, DamagedDataError, HeatdriftError
from .speech import complain, configure_logging

EXIT_ERROR = 2
SELDOM = 50_000  # new objects between two searches for garbage
EXIT_INTERRUPTED = 130  # 128 + SIGINT, as a shell expects

# Help lines stand here, so that `heatdrift --help` needs to import no subcommand.
SUBCOMMANDS: dict[str, tuple[str, str]] = {
    "demo": ("demo", "Show on an invented laptop what it finds, in about a minute."),
    "sensors": ("sensors", "Show what can be read here, and what is missing."),
    "settings": ("settings_command", "Show the settings in force and where each came from."),
    "run": ("run", "Record in the foreground until stopped."),
    "service": ("service", "Show, install or remove the background service."),
    "status": ("status", "Show whether it records, and what."),
    "doctor": ("doctor", "Check that all is in place, and say what to do where it is not."),
    "export": ("export", "Write the record as one table, CSV or Parquet."),
    "import": ("import_command", "Bring in tables that were recorded elsewhere."),
    "backup": ("backup", "Make a verified copy of the database."),
    "journal": ("journal", "Keep what was done to the machine, and what it cost."),
    "messages": ("messages", "Show and send the messages to the owner, and try the channels."),
    "fit": ("fit", "Show the two resistances of each heat path, era by era."),
    "compare": ("compare", "Compare before and after something that was done."),
    "judge": ("judge", "Do the nightly judgement now: verdicts kept, messages written."),
    "backtest": ("backtest", "Show which alerts the past would have raised, night by night."),
    "verdict": ("verdict", "Say how each heat path stands now, and why."),
    "report": ("report", "Report on a month or any period, as a page or a table."),
    "trial": ("trial", "Try heatdrift on invented machines with hidden faults."),
    "rebuild": ("rebuild", "Make everything derived again from the raw record."),
    "upkeep": ("upkeep", "Do the nightly work now: seal, back up, check."),
}

DRAWING = frozenset({"report", "compare", "demo"})
EPILOG = """\b
Example:
  heatdrift demo    (a whole life of an invented laptop, in about a minute)

\b
Completion of commands and options:
  bash   eval "$(_HEATDRIFT_COMPLETE=bash_source heatdrift)"
  zsh    eval "$(_HEATDRIFT_COMPLETE=zsh_source heatdrift)"
  fish   _HEATDRIFT_COMPLETE=fish_source heatdrift | source
"""


class Refusal(click.ClickException):
    """One of our own errors on its way out: one line, exit status 2."""

    exit_code = EXIT_ERROR

    def show(self, file: IO[Any] | None = None) -> None:
        complain(self.message)


class DamageRefusal(Refusal):
    """The database is damaged, which the service answers with a repair."""

    exit_code = EXIT_DAMAGED


class LazyGroup(click.Group):
    """A group that knows its subcommands by name and loads one only to run it or to show its help."""

    def list_commands(self, ctx: click.Context) -> list[str]:
        return list(SUBCOMMANDS)

    def get_command(self, ctx: click.Context, cmd_name: str) -> click.Command | None:
        if cmd_name not in SUBCOMMANDS:
            return None
        if cmd_name in DRAWING:
            place_font_cache(os.environ)
        # pyarrow, which most other commands load, cannot do without TLS; the service collects its garbage.
        with without_tls() if cmd_name == "run" else without_collection():
            module = import_module(f".{SUBCOMMANDS[cmd_name][0]}", __package__)
        command: click.Command = module.command
        return command

    def invoke(self, ctx: click.Context) -> Any:
        try:
            return super().invoke(ctx)
        except HeatdriftError as error:
            kind = DamageRefusal if isinstance(error, DamagedDataError) else Refusal
            raise kind(str(error)) from error

    def format_commands(self, ctx: click.Context, formatter: click.HelpFormatter) -> None:
        with formatter.section("Commands"):
            formatter.write_dl([(name, line) for name, (_, line) in SUBCOMMANDS.items()])


@click.group(cls=LazyGroup, epilog=EPILOG, context_settings={"help_option_names": ["-h", "--help"]})
@click.version_option(__version__, "-V", "--version", prog_name="heatdrift", message="%(prog)s %(version)s")
@click.option("-v", "--verbose", is_flag=True, help="Say more on stderr about what is going on.")
def heatdrift(verbose: bool) -> None:
    """Record how well this computer is cooled, for years, without disturbing it.

    heatdrift only reads sensors; it never sets a fan, a clock or a limit.
    """
    configure_logging(verbose)


def place_font_cache(environment: MutableMapping[str, str]) -> None:
    """Let the drawing library keep its list of fonts where the service may write.

    Its user has no home: the library would build the list anew each time, and complain.
    """
    state = environment.get("STATE_DIRECTORY", "").split(":")[0]
    if state:
        environment.setdefault("MPLCONFIGDIR", os.path.join(state, "matplotlib"))  # noqa: PTH118 - a string


@contextmanager
def without_tls() -> Iterator[None]:
    """Import as if Python had been built without ``ssl``, for the length of the block.

    The scheduler and the database library import asyncio, which nobody here uses, and that loads TLS where it
    finds it: 3.5 MB of the service's 39.
    """
    if "ssl" in sys.modules:
        yield
        return
    sys.modules["ssl"] = None  # type: ignore[assignment]
    try:
        yield
    finally:
        del sys.modules["ssl"]


@contextmanager
def without_collection() -> Iterator[None]:
    """Import without looking for garbage: modules stay, and the search costs a fifth of a second.

    What was imported is never looked through again, and what a command makes not as often as Python would: it
    lives for some seconds, and a report makes a hundred thousand small things that all stay.
    """
    gc.disable()
    try:
        yield
    finally:
        gc.freeze()
        gc.set_threshold(SELDOM)
        gc.enable()


def main() -> None:
    """Run the command line; whatever goes wrong on purpose becomes one line on stderr and an exit status."""
    end_with_parent(os.environ)
    try:
        status = heatdrift.main(prog_name="heatdrift", standalone_mode=False)
    except click.UsageError as error:
        command = error.ctx.command_path if error.ctx else "heatdrift"
        complain(f"{error.format_message().rstrip('.')}: see `{command} --help`")
        status = error.exit_code
    except click.ClickException as error:
        error.show()
        status = error.exit_code
    except (click.Abort, KeyboardInterrupt):
        complain("stopped")
        status = EXIT_INTERRUPTED
    except BrokenPipeError:  # whoever read our output has seen enough
        # What is still buffered must not complain once more at exit.
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        status = 0
    sys.exit(status if isinstance(status, int) else 0)
