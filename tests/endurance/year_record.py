"""What stands in the record after a year, and what should."""

from __future__ import annotations

import json
import sqlite3
from collections.abc import Iterator
from contextlib import closing
from dataclasses import dataclass
from datetime import UTC, datetime
from itertools import pairwise
from typing import Any
from zoneinfo import ZoneInfo

import pandas as pd

from heatdrift.cli.monthly_reports import finished_months
from heatdrift.daemon.startup import PLAUSIBLE_FROM_UTC_MS
from heatdrift.store.database import open_reader
from heatdrift.store.keeping import check_integrity
from heatdrift.store.machines import machines
from heatdrift.store.message import DeliveryState, Lane, Severity, StoredMessage
from heatdrift.store.outbox import Outbox
from heatdrift.store.packing import DAY_MS
from heatdrift.store.reader import Reader
from heatdrift.store.records import Cadence, Channel, Gap, GapReason, IdentityChange
from heatdrift.store.upkeep_settings import UpkeepSettings
from heatdrift.store.verdicts import StoredVerdict, VerdictBook

from .year_campaign import MACHINE, YearRun
from .year_memory import by_life
from .year_plan import DAY_S, LETTER, START_UTC_MS, ZONE

# Idle rows are means of a minute, dated in their middle, looks are ten seconds apart, and what was begun when
# time jumped is dated earlier still: two minutes and a look without a row are no hole.
LONGEST_STEP_S = 130.0
LONGEST_BUSY_STEP_S = 12.0  # means of five seconds under load
# Five quiet minutes, then upkeep and judgement; a session this long has room for both.
LEAST_SESSION_S = 1200.0
RESTS_DAYS = 20 / 24
QUIET_HOURS = 22, 7


@dataclass(frozen=True, slots=True, eq=False)
class YearRecord:
    """Everything that is in the database after the last life."""

    frames: dict[str, pd.DataFrame]
    gaps: list[Gap]
    changes: list[IdentityChange]
    channels: list[tuple[str, Channel]]
    n_channel_rows: int
    messages: list[StoredMessage]
    verdicts: dict[str, list[StoredVerdict]]
    tasks: list[tuple[str, int, bool, str]]
    span_utc_ms: tuple[int, int]
    oldest_hot_utc_ms: int
    sealed_bytes: int
    size_bytes: int
    n_values: int


def read_record(run: YearRun) -> YearRecord:
    """Open the database, check every page and every packed table of it, and read all."""
    database = open_reader(str(run.database))
    try:
        check_integrity(database)
        reader = Reader(database)
        frames = {entry.name: reader.source_frame(entry.name) for entry in reader.sources()}
        number = machines(database)[0].number
        span = reader.span_utc_ms()
        assert span is not None
        book = VerdictBook(database, number)
        probes = [reader.probe_frame(probe.name) for probe in reader.probes()]
        with closing(sqlite3.connect(run.database)) as raw:
            tasks = raw.execute("SELECT task, at_utc_ms, ok, detail FROM task_log ORDER BY id").fetchall()
            (hot,) = raw.execute("SELECT min(time_utc_ms) FROM source_sample").fetchone()
            (sealed,) = raw.execute("SELECT coalesce(sum(length(packed)), 0) FROM sealed_day").fetchone()
            (n_channels,) = raw.execute("SELECT count(*) FROM channel").fetchone()
        return YearRecord(
            frames=frames,
            gaps=reader.gaps(),
            changes=reader.identity_changes(),
            channels=reader.channels(),
            n_channel_rows=n_channels,
            messages=Outbox(database, number).messages(),
            verdicts={name: book.of(name) for name in frames},
            tasks=[(task, at, bool(ok), detail) for task, at, ok, detail in tasks],
            span_utc_ms=span,
            oldest_hot_utc_ms=hot,
            sealed_bytes=sealed,
            size_bytes=run.database.stat().st_size,
            n_values=sum(int(frame.notna().sum().sum()) for frame in [*frames.values(), *probes]),
        )
    finally:
        database.close()


def moments_utc_ms(record: YearRecord, source: str) -> list[int]:
    """When the rows of a source are dated, in order [ms since 1970]."""
    index = pd.DatetimeIndex(record.frames[source].index)
    return [int(moment) for moment in index.as_unit("ms").asi8]


def unexplained_holes(record: YearRecord, source: str) -> list[tuple[pd.Timestamp, float]]:
    """Stretches without a row that no gap explains: where they begin, and how long they are [s]."""
    moments = moments_utc_ms(record, source)
    is_idle = (record.frames[source]["cadence"] == Cadence.IDLE).tolist()
    gaps = sorted((g.from_utc_ms, g.to_utc_ms) for g in record.gaps if g.source in ("", source))
    found = []
    for (before_ms, was_idle), (after_ms, will_be_idle) in pairwise(zip(moments, is_idle, strict=True)):
        longest_s = LONGEST_STEP_S if was_idle or will_be_idle else LONGEST_BUSY_STEP_S
        if after_ms - before_ms <= longest_s * 1000:
            continue
        left_ms = after_ms - before_ms - _covered(gaps, before_ms, after_ms)
        if left_ms > longest_s * 1000:
            found.append((pd.Timestamp(before_ms, unit="ms", tz="UTC"), left_ms / 1000))
    return found


def gaps_for_nothing(record: YearRecord) -> list[Gap]:
    """Gaps that speak of trouble which nobody made."""
    made = (GapReason.STOPPED, GapReason.SUSPEND, GapReason.CLOCK_STEP, GapReason.ASLEEP)
    return [gap for gap in record.gaps if gap.reason not in made]


def lost_before_deaths_s(run: YearRun, record: YearRecord) -> list[float]:
    """How much of the time awake before each sudden death left no row [s]."""
    moments = moments_utc_ms(record, "cpu0")
    lost = []
    for life in by_life(run.notes):
        deaths = [note["wall_utc_ms"] for note in life if note["event"] == "dead"]
        if not deaths:
            continue
        (dead_ms,) = deaths
        last_ms = max(moment for moment in moments if moment <= dead_ms)
        slept_ms, asleep_ms = 0, dead_ms
        for note in life:
            if note["event"] == "sleep":
                asleep_ms = max(last_ms, note["wall_utc_ms"])
            elif note["event"] == "awake":
                slept_ms += max(0, note["wall_utc_ms"] - asleep_ms)
        lost.append((dead_ms - last_ms - slept_ms) / 1000)
    return lost


def nights(run: YearRun) -> Iterator[str]:
    """The days of which a verdict must be there: those before a session in which there was time for it."""
    judged_at_day: float | None = None
    told: set[str] = set()
    for life in by_life(run.notes):
        began: float | None = None
        for note in life:
            if note["event"] in ("boot", "awake"):
                began = note["day"]
                is_rested = judged_at_day is None or began - judged_at_day >= RESTS_DAYS
            elif note["event"] == "child" and note["what"] == "judge" and note["status"] == 0:
                judged_at_day = note["day"]
            elif note["event"] in ("sleep", "end", "dead") and began is not None:
                day = _date(began - 1)
                if (
                    began >= 1.0
                    and is_rested
                    and (note["day"] - began) * DAY_S >= LEAST_SESSION_S
                    and day not in told
                ):
                    told.add(day)
                    yield day
                began = None


def missing_months(run: YearRun, record: YearRecord) -> list[str]:
    """Finished months without a page, a document, a line in the index or one message."""
    now_ms = run.notes[-1].get("wall_utc_ms", record.span_utc_ms[1])
    folder = run.folder / "record" / "reports" / MACHINE
    index = (folder / "index.html").read_text(encoding="utf-8") if (folder / "index.html").exists() else ""
    told = [m.message.key for m in record.messages if m.message.lane is Lane.REPORT]
    found = []
    for month in months(record, now_ms):
        is_there = all((folder / f"{month}.{kind}").exists() for kind in ("html", "json"))
        if not is_there or f"{month}.html" not in index or told.count(f"report {month}") != 1:
            found.append(month)
    return found


def months(record: YearRecord, now_ms: int) -> list[str]:
    """Months of the record that are over."""
    return finished_months((START_UTC_MS, record.span_utc_ms[1]), now_ms)


def wrongly_delivered(run: YearRun, record: YearRecord) -> list[str]:
    """Messages that arrived more often than they should, or not at all."""
    found = []
    for subject in {stored.message.subject for stored in record.messages}:
        states = [
            delivery.state
            for stored in record.messages
            if stored.message.subject == subject
            for delivery in stored.deliveries
        ]
        n_received = sum(one["title"] == subject for one in run.received)
        n_sure = states.count(DeliveryState.DELIVERED)
        n_unsure = states.count(DeliveryState.UNKNOWN) + states.count(DeliveryState.SENDING)
        if not n_sure <= n_received <= n_sure + n_unsure:
            found.append(f"{subject}: received {n_received} times, {n_sure} noted and {n_unsure} unsure")
    return found


def told_in_quiet_hours(run: YearRun, record: YearRecord) -> list[str]:
    """What reached the owner at night by the clock on the wall, and was not urgent."""
    urgent = {m.message.subject for m in record.messages if m.message.severity is Severity.URGENT}
    found = []
    for one in run.received:
        at = datetime.fromtimestamp(one["at_utc_ms"] / 1000, ZoneInfo(ZONE))
        if (at.hour >= QUIET_HOURS[0] or at.hour < QUIET_HOURS[1]) and one["title"] not in urgent:
            found.append(f"{at:%Y-%m-%d %H:%M}: {one['title']}")
    return found


def letters_off_time(run: YearRun) -> list[str]:
    """What was found in the nights of the change and did not arrive when the quiet hours ended."""
    arrived = [one["at_utc_ms"] for one in run.received if one["title"] == LETTER]
    found = []
    if len(arrived) != len(run.noted("letter")):
        found.append(f"{len(arrived)} of {len(run.noted('letter'))} arrived")
    for at_utc_ms in arrived:
        at = datetime.fromtimestamp(at_utc_ms / 1000, ZoneInfo(ZONE))
        if not QUIET_HOURS[1] <= at.hour + at.minute / 60 <= QUIET_HOURS[1] + 0.5:
            found.append(f"arrived at {at:%Y-%m-%d %H:%M}")
    return found


def backups_left_out(record: YearRecord) -> list[str]:
    """Nights on which a backup was due and none was made."""
    period_ms = UpkeepSettings().backup_period_days * DAY_MS
    made = [at for task, at, ok, _ in record.tasks if task == "backup" and ok]
    found, last_ms = [], None
    for at_ms in (at for task, at, ok, _ in record.tasks if task == "seal" and ok):
        if at_ms in made:
            last_ms = at_ms
        elif last_ms is None or 0 <= period_ms <= at_ms - last_ms:
            found.append(f"{datetime.fromtimestamp(at_ms / 1000, UTC):%Y-%m-%d %H:%M}")
    return found


def newest(record: YearRecord, source: str) -> dict[str, Any]:
    """The last verdict of a source."""
    last = record.verdicts[source][-1]
    body: dict[str, Any] = json.loads(last.body)
    return body | {"state": last.state, "cause": last.cause, "shape": last.shape}


def steps_recorded(run: YearRun) -> int:
    """Steps of the clock that a running recorder saw; before it was set, nothing is recorded."""
    return sum(note["before_utc_ms"] >= PLAUSIBLE_FROM_UTC_MS for note in run.noted("step"))


def _date(day: float) -> str:
    return f"{datetime.fromtimestamp(START_UTC_MS / 1000 + day * DAY_S, UTC):%Y-%m-%d}"


def _covered(gaps: list[tuple[int, int]], from_ms: int, to_ms: int) -> int:
    """How much of a stretch lies in gaps [ms]."""
    covered, end_ms = 0, from_ms
    for begin, end in gaps:
        if end > end_ms and begin < to_ms:
            covered += max(0, min(end, to_ms) - max(begin, end_ms))
            end_ms = max(end_ms, min(end, to_ms))
    return covered
