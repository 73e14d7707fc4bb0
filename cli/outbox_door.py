"""The service's way to the outbox: a connection of its own for each call, which never checkpoints.

So an alarm is stored also while the nightly child has the pen.
"""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager

from ..daemon.guard import Past
from ..daemon.guard_settings import GuardSettings
from ..daemon.layout import Layout
from ..daemon.metal_watch import MetalWatch
from ..store.database import Database, open_reader, open_writer
from ..store.errors import StoreError
from ..store.machines import machines
from ..store.message import Message
from ..store.outbox import DAY_MS, Outbox
from ..store.past_heat import fans_at_heat, heat_rows, liquid_metal_paths

PAST_DAYS = 7


class OutboxDoor:
    """Opens the database for as long as each call lasts.

    Parameters
    ----------
    url
        The database.
    machine_uuid
        The machine that is recorded.
    busy_timeout_ms, cache_kib
        See `open_writer`.
    """

    def __init__(self, url: str, machine_uuid: str, busy_timeout_ms: int, cache_kib: int) -> None:
        self._url = url
        self._uuid = machine_uuid
        self._busy_timeout_ms = busy_timeout_ms
        self._cache_kib = cache_kib

    def queue(self, wanted: Message) -> bool:
        """Put a message in; False where its key is locked."""
        database = open_writer(
            self._url,
            keeps_checkpoints=False,
            busy_timeout_ms=self._busy_timeout_ms,
            cache_kib=self._cache_kib,
            may_make=False,
        )
        try:
            return Outbox(database, self._machine_id(database)).queue(wanted)
        finally:
            database.close()

    def next_due_utc_ms(self, now_utc_ms: int) -> int | None:
        """When a sender has something to do next [ms since 1970]; None where all is done."""
        with self._reading() as database:
            return Outbox(database, self._machine_id(database)).next_due_utc_ms(now_utc_ms)

    def past(self, layout: Layout, settings: GuardSettings, now_utc_ms: int, *, with_fans: bool) -> Past:
        """What the record says about heat at a layout."""
        with self._reading() as database:
            number = self._machine_id(database)
            return past_of(database, number, layout, settings, now_utc_ms, with_fans=with_fans)

    @contextmanager
    def _reading(self) -> Iterator[Database]:
        database = open_reader(self._url)
        try:
            yield database
        finally:
            database.close()

    def _machine_id(self, database: Database) -> int:
        number = next((one.number for one in machines(database) if one.uuid == self._uuid), None)
        if number is None:
            raise StoreError("this machine is not in the database yet", remedy="start the service")
        return number


def past_of(
    database: Database,
    machine_id: int,
    layout: Layout,
    settings: GuardSettings,
    now_utc_ms: int,
    *,
    with_fans: bool,
) -> Past:
    """What a database says about heat at a layout."""
    since_ms = now_utc_ms - PAST_DAYS * DAY_MS
    names = [source.name for source in layout.sources]
    metal = {
        name: MetalWatch(
            round(settings.step_k * 1000),
            settings.step_s,
            heat_rows(database, machine_id, name, max(since_ms, at_ms)),
        )
        for name, at_ms in liquid_metal_paths(database, machine_id, names).items()
    }
    heat_milli_c = round(settings.fan_heat_c * 1000)
    fans = fans_at_heat(database, machine_id, since_ms, heat_milli_c) if with_fans else {}
    return Past(fans, metal)
