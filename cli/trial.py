"""``heatdrift trial``: the blind trial on machines with hidden faults."""

from __future__ import annotations

import multiprocessing
import os
from collections.abc import Iterator, Sequence
from concurrent.futures import ProcessPoolExecutor, as_completed
from pathlib import Path

import click

from ..fake_sensors.trial_worlds import DAYS
from .export import progress_bar
from .fit import STANDARD_OUTPUT, write_json
from .options import json_file_option
from .speech import say
from .trial_run import Task, be_quiet, run_machine
from .trial_score import Outcome
from .trial_text import trial_document, trial_lines
from .wording import counted

EPILOG = """\b
Example:
  heatdrift trial --machines 60 --seed 1
  heatdrift trial --keep worlds     (record once, judge as often as you like)
"""
FOLDER = click.Path(path_type=Path, file_okay=False)


@click.command("trial", epilog=EPILOG)
@click.option("--machines", "n_machines", default=60, show_default=True, type=click.IntRange(1, 10_000))
@click.option("--seed", default=1, show_default=True, type=click.IntRange(0, 10_000))
@click.option(
    "--days",
    default=DAYS,
    show_default=True,
    type=click.FloatRange(1.0, 1000.0),
    help="Length of each record.",
)
@click.option(
    "--jobs", type=click.IntRange(1, 1024), help="Machines at a time; as many as processors if not given."
)
@click.option(
    "--keep", metavar="FOLDER", type=FOLDER, help="Keep the records here; one that is there is used again."
)
@click.option("--only-record", is_flag=True, help="Record into the folder of --keep, and judge nothing yet.")
@click.option(
    "--save", metavar="DIR", type=FOLDER, help="Write each machine as Parquet table, journal and truth."
)
@json_file_option("Write the outcomes")
def command(
    *,
    n_machines: int,
    seed: int,
    days: float,
    jobs: int | None,
    keep: Path | None,
    only_record: bool,
    save: Path | None,
    json_file: Path | None,
) -> None:
    """Put the tool to the test: judge invented machines whose hidden faults are known, and count.

    Each machine is recorded, handed to `heatdrift backtest` and `heatdrift report` without its truth, and
    what they say is held against it. Recording takes about a second for each day of each machine. The
    figures say how good the judgement is; they are printed and not graded: the exit status is 0.
    """
    if only_record and keep is None:
        raise click.UsageError("--only-record needs --keep FOLDER")
    tasks = [Task(seed, number, days, keep, save, only_record) for number in range(n_machines)]
    outcomes = [one for one in run_all(tasks, jobs or os.cpu_count() or 1) if one is not None]
    if only_record:
        say(f"{keep}  {counted(n_machines, 'machine')} recorded")
        return
    outcomes.sort(key=lambda one: one.name)
    if json_file is not None:
        write_json(json_file, trial_document(seed, days, outcomes))
    if json_file != STANDARD_OUTPUT:
        for line in trial_lines(outcomes):
            say(line)


def run_all(tasks: Sequence[Task], jobs: int) -> Iterator[Outcome | None]:
    """Run machines in processes of their own, so many at a time; outcomes as they come in."""
    context = multiprocessing.get_context("spawn")
    with (
        ProcessPoolExecutor(min(jobs, len(tasks)), mp_context=context, initializer=be_quiet) as pool,
        progress_bar() as bar,
    ):
        shown = bar.add_task("machines", total=len(tasks))
        waiting = [pool.submit(run_machine, task) for task in tasks]
        try:
            for done in as_completed(waiting):
                yield done.result()
                bar.advance(shown)
        finally:
            pool.shutdown(wait=True, cancel_futures=True)
