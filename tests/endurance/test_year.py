"""A year in an hour: the whole service, its children and its owner's patience, on a clock that is turned.

The short form is fifty days of spring with everything in them that a year has; with ``HEATDRIFT_CAMPAIGN``
set it is a year, which takes the better part of an hour.
"""

from __future__ import annotations

import os
import re
import shutil
import sqlite3
from collections import Counter
from collections.abc import Iterator

import pytest

from heatdrift.store.backup import check_file
from heatdrift.store.message import Lane
from heatdrift.store.packing import DAY_MS
from heatdrift.store.records import GapReason
from heatdrift.store.upkeep_settings import HOT_DAYS, UpkeepSettings
from heatdrift.tests.daemon.channel_servers import webhook

from .year_campaign import YearRun, run_year
from .year_memory import growth, left_over
from .year_plan import DEAD, DRIVERS, KERNELS, START_UTC_MS, Campaign
from .year_record import (
    YearRecord,
    backups_left_out,
    gaps_for_nothing,
    letters_off_time,
    lost_before_deaths_s,
    missing_months,
    months,
    newest,
    nights,
    read_record,
    steps_recorded,
    told_in_quiet_hours,
    unexplained_holes,
    wrongly_delivered,
)

IS_LONG = bool(os.environ.get("HEATDRIFT_CAMPAIGN"))
SHORT_SEED, LONG_SEED = 9, 6
SHORT_DAYS, LONG_DAYS = 50, 365
MOST_MB_PER_MONTH = 1.0
MOST_LOST_S = (
    600.0 + 130.0
)  # rows are written each ten minutes at idle; the last one was dated before its end
MOST_BYTES_PER_VALUE = 1.2  # of a sealed block
MOST_YEAR_BYTES = 30e6
HOT_DAY_BYTES = 300_000  # plain rows and their checksums of a day with half an hour of load

Year = tuple[YearRun, YearRecord]


@pytest.fixture(scope="module")
def year(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Year]:
    """The campaign, run once for all questions; its table is printed after them."""
    folder = tmp_path_factory.mktemp("year")
    if IS_LONG:
        form, campaign = "long", Campaign.long(LONG_SEED, LONG_DAYS)
    else:
        form, campaign = "short", Campaign.short(SHORT_SEED, SHORT_DAYS)
    with webhook() as hook:
        run = run_year(form, campaign, folder, hook)
    record = read_record(run)
    yield run, record
    print(table(run, record))
    if not IS_LONG:
        shutil.rmtree(folder, ignore_errors=True)


def test_every_life_ends_as_it_should(year: Year) -> None:
    run, _ = year
    assert run.statuses == [-9 if life.end == DEAD else 0 for life in run.lives]
    assert not re.findall(r"Traceback.*(?:\n .*)*\n.*| ERROR .*| CRITICAL .*", run.log)


def test_memory_does_not_grow(year: Year) -> None:
    found = growth(year[0].notes)
    assert found.mb_per_month <= MOST_MB_PER_MONTH, found


def test_nothing_is_left_over(year: Year) -> None:
    run, _ = year
    assert left_over(run.notes) == []
    assert run.leftovers == []


def test_every_gap_is_explained(year: Year) -> None:
    run, record = year
    for source in ("cpu0", "gpu0"):
        assert unexplained_holes(record, source) == []
    assert gaps_for_nothing(record) == []
    counts = Counter(gap.reason for gap in record.gaps)
    n_deaths = len(run.noted("dead"))  # what had just happened before one was not yet written
    assert len(run.noted("awake")) - n_deaths <= counts[GapReason.SUSPEND] <= len(run.noted("awake"))
    assert steps_recorded(run) - n_deaths <= counts[GapReason.CLOCK_STEP] <= steps_recorded(run)
    assert counts[GapReason.STOPPED] == len(run.lives) - 1
    assert counts[GapReason.ASLEEP] > 0


def test_a_dead_battery_costs_ten_minutes(year: Year) -> None:
    lost_s = lost_before_deaths_s(*year)
    assert lost_s
    assert max(lost_s) <= MOST_LOST_S


def test_every_night_that_could_be_is_judged(year: Year) -> None:
    run, record = year
    wanted = set(nights(run))
    for source, verdicts in record.verdicts.items():
        had = {verdict.day for verdict in verdicts}
        assert wanted <= had, (source, sorted(wanted - had))
    failed = [task for task in record.tasks if not task[2]]
    assert len(failed) <= len(run.lives), failed  # a child that was ended with its service is done again


def test_no_month_is_missed(year: Year) -> None:
    run, record = year
    assert months(record, record.span_utc_ms[1])
    assert missing_months(run, record) == []


def test_no_message_comes_twice_or_at_night(year: Year) -> None:
    run, record = year
    assert run.received
    assert wrongly_delivered(run, record) == []
    assert told_in_quiet_hours(run, record) == []
    assert run.noted("letter")
    assert letters_off_time(run) == []


def test_database_is_as_small_as_promised(year: Year) -> None:
    run, record = year
    assert record.span_utc_ms[1] - record.oldest_hot_utc_ms <= (HOT_DAYS + 3) * DAY_MS  # two days may be away
    assert record.sealed_bytes > 0
    share_of_year = run.campaign.n_days / 365
    assert record.size_bytes <= MOST_YEAR_BYTES * share_of_year + HOT_DAYS * HOT_DAY_BYTES


def test_backups_are_as_many_as_promised(year: Year) -> None:
    run, record = year
    assert backups_left_out(record) == []
    files = sorted((run.folder / "record" / "backups").iterdir())
    assert len(files) == UpkeepSettings().backups_kept
    for file in files:
        check_file(file)


def test_updates_are_noted_and_lose_no_sensor(year: Year) -> None:
    run, record = year
    n_updates = max(life.n_updates for life in run.lives)
    seen = {subject: [c.after for c in record.changes if c.subject == subject] for subject in KNOWN}
    assert seen["kernel"] == list(KERNELS[: n_updates + 1])
    assert seen["nvidia_driver"] == list(DRIVERS[: n_updates + 1])
    assert record.n_channel_rows == len({(owner, channel.key) for owner, channel in record.channels})
    with sqlite3.connect(run.database) as raw:
        (last_new,) = raw.execute("SELECT max(first_seen_utc_ms) FROM channel").fetchone()
    raw.close()
    assert last_new < START_UTC_MS + DAY_MS


def test_verdict_is_right(year: Year) -> None:
    run, record = year
    loose = newest(record, "gpu0")
    assert loose["state"] in ("watch", "act")
    assert (loose["cause"], loose["shape"]) == ("interface", "creep" if IS_LONG else "step")
    assert newest(record, "cpu0")["state"] == "holding"
    began_ms = START_UTC_MS + run.campaign.fault.from_day * DAY_MS
    told = [m.message for m in record.messages if m.message.lane is Lane.CREEP]
    assert told
    assert [m.subject for m in told if m.made_utc_ms < began_ms or m.source != "gpu0"] == []


KNOWN = ("kernel", "nvidia_driver")


def table(run: YearRun, record: YearRecord) -> str:
    """What was done to the laptop, and what came of it."""
    counts = Counter(gap.reason for gap in record.gaps)
    wanted = set(nights(run))
    had = {verdict.day for verdict in record.verdicts["cpu0"]}
    memory = growth(run.notes)
    lost_s = lost_before_deaths_s(run, record)
    kinds = Counter(stored.message.lane.value for stored in record.messages)
    samples = run.noted("sample")
    rows = (
        ("days, sessions", f"{run.campaign.n_days}, {len(run.noted('awake')) + len(run.noted('boot'))}"),
        ("real time", f"{run.took_s:.0f} s"),
        ("suspends, of them with a gap", f"{len(run.noted('awake'))}, {counts[GapReason.SUSPEND]}"),
        ("clock steps, of them with a gap", f"{steps_recorded(run)}, {counts[GapReason.CLOCK_STEP]}"),
        ("dead batteries", f"{len(lost_s)}; lost at most {max(lost_s):.0f} s of looks"),
        ("of them while a child had the pen", str(sum(n["n_children"] > 0 for n in run.noted("dead")))),
        ("boots, gaps of a service that was not running", f"{len(run.lives)}, {counts[GapReason.STOPPED]}"),
        ("stretches of a sleeping GPU", str(counts[GapReason.ASLEEP])),
        ("holes without a reason", str(len(unexplained_holes(record, "cpu0")))),
        ("nights that could be judged, judged", f"{len(wanted)}, {len(wanted & had)}"),
        (
            "months over, missing",
            f"{len(months(record, record.span_utc_ms[1]))}, {missing_months(run, record)}",
        ),
        ("messages, received", f"{dict(kinds)}, {len(run.received)}"),
        (
            "received twice or never; at night",
            f"{wrongly_delivered(run, record)}; {told_in_quiet_hours(run, record)}",
        ),
        ("backups made, left out", f"{_n_ok(record, 'backup')}, {len(backups_left_out(record))}"),
        ("database", f"{record.size_bytes / 1e6:.1f} MB, {record.n_values} values"),
        ("sealed", f"{record.sealed_bytes / 1e6:.1f} MB"),
        (
            "growth of the service's own memory",
            f"{memory.mb_per_month:+.2f} +/- {memory.standard_error:.2f} MB a month, "
            f"{memory.n_samples} samples of {memory.n_lives} lives",
        ),
        (
            "memory (PSS) at most, handles at most",
            f"{_most(samples, 'pss_kb') / 1024:.1f} MB, {_most(samples, 'n_files')}",
        ),
        (
            "verdict",
            " ".join(str(newest(record, "gpu0")[key]) for key in ("state", "cause", "shape")),
        ),
    )
    width = max(len(name) for name, _ in rows)
    return "\n".join(
        [f"\na year in an hour, seed {run.campaign.seed}", *(f"{n.ljust(width)} | {v}" for n, v in rows)]
    )


def _n_ok(record: YearRecord, task: str) -> int:
    return sum(name == task and ok for name, _, ok, _ in record.tasks)


def _most(samples: list[dict[str, int]], what: str) -> int:
    return max(sample[what] for sample in samples)
