"""What `heatdrift status` tells about the store, by plain queries: quick, and without a heavy library."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import UTC, datetime

from sqlalchemy import Connection, func, select

from .database import Database
from .errors import SettingsError
from .records import Gap, GapReason
from .schema import gap, machine, sealed_day, service_state, source, source_sample, task_log

DAY_MS = 86_400_000
GAP_DAYS = 7


@dataclass(frozen=True, slots=True)
class TaskNote:
    """The last run of a scheduled task."""

    at_utc_ms: int
    ok: bool
    detail: str


@dataclass(frozen=True, slots=True)
class SourceActivity:
    """How much of a source lies in plain rows.

    Attributes
    ----------
    last_sample_utc_ms
        None where every row is sealed or there is none.
    n_rows_today
        Since midnight UTC.
    """

    name: str
    kind: str
    last_sample_utc_ms: int | None
    n_rows_today: int


@dataclass(frozen=True, slots=True)
class StoreSummary:
    """The store at a glance.

    Attributes
    ----------
    sources
        In the order in which they were registered.
    gaps
        Those that reach into the last 7 days.
    size_bytes, wal_bytes
        The database and, on SQLite, what waits beside it to be copied in.
    oldest_day
        ISO date of the first day with rows, None where there are none.
    n_sealed_tables
        Packed tables: days, and weeks once merged.
    state, state_at_utc_ms
        What the service last said about itself, and when.
    tasks
        Last run of each scheduled task.
    """

    machine_uuid: str
    machine_name: str
    sources: tuple[SourceActivity, ...]
    gaps: tuple[Gap, ...]
    size_bytes: int
    wal_bytes: int
    oldest_day: str | None
    n_sealed_tables: int
    n_sealed_rows: int
    state: dict[str, str]
    state_at_utc_ms: int | None
    tasks: dict[str, TaskNote]

    @property
    def last_sample_utc_ms(self) -> int | None:
        """The latest moment of all sources."""
        moments = [s.last_sample_utc_ms for s in self.sources if s.last_sample_utc_ms is not None]
        return max(moments, default=None)

    @property
    def n_rows_today(self) -> int:
        """Rows of all sources since midnight UTC."""
        return sum(found.n_rows_today for found in self.sources)


def summary(database: Database, now_utc_ms: int, machine_wanted: str | None = None) -> StoreSummary:
    """Sum up the store for one machine.

    Parameters
    ----------
    now_utc_ms
        Now, UTC [ms since 1970].
    machine_wanted
        UUID or name; None for the one that was heard of last.

    Raises
    ------
    SettingsError
        There is no such machine.
    """
    size_bytes, wal_bytes = size_of(database)
    with database.begin() as connection:
        machine_id, uuid, name = _machine(connection, machine_wanted)
        sources = _sources(connection, machine_id, now_utc_ms)
        days = sealed_day.c
        sealed = select(func.min(days.first_day), func.count(), func.sum(days.n_rows))
        first_day, n_tables, n_rows = connection.execute(sealed.where(days.machine_id == machine_id)).one()
        states = select(service_state).where(service_state.c.machine_id == machine_id)
        state = connection.execute(states).all()
        return StoreSummary(
            machine_uuid=uuid,
            machine_name=name,
            sources=tuple(sources),
            gaps=tuple(_gaps(connection, machine_id, now_utc_ms - GAP_DAYS * DAY_MS)),
            size_bytes=size_bytes,
            wal_bytes=wal_bytes,
            oldest_day=first_day or _oldest_hot_day(connection, machine_id),
            n_sealed_tables=n_tables,
            n_sealed_rows=int(n_rows or 0),
            state={row.key: row.value for row in state},
            state_at_utc_ms=max((row.at_utc_ms for row in state), default=None),
            tasks=_tasks(connection, machine_id),
        )


def size_of(database: Database) -> tuple[int, int]:
    """Size of the database and of its write-ahead log [bytes]; the log is 0 on a server."""
    if database.path is not None:
        wal = database.path.with_name(database.path.name + "-wal")
        return database.path.stat().st_size, wal.stat().st_size if wal.exists() else 0
    with database.begin() as connection:
        size = connection.scalar(select(func.pg_database_size(func.current_database())))
    return int(size or 0), 0


def _machine(connection: Connection, wanted: str | None) -> tuple[int, str, str]:
    machines = select(machine.c.id, machine.c.uuid, machine.c.name)
    every = connection.execute(machines.order_by(machine.c.id))
    rows = [row for row in every if wanted in (None, row.uuid, row.name)]
    if not rows:
        missing = f"no machine {wanted}" if wanted else "no machine yet"
        raise SettingsError(f"the database holds {missing}", remedy="start the service")
    state = service_state.c
    query = select(state.machine_id, func.max(state.at_utc_ms)).group_by(state.machine_id)
    heard = {row[0]: row[1] for row in connection.execute(query)}
    latest = max(rows, key=lambda row: heard.get(row.id, 0))
    return latest.id, latest.uuid, latest.name


def _sources(connection: Connection, machine_id: int, now_utc_ms: int) -> list[SourceActivity]:
    midnight = now_utc_ms // DAY_MS * DAY_MS
    found = []
    query = select(source.c.id, source.c.name, source.c.kind).where(source.c.machine_id == machine_id)
    for row in connection.execute(query.order_by(source.c.id)).all():
        is_mine = source_sample.c.source_id == row.id
        last = connection.scalar(select(func.max(source_sample.c.time_utc_ms)).where(is_mine))
        today = select(func.count()).where(is_mine, source_sample.c.time_utc_ms >= midnight)
        found.append(SourceActivity(row.name, row.kind, last, connection.scalar(today) or 0))
    return found


def _oldest_hot_day(connection: Connection, machine_id: int) -> str | None:
    ids = connection.scalars(select(source.c.id).where(source.c.machine_id == machine_id)).all()
    oldest = [
        connection.scalar(select(func.min(source_sample.c.time_utc_ms)).where(source_sample.c.source_id == i))
        for i in ids
    ]
    known = [moment for moment in oldest if moment is not None]
    return datetime.fromtimestamp(min(known) // 1000, UTC).date().isoformat() if known else None


def _gaps(connection: Connection, machine_id: int, since_utc_ms: int) -> list[Gap]:
    query = select(gap).where(gap.c.machine_id == machine_id, gap.c.to_utc_ms >= since_utc_ms)
    return [
        Gap(row.from_utc_ms, row.to_utc_ms, GapReason(row.reason), row.source, row.detail)
        for row in connection.execute(query.order_by(gap.c.from_utc_ms))
    ]


def _tasks(connection: Connection, machine_id: int) -> dict[str, TaskNote]:
    latest = select(func.max(task_log.c.id)).where(task_log.c.machine_id == machine_id)
    query = select(task_log).where(task_log.c.id.in_(latest.group_by(task_log.c.task)))
    return {
        row.task: TaskNote(row.at_utc_ms, row.ok, row.detail)
        for row in connection.execute(query.order_by(task_log.c.task))
    }
