"""``heatdrift demo``: seven months of a machine that does not exist, judged like any other."""

from __future__ import annotations

import logging
from collections.abc import Iterable, Iterator, Sequence
from contextlib import contextmanager, suppress
from dataclasses import dataclass
from pathlib import Path

import click

from ..fake_sensors.demo_history import record_demo
from ..fake_sensors.demo_machine import SOURCE, Scenario, scenario
from ..reports.compare import Comparison, compare
from ..reports.derivation import Derivation
from ..reports.judgement import Judge
from ..reports.reference_conditions import ReferenceConditions
from ..reports.verdict_outlook import MONTH_MS
from ..store.database import open_writer
from ..store.errors import SettingsError, StoreError
from ..store.packing import DAY_MS
from . import run, status
from .demo_text import Alert, Told, demo_lines
from .export import progress_bar
from .fit import write_json
from .history import History, open_history
from .judge import judge_night
from .report_making import MadeReport, make_report
from .report_writing import write_comparison, write_report
from .settings import Settings, load
from .speech import say

RECORD_NAME, REPORT_NAME, TRUTH_NAME, LIVE_NAME = "record.sqlite", "report.json", "truth.json", "live.sqlite"
PAGE_NAME, WORK_NAME = "report.html", "before-and-after.html"
OF_DEMONSTRATION = (RECORD_NAME, REPORT_NAME, PAGE_NAME, WORK_NAME, TRUTH_NAME)
SETTINGS_NAME = "settings.toml"  # stays empty: the owner's own settings have no say here
MARK_NAME = "about.txt"
MARK = "Made by `heatdrift demo`: a machine that does not exist. It may be deleted, or made again.\n"
SQLITE_TAILS = ("", "-wal", "-shm", "-journal")
WEEK = 7
LIVE_SPEED, LIVE_S = 60.0, 600.0
EPILOG = """\b
Example:
  heatdrift demo
"""


@click.command("demo", epilog=EPILOG)
@click.option(
    "--to",
    "folder",
    metavar="DIR",
    type=click.Path(path_type=Path),
    default=Path("heatdrift-demo"),
    show_default=True,
    help="Where record and report go.",
)
@click.option("--live", is_flag=True, help="Watch the service at work instead, time sixty times as fast.")
@click.pass_context
def command(ctx: click.Context, *, folder: Path, live: bool) -> None:
    """Show on an invented laptop what heatdrift finds: a gain that is proven, and a fault that creeps.

    Seven months of its evenings go through cadence, store, journal and nightly judgement like those of a real
    one. Your own settings and records are not touched. It takes about a minute.
    """
    prepare(folder, (LIVE_NAME,) if live else OF_DEMONSTRATION)
    if live:
        _live(ctx, folder)
        return
    for line in demonstrate(scenario(), folder):
        say(line)


def demonstrate(life: Scenario, folder: Path) -> list[str]:
    """Record, judge and report a life into a folder from `prepare`; what is to be printed.

    Parameters
    ----------
    life
        The machine and what becomes of it.
    folder
        For the record and the report.
    """
    record = folder / RECORD_NAME
    with _quiet_store(), progress_bar() as bar:
        task = bar.add_task("recording its evenings", total=life.days)
        record_demo(life, record, lambda done, of: bar.update(task, completed=done, total=of))
    write_json(folder / TRUTH_NAME, life.truth_document())
    settings = private_settings(folder)
    with open_history(settings, None) as opened:
        known = Known(opened.reader, opened.writing, opened.derived, opened.entries, opened.update())
        conditions = ReferenceConditions(**settings.sections["reference"])
        alerts = judge_nights(known, life, conditions)
        with progress_bar() as bar:
            bar.add_task("drawing the report", total=None)
            made, work = report_of(known, life, conditions)
            pages = write_pages(made, list(work.values()), folder)
    return demo_lines(Told(made, work[SOURCE], tuple(alerts)), life, pages, record)


@dataclass(frozen=True, slots=True, eq=False)
class Known(History):
    """A history that is over: what is derived from it will not change any more."""

    derivation: Derivation

    def update(self) -> Derivation:
        """What was derived once."""
        return self.derivation


def report_of(
    history: Known, life: Scenario, conditions: ReferenceConditions
) -> tuple[MadeReport, dict[str, Comparison]]:
    """The report of the last month, and by source what the work on the machine did."""
    derivation = history.derivation
    span = max(life.start_utc_ms, life.end_utc_ms - MONTH_MS), life.end_utc_ms
    made = make_report(history, derivation, conditions, span, is_open_ended=True)
    first = history.entries[0]
    return made, {
        source: compare(history.reader, history.derived, derivation, first, source, conditions=conditions)
        for source in derivation.eras
    }


def judge_nights(history: Known, life: Scenario, conditions: ReferenceConditions) -> list[Alert]:
    """Judge as the service does in its nights; what the owner would have been told."""
    alerts: list[Alert] = []
    with progress_bar() as bar:
        task = bar.add_task("judging its nights", total=life.days)
        for day in nights_worth_judging(history, life):
            night = judge_night(history, conditions, life.start_utc_ms + (day + 1) * DAY_MS)
            alerts += [Alert(str(night.day), message["subject"]) for message in night.messages]
            bar.update(task, completed=day + 1)
    return alerts


def nights_worth_judging(history: Known, life: Scenario) -> Iterator[int]:
    """Days since the start after which it is judged.

    Of each week that is the last one; but of the first week that ends with a change every one, so that the
    alert comes on the day on which the service would have raised it. Afterwards little is news, and a joint
    that is measured anew takes half a second: every other week.
    """
    judge = Judge(history.reader, history.derived, history.derivation)
    has_changed = False
    for first in range(0, life.days, WEEK):
        end = min(first + WEEK, life.days)
        if has_changed:
            if (life.days - end) % (2 * WEEK) == 0:
                yield end - 1
            continue
        verdicts = judge.verdicts(life.start_utc_ms + end * DAY_MS)
        has_changed = any(one.leading is not None for one in verdicts)
        yield from range(first if has_changed else end - 1, end)


def write_pages(made: MadeReport, work: Sequence[Comparison], folder: Path) -> dict[str, Path]:
    """Write the report, and before and after the work; the pages to open, by what they are."""
    write_json(folder / REPORT_NAME, made.document)
    write_report(made, "html", folder / PAGE_NAME)
    write_comparison(made.history, work, folder / WORK_NAME)
    return {"report": folder / PAGE_NAME, "work": folder / WORK_NAME}


def prepare(folder: Path, names: Iterable[str]) -> None:
    """Make the folder, or clear away what an earlier demonstration left in it.

    Parameters
    ----------
    folder
        Where.
    names
        Files that are about to be made.

    Raises
    ------
    SettingsError
        It holds something that no demonstration made.
    StoreError
        It cannot be written.
    """
    mark = folder / MARK_NAME
    try:
        is_ours = mark.is_file() and mark.read_text(encoding="utf-8", errors="replace") == MARK
        if not is_ours and not _is_free(folder):
            raise SettingsError(
                f"{folder} was not made by `heatdrift demo`",
                remedy="name another folder with --to, or move it away",
            )
        folder.mkdir(parents=True, exist_ok=True)
        mark.write_text(MARK, encoding="utf-8")
        for name in names:
            for tail in SQLITE_TAILS:
                folder.joinpath(name + tail).unlink(missing_ok=True)
        folder.joinpath(SETTINGS_NAME).write_text("", encoding="utf-8")
    except OSError as error:
        raise StoreError(
            f"{folder} cannot be written: {error.strerror}", remedy="name another folder with --to"
        ) from error


def _is_free(folder: Path) -> bool:
    """Whether there is nothing yet, or an empty folder."""
    if folder.is_dir():
        return not any(folder.iterdir())
    return not folder.is_symlink() and not folder.exists()


def private_settings(folder: Path) -> Settings:
    """The defaults with a database in the folder, whatever the owner's own settings say."""
    return load(database=str(folder / RECORD_NAME), settings_file=folder / SETTINGS_NAME, environment={})


def _live(ctx: click.Context, folder: Path) -> None:
    """Let the service record a machine on a fake ``/sys``, then say what it recorded."""
    places = {"database": str(folder / LIVE_NAME), "settings_file": folder / SETTINGS_NAME}
    ctx.invoke(run.command, fake_kind="laptop", seed=None, speed=LIVE_SPEED, for_s=LIVE_S, **places)
    with suppress(click.exceptions.Exit):  # it says by its exit status that nobody records any more
        ctx.invoke(status.command, machine=None, as_json=False, **places)


@contextmanager
def _quiet_store() -> Iterator[None]:
    """Without a warning about others who checkpoint the same file: nobody knows this one yet."""
    log = logging.getLogger(open_writer.__module__)
    level = log.level
    log.setLevel(logging.ERROR)
    try:
        yield
    finally:
        log.setLevel(level)
