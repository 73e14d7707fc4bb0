"""What stands between the service and a database on a server: spool, courier, pen and outbox."""

from __future__ import annotations

import json
import logging
import os
import subprocess
import sys
from collections.abc import Callable, Mapping
from dataclasses import replace
from pathlib import Path
from typing import Any

from ..daemon.clock import Clock
from ..daemon.courier import Courier
from ..daemon.errands import DATABASE_VARIABLE
from ..daemon.freed_memory import give_back
from ..daemon.guard import Past
from ..daemon.guard_settings import GuardSettings
from ..daemon.layout import Layout
from ..daemon.pen import Pen
from ..daemon.spooled_pen import spooled_pen_factory
from ..store.database import parse_url, sqlite_path
from ..store.delivery import Deliverer, open_patiently
from ..store.errors import StoreError
from ..store.message import Message
from ..store.outbox import Outbox
from ..store.spool import Backlog, Spool, waiting
from ..store.spool_entries import draft
from ..store.summary import StoreSummary
from .outbox_door import past_of
from .places import default_database
from .pulse import refuse_beside
from .wording import counted, moment_text

log = logging.getLogger(__name__)

MIGRATION_S = 1800.0
ON_THEIR_WAY = 3  # entries that a flush and a sign of life leave for a moment


class ServerSide:
    """All that a service needs for a server; nothing is touched before the pen is opened.

    Parameters
    ----------
    url
        The database.
    machine_uuid, machine_name
        The machine that is recorded.
    clock
        Time.
    """

    def __init__(self, url: str, machine_uuid: str, machine_name: str, clock: Clock) -> None:
        self._url = url
        self._machine = machine_uuid, machine_name
        self._clock = clock
        self._spool = Spool(spool_path(machine_uuid))
        self._courier = Courier(self._spool, self._meet, migrate=self._migrate)

    @property
    def pen_factory(self) -> Callable[[], Pen]:
        """What opens the spool for writing."""
        return spooled_pen_factory(self._spool, self._courier, self._clock)

    def queue(self, wanted: Message) -> bool:
        """Write a message down for the outbox; whether its key is locked there, only the server can tell."""
        self._spool.append([draft(wanted, self._clock.wall_utc_ms())])
        self._courier.wake()
        return True

    def next_due_utc_ms(self, now_utc_ms: int) -> int | None:
        """When a sender has something to do next [ms since 1970]; None where all is done."""

        def question(found: Deliverer) -> int | None:
            return Outbox(found.database, found.machine_id).next_due_utc_ms(now_utc_ms)

        return self._courier.ask("next due", question)

    def past(self, layout: Layout, settings: GuardSettings, now_utc_ms: int, *, with_fans: bool) -> Past:
        """What the record says about heat at a layout."""

        def question(found: Deliverer) -> Past:
            return past_of(
                found.database, found.machine_id, layout, settings, now_utc_ms, with_fans=with_fans
            )

        return self._courier.ask("past", question)

    def close(self) -> None:
        """End what was begun; a service that ends with its process has no need of it."""
        self._courier.stop()
        self._spool.close()

    def _meet(self, places: Mapping[tuple[str, str], str], on_connect: Callable[[Any], None]) -> Deliverer:
        database = open_patiently(self._url, on_connect)
        try:
            found = Deliverer(database, *self._machine, self._clock.wall_utc_ms(), places)
        except BaseException:
            database.close()
            raise
        log.info("recording into %s", database.url_for_people)
        give_back()  # everything is loaded now: what that needed, a year of looking will not
        return found

    def _migrate(self) -> None:
        environment = {**os.environ, DATABASE_VARIABLE: self._url}
        command = [sys.executable, "-m", "heatdrift", "upkeep"]
        try:
            subprocess.run(
                command,
                env=environment,
                stdin=subprocess.DEVNULL,
                stdout=subprocess.DEVNULL,
                timeout=MIGRATION_S,
                check=False,
            )
        except (OSError, subprocess.TimeoutExpired) as error:
            log.warning("the upkeep could not be done: %s", error)


def server_side(url: str, machine_uuid: str, machine_name: str, clock: Clock) -> ServerSide | None:
    """The server's side of a service; None where the database is a file."""
    if sqlite_path(parse_url(url)) is not None:
        return None
    return ServerSide(url, machine_uuid, machine_name, clock)


def spool_path(machine_uuid: str) -> Path:
    """Where rows of a machine wait for a server: beside the place of a database that is a file."""
    return Path(default_database(os.environ)[0]).parent / f"waiting-{machine_uuid[:8]}.sqlite"


def found_waiting(url: str, machine_uuid: str) -> tuple[Backlog, dict[str, str]] | None:
    """What waits here for a server, and what is known of it; None where nothing is kept for one.

    Raises
    ------
    StoreError
        It cannot be looked at.
    """
    path = spool_path(machine_uuid)
    try:
        if sqlite_path(parse_url(url)) is not None or not path.exists():
            return None
    except OSError as error:
        raise StoreError(f"{path} belongs to another user", remedy="run this with sudo") from error
    return waiting(path)


def waiting_text(backlog: Backlog, known: Mapping[str, str]) -> str:
    """What waits here for the server, since when and why, in words; empty where all is as it should be."""
    trouble = known.get("trouble", "")
    if backlog.since_utc_ms is None or not (trouble or backlog.n_entries > ON_THEIR_WAY):
        return ""
    why = f": {trouble}" if trouble else ", on their way to the server"
    return f"{counted(backlog.n_rows, 'row')} here since {moment_text(backlog.since_utc_ms)}{why}"


def state_of(known: Mapping[str, str]) -> tuple[dict[str, str], int | None]:
    """What the recorder last said about itself, and when [ms since 1970]."""
    at = known.get("state_at_utc_ms", "")
    return json.loads(known.get("state", "{}")), int(at) if at else None


def fresher(found: StoreSummary, known: Mapping[str, str]) -> StoreSummary:
    """A summary of the server's database with what the recorder said since."""
    state, at_utc_ms = state_of(known)
    if at_utc_ms is None or (found.state_at_utc_ms is not None and found.state_at_utc_ms >= at_utc_ms):
        return found
    return replace(found, state=found.state | state, state_at_utc_ms=at_utc_ms)


def refuse_beside_a_courier(url: str, machine_uuid: str, allowed_pid: int) -> None:
    """Only one process may write down what waits for a server.

    Raises
    ------
    DatabaseBusyError
        Another recorder does.
    """
    try:
        found = found_waiting(url, machine_uuid)
    except StoreError:
        return  # whoever opens it next says what is wrong with it
    if found is not None:
        refuse_beside(state_of(found[1])[0], allowed_pid)
