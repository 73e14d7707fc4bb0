"""Writes into a repaired record what happened to it: a note, a message, and where rows are missing."""

from __future__ import annotations

from datetime import date
from itertools import pairwise
from pathlib import Path
from typing import TYPE_CHECKING

from sqlalchemy import Connection, func, insert, select

from .database import Database, open_writer
from .machines import machines
from .message import Lane, Message, Severity
from .outbox import queue
from .packing import DAY_MS, midnight_utc_ms
from .records import GapReason
from .rows import insert_new
from .schema import gap, sealed_day, service_state, source, source_sample, task_log

if TYPE_CHECKING:
    from .repair import Repair

TASK = "repair"
HOLE_MS = 300_000  # longer than any row stands for
DETAIL = "the database was damaged, and the rows of this time could not be read any more"


def write_note(made: Path, done: Repair, since_utc_ms: int, now_utc_ms: int) -> None:
    """Note a repair in the sound file before it comes into its place.

    Parameters
    ----------
    since_utc_ms
        Rows can be missing from then on [ms since 1970].
    """
    said = words(done)
    database = open_writer(f"sqlite:///{made}")
    try:
        for machine in machines(database):
            with database.begin() as connection:
                if done.salvage is not None or done.n_lost_pages:
                    _explain_holes(database, connection, machine.number, since_utc_ms)
                note = {"machine_id": machine.number, "task": TASK, "at_utc_ms": now_utc_ms}
                connection.execute(insert(task_log), note | {"ok": True, "detail": said})
                message = Message(
                    Lane.GUARD,
                    Severity.WARNING,
                    f"record damaged {now_utc_ms}",
                    now_utc_ms,
                    "the record was damaged and has been repaired",
                    f"{said[0].upper()}{said[1:]}. Look into the health of its disk; "
                    "`heatdrift doctor` says where the damaged file is kept.",
                )
                queue(connection, machine.number, message)
    finally:
        database.close()


def words(done: Repair) -> str:
    """What was done, in one sentence without a path."""
    if done.salvage is None:
        left = (
            f"pages of its log that do not check: {done.n_lost_pages}"
            if done.n_lost_pages
            else "nothing is lost"
        )
        return f"the database was damaged ({done.fault}) and could be mended: {left}"
    found = done.salvage
    base = f"the backup {done.backup.name} was brought back" if done.backup else "there was no good backup"
    saved = f"{found.n_rows:,} rows and {found.n_tables} packed tables were saved from the damaged file"
    n_places = "1 place" if found.n_unreadable == 1 else f"{found.n_unreadable:,} places"
    lost = f"{n_places} of it could not be read" if found.n_unreadable else "all of it was read"
    older = f"; as in the backup: {', '.join(found.left_out)}" if found.left_out else ""
    return f"the database was damaged ({done.fault}); {base}, {saved}, {lost}{older}"


def _explain_holes(database: Database, connection: Connection, machine_id: int, since_utc_ms: int) -> None:
    """Write down each stretch without rows that no gap explains yet."""
    query = select(gap.c.from_utc_ms, gap.c.to_utc_ms, gap.c.source).where(gap.c.machine_id == machine_id)
    known = [tuple(row) for row in connection.execute(query)]
    state = service_state.c
    heard_ms = connection.scalar(select(func.max(state.at_utc_ms)).where(state.machine_id == machine_id))
    sources = select(source.c.id, source.c.name).where(source.c.machine_id == machine_id)
    for number, name in connection.execute(sources).all():
        mine = [(begin, end) for begin, end, whose in known if whose in ("", name)]
        moment = source_sample.c.time_utc_ms
        hot = select(moment).where(source_sample.c.source_id == number, moment >= since_utc_ms)
        times = list(connection.scalars(hot.order_by(moment)))
        if times and heard_ms is not None and heard_ms > times[-1]:
            times.append(heard_ms)  # with its last sign of life the service had written what it had
        sealed = select(sealed_day.c.first_day, sealed_day.c.last_day).where(
            sealed_day.c.machine_id == machine_id, sealed_day.c.series == name
        )
        packed = [
            (midnight_utc_ms(date.fromisoformat(first)), midnight_utc_ms(date.fromisoformat(last)) + DAY_MS)
            for first, last in connection.execute(sealed)
        ]
        rows = [
            {
                "machine_id": machine_id,
                "from_utc_ms": begin,
                "to_utc_ms": end,
                "reason": GapReason.DAMAGED.value,
                "source": name,
                "detail": DETAIL,
            }
            for begin, end in pairwise(times)
            if end - begin > HOLE_MS and not any(a < end and b > begin for a, b in (*mine, *packed))
        ]
        insert_new(database, connection, gap, rows)
