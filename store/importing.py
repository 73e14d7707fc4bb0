"""Brings in what was recorded elsewhere: exchange tables, and other tables by a mapping.

A file is read a batch at a time; rows are put away by UTC day as soon as the file has moved on, each day in
one transaction. So memory does not grow with the file, an import that was cut short is simply made again, and
the same file again changes nothing.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass
from datetime import date, timedelta
from difflib import get_close_matches
from pathlib import Path

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc
from sqlalchemy import select

from .database import Database
from .errors import SettingsError
from .import_complaints import KEPT, Complaint, Complaints
from .import_files import open_table
from .import_mapping import ImportMapping
from .import_registration import Registration
from .import_rows import Plan, read_rows
from .import_shelves import Shelved, shelve_day
from .import_tables import TableFile
from .import_targets import Owners, Target, is_target, nearest, sort_owners, target_of
from .packing import DAY_MS, TIME, day_of
from .schema import channel, source
from .series import PROBES
from .units import SOURCE_QUANTITIES
from .upkeep_settings import HOT_DAYS

HELD_ROWS = 400_000  # some 40 MB; a file in no order at all is put away whenever so many have gathered
Progress = Callable[[float], None]


@dataclass(frozen=True, slots=True)
class ImportResult:
    """What became of one file.

    Attributes
    ----------
    n_rows
        Rows in the file.
    n_rows_left_out, n_cells_left_out
        Rows left out whole, and cells left out of rows that were kept.
    shelved
        What became of the rest, in rows of the store: one for each source and each probe.
    complaints
        The first things that were left out, with line and reason.
    reasons
        How often each reason was met; the most frequent.
    columns_taken, columns_ignored
        Their headings; ignored ones only where a mapping says which are meant.
    span_utc_ms
        First and last moment that was kept, None where nothing was.
    """

    path: Path
    n_rows: int
    n_rows_left_out: int
    n_cells_left_out: int
    shelved: Shelved
    complaints: tuple[Complaint, ...]
    reasons: tuple[tuple[str, int], ...]
    columns_taken: tuple[str, ...]
    columns_ignored: tuple[str, ...]
    span_utc_ms: tuple[int, int] | None


def import_table(
    database: Database,
    machine_id: int,
    path: Path,
    now_utc_ms: int,
    mapping: ImportMapping | None = None,
    *,
    hot_days: int = HOT_DAYS,
    progress: Progress | None = None,
) -> ImportResult:
    """Bring in one table.

    Parameters
    ----------
    database
        Open for writing.
    machine_id
        Whose rows they are, as `Writer.machine_id`.
    path
        CSV or Parquet.
    now_utc_ms
        Now [ms since 1970]: later rows are left out, and days older than ``hot_days`` sealed at once.
    mapping
        What their columns mean; None for an exchange table.
    progress
        Told the share that is read, 0 to 1.

    Raises
    ------
    SettingsError
        The file cannot be read, or has a column that means nothing; nothing was written, unless the message
        says so.
    """
    mapping = mapping or ImportMapping()
    table = open_table(path, mapping)
    try:
        plan, ignored = _plan(table, mapping, path, *_known(database, machine_id))
    except BaseException:
        table.close()
        raise
    complaints = Complaints(str(path), table.lines)
    desk = _Desk(database, machine_id, plan, day_of(now_utc_ms) - timedelta(days=hot_days))
    n_rows = 0
    try:
        for batch in table.batches(plan.wanted):
            complaints.next_batch(n_rows)
            for torn in table.torn():
                complaints.torn(*torn)
            rows = read_rows(batch, plan, now_utc_ms, complaints, desk.channel_id)
            n_rows += batch.num_rows
            desk.take(rows)
            if progress is not None:
                progress(table.share())
        for torn in table.torn():
            complaints.torn(*torn)
    finally:
        desk.clear()
    if progress is not None:
        progress(1.0)
    return ImportResult(
        path,
        n_rows + complaints.n_torn,
        complaints.n_rows,
        complaints.n_cells,
        desk.shelved,
        tuple(sorted(complaints.kept)[:KEPT]),
        tuple(complaints.by_reason.most_common(KEPT)),
        tuple(plan.columns),
        ignored,
        desk.span_utc_ms,
    )


def check_table(path: Path, mapping: ImportMapping | None = None) -> None:
    """Refuse a table that `import_table` would refuse for its headings, before anything is made for it.

    Raises
    ------
    SettingsError
        With the reason.
    """
    mapping = mapping or ImportMapping()
    table = open_table(path, mapping)
    try:
        _plan(table, mapping, path, {}, set())
    finally:
        table.close()


class _Desk:
    """Holds rows by series and day until the file has moved on to other days."""

    def __init__(self, database: Database, machine_id: int, plan: Plan, hot_from: date) -> None:
        self._database = database
        self._machine_id = machine_id
        self._owners: Owners = plan.owners
        labels = {(target.owner, target.quantity): heading for heading, target in plan.columns.items()}
        methods = {(target.owner, target.quantity): target.method for target in plan.columns.values()}
        self._registration = Registration(database, machine_id, labels, methods)
        self._hot_from = hot_from
        self._held: dict[tuple[str, int], list[pa.Table]] = {}
        self._n_held = 0
        self.shelved = Shelved()
        self.span_utc_ms: tuple[int, int] | None = None

    def channel_id(self, owner: str, quantity: str, span: tuple[int, int]) -> int:
        return self._registration.channel(owner, quantity, span)

    def take(self, tables: dict[str, pa.Table]) -> None:
        """Hold rows; put away the days on which none came any more."""
        fresh: set[int] = set()
        for name, table in tables.items():
            span = self._register(name, table)
            days = table[TIME].to_numpy() // DAY_MS
            if span[0] // DAY_MS == span[1] // DAY_MS:
                parts = [(int(days[0]), table)]
            else:
                parts = [(int(day), table.filter(pa.array(days == day))) for day in np.unique(days)]
            for day, part in parts:
                self._held.setdefault((name, day), []).append(part)
                fresh.add(day)
            self._n_held += table.num_rows
        is_full = self._n_held > HELD_ROWS
        self._put_away(key for key in list(self._held) if is_full or key[1] not in fresh)

    def clear(self) -> None:
        """Put away what is left."""
        self._put_away(list(self._held))
        self._registration.finish()

    def _register(self, name: str, table: pa.Table) -> tuple[int, int]:
        edges = pc.min_max(table[TIME])
        span = edges["min"].as_py(), edges["max"].as_py()
        known = self.span_utc_ms or span
        self.span_utc_ms = min(known[0], span[0]), max(known[1], span[1])
        if name != PROBES:
            self._registration.source(name, self._owners.kinds[name], span)
            for quantity in SOURCE_QUANTITIES:
                if table[quantity.stored_name].null_count < table.num_rows:
                    self._registration.channel(name, quantity.name, span)
        return span

    def _put_away(self, keys: Iterable[tuple[str, int]]) -> None:
        for name, day_number in keys:
            rows = pa.concat_tables(self._held.pop((name, day_number)))
            self._n_held -= rows.num_rows
            day = date(1970, 1, 1) + timedelta(days=day_number)
            done = shelve_day(self._database, self._machine_id, name, day, rows, hot_from=self._hot_from)
            self.shelved = self.shelved.plus(done)


def _known(database: Database, machine_id: int) -> tuple[dict[str, str], set[str]]:
    sources = select(source.c.name, source.c.kind).where(source.c.machine_id == machine_id)
    owners = select(channel.c.owner).where(channel.c.machine_id == machine_id)
    with database.begin() as connection:
        kinds = {row.name: row.kind for row in connection.execute(sources)}
        return kinds, set(connection.scalars(owners)) - kinds.keys()


def _plan(
    table: TableFile, mapping: ImportMapping, path: Path, kinds: dict[str, str], probes: set[str]
) -> tuple[Plan, tuple[str, ...]]:
    headings = table.headings
    for name in (*mapping.time_columns, *mapping.columns):
        if name not in headings:
            raise SettingsError(f"{path} has no column {name!r}", remedy=_like(name, headings))
    columns: dict[str, Target] = {}
    others = []
    for name in headings:
        if name in mapping.columns:
            columns[name] = mapping.columns[name]
        elif is_target(name):
            columns[name] = target_of(name, str(path))
        elif name not in mapping.time_columns:
            others.append(name)
    if mapping.is_exchange and others:
        raise SettingsError(
            f"{path} has {_unknown(others)}",
            remedy="mend the headings, or say in a mapping file what they are",
        )
    if not columns:
        raise SettingsError(f"{path} has no column that is known here", remedy="name them in a mapping file")
    taken: dict[str, str] = {}
    for name, target in columns.items():
        if taken.setdefault(target.name, name) != name:
            raise SettingsError(
                f"{path}: {taken[target.name]!r} and {name!r} are both {target.name}",
                remedy="keep one of them",
            )
    owners = sort_owners(columns.values(), kinds, probes)
    return Plan(mapping, columns, owners), tuple(others)


def _like(name: str, headings: Sequence[str]) -> str:
    folded = {heading.casefold(): heading for heading in reversed(headings)}
    near = folded.get(name.casefold())
    if near is None:
        near = next(iter(get_close_matches(name, headings, 1)), None)
    return f"did you mean {near!r}?" if near else f"it has {', '.join(headings[:12])}"


def _unknown(names: Sequence[str]) -> str:
    said = []
    for name in names[:6]:
        near = nearest(name)
        said.append(f"{name!r} (did you mean {near}?)" if near else repr(name))
    more = f" and {len(names) - 6} more" if len(names) > 6 else ""
    plural = "columns" if len(names) > 1 else "a column"
    return f"{plural} not known here: {', '.join(said)}{more}"
