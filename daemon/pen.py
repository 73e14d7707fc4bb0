"""The pen, and the rows that wait for it."""

from __future__ import annotations

import contextlib
import logging
from collections import deque
from collections.abc import Mapping
from typing import NamedTuple, Protocol

from ..store.errors import (
    DamagedDataError,
    DatabaseBusyError,
    DiskFullError,
    ForeignDatabaseError,
    StoreError,
)
from ..store.records import Batch, Boot, Channel, Gap, GapReason, IdentityChange, ProbeSample, SourceSample
from .poller import Harvest

log = logging.getLogger(__name__)


class Pen(Protocol):
    """What the service needs of the store's writer."""

    def register_source(self, name: str, kind: str, at_utc_ms: int, /) -> None: ...
    def register_channel(self, found: Channel, owner: str, at_utc_ms: int, /) -> None: ...
    def write(self, batch: Batch, /) -> None: ...
    def note_task(self, task: str, at_utc_ms: int, ok: bool, detail: str = "", /) -> None: ...
    def last_task_utc_ms(self, task: str, only_ok: bool = True, /) -> int | None: ...
    def put_state(self, values: Mapping[str, str], at_utc_ms: int, /) -> None: ...
    def facts(self) -> dict[str, str]: ...
    def source_names(self, kind: str, /) -> list[str]: ...
    def last_sample_utc_ms(self, until_utc_ms: int | None = None, /) -> int | None: ...
    def checkpoint(self) -> None: ...
    def release(self) -> None: ...
    def take(self) -> None: ...


class _Held(NamedTuple):
    at_s: float
    sources: list[SourceSample]
    probes: list[ProbeSample]


class Scribe:
    """Holds finished rows and writes them in batches; loses none until an hour of them waits.

    Parameters
    ----------
    pen
        The store's writer.
    hold_s
        How much is held in memory while the database cannot be written [s].
    retry_s
        Pause after a failed write [s].

    Attributes
    ----------
    is_lent
        Another process has the pen.
    """

    def __init__(self, pen: Pen, hold_s: float, retry_s: float) -> None:
        self.pen = pen
        self.is_lent = False
        self._hold_s = hold_s
        self._retry_s = retry_s
        self._held: deque[_Held] = deque()
        self._gaps: list[Gap] = []
        self._changes: list[IdentityChange] = []
        self._boots: list[Boot] = []
        self._trouble: StoreError | None = None
        self._retry_at_s: float | None = None
        self._shed: Gap | None = None
        self._must_take = False

    @property
    def n_rows(self) -> int:
        """Rows that wait."""
        return sum(len(held.sources) + len(held.probes) for held in self._held)

    @property
    def is_damaged(self) -> bool:
        """Whether a repair is what the database needs."""
        return isinstance(
            self._trouble, DamagedDataError | ForeignDatabaseError
        )  # its first page may be gone

    def hold(self, harvest: Harvest, now_s: float) -> None:
        """Take what was gathered until now (monotonic [s])."""
        if harvest.sources or harvest.probes:
            self._held.append(_Held(now_s, harvest.sources, harvest.probes))
            while now_s - self._held[0].at_s > self._hold_s:
                self._drop(self._held.popleft())
        self._gaps += harvest.gaps
        self._changes += harvest.changes

    def hold_boot(self, boot: Boot) -> None:
        """Take note of this boot."""
        self._boots.append(boot)

    def may_try(self, now_s: float) -> bool:
        """Whether a write makes sense now: nobody else writes, and the last failure is some time ago."""
        return not self.is_lent and (self._retry_at_s is None or now_s >= self._retry_at_s)

    def flush(self, now_s: float) -> bool:
        """Write everything that waits; False when it still waits."""
        if self.is_lent:
            return False
        batch = Batch(
            tuple(row for held in self._held for row in held.sources),
            tuple(row for held in self._held for row in held.probes),
            (*self._gaps, self._shed) if self._shed else tuple(self._gaps),
            tuple(self._boots),
            tuple(self._changes),
        )
        try:
            if self._must_take:
                self.pen.take()
                self._must_take = False
            if len(batch):
                self.pen.write(batch)
        except StoreError as error:
            self._fail(error, now_s)
            return False
        if self._trouble is not None:
            log.info("the database takes rows again; %d were waiting", len(batch))
        self._trouble = self._retry_at_s = self._shed = None
        self._held.clear()
        self._gaps, self._changes, self._boots = [], [], []
        return True

    def lend(self) -> None:
        """Lay the pen down for a child process."""
        self.pen.release()
        self.is_lent = self._must_take = True

    def take_back(self, now_s: float) -> bool:
        """Take the pen after the child has ended and write what waited meanwhile."""
        self.is_lent = False
        return self.flush(now_s)

    def _fail(self, error: StoreError, now_s: float) -> None:
        self._retry_at_s = now_s + self._retry_s
        if type(error) is not type(self._trouble):
            wait = (
                "another process holds it" if isinstance(error, DatabaseBusyError) else "nothing is lost yet"
            )
            log.warning(
                "rows wait in memory, for up to %.0f minutes (%s): %s", self._hold_s / 60, wait, error
            )
        self._trouble = error
        if not isinstance(error, DatabaseBusyError | DiskFullError):
            # A connection may stay broken when the file is fine again: the next try begins with a new one.
            with contextlib.suppress(StoreError):
                self.pen.release()
            self._must_take = True

    def _drop(self, held: _Held) -> None:
        """The oldest rows make room; the gap says that they were had and lost."""
        times = [row.time_utc_ms for row in held.sources] + [row.time_utc_ms for row in held.probes]
        why = "the disk was full" if isinstance(self._trouble, DiskFullError) else "could not be written"
        detail = f"rows were dropped from memory: {self._trouble.message if self._trouble else why}"
        if self._shed is None:
            log.warning("the database could not be written for too long: the oldest rows are being dropped")
            self._shed = Gap(min(times), max(times), GapReason.DISK_FULL, "", detail)
        else:
            first_ms = min(self._shed.from_utc_ms, *times)
            self._shed = Gap(
                first_ms, max(self._shed.to_utc_ms, *times), GapReason.DISK_FULL, "", self._shed.detail
            )
