"""Makes sources, probes and channels known whose rows came out of a file."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from sqlalchemy import Connection, Table, select

from .database import Database
from .records import Channel
from .rows import insert_new
from .schema import channel, source

DOOR = "import"
Span = tuple[int, int]


class Registration:
    """Registers what a file has when it is first met, and in the end how far it reaches.

    Parameters
    ----------
    database, machine_id
        Where, and whose.
    labels, methods
        For each (owner, quantity) their heading of it, and how it came about.
    """

    def __init__(
        self,
        database: Database,
        machine_id: int,
        labels: Mapping[tuple[str, str], str],
        methods: Mapping[tuple[str, str], str],
    ) -> None:
        self._database = database
        self._machine_id = machine_id
        self._labels = labels
        self._methods = methods
        self._sources: dict[str, tuple[int, Span]] = {}
        self._channels: dict[tuple[str, str], tuple[int, Span]] = {}

    def source(self, name: str, kind: str, span: Span) -> int:
        """Number of a source of which rows were had over a span [ms since 1970]."""
        known = self._sources.get(name)
        if known is None:
            number = self._found(source, {"name": name}, {"kind": kind}, span)
        else:
            number, span = known[0], _wider(known[1], span)
        self._sources[name] = number, span
        return number

    def channel(self, owner: str, quantity: str, span: Span) -> int:
        """Number of the channel of an owner's quantity."""
        known = self._channels.get((owner, quantity))
        if known is None:
            found = Channel(
                f"{DOOR}/{owner}/{quantity}",
                quantity,
                DOOR,
                self._labels[owner, quantity],
                method=self._methods[owner, quantity],
            )
            identity = {"key": found.key, "owner": owner, "quantity": quantity}
            details = {
                "door": found.door,
                "label": found.label,
                "driver": found.driver,
                "method": found.method,
                "device": found.device,
            }
            number = self._found(channel, identity, details, span)
        else:
            number, span = known[0], _wider(known[1], span)
        self._channels[owner, quantity] = number, span
        return number

    def finish(self) -> None:
        """Note from when to when each was had."""
        with self._database.begin() as connection:
            for table, entries in ((source, self._sources), (channel, self._channels)):
                for number, span in entries.values():
                    _extend(connection, table, number, span)

    def _found(self, table: Table, identity: dict[str, Any], details: dict[str, Any], span: Span) -> int:
        identity = {"machine_id": self._machine_id, **identity}
        row = identity | details | {"first_seen_utc_ms": span[0], "last_seen_utc_ms": span[1]}
        query = select(table.c.id).where(*(table.c[name] == value for name, value in identity.items()))
        with self._database.begin() as connection:
            number = connection.scalar(query)
            if number is None:
                insert_new(self._database, connection, table, [row])
                number = connection.scalar(query)
        return int(number or 0)


def _wider(one: Span, other: Span) -> Span:
    return min(one[0], other[0]), max(one[1], other[1])


def _extend(connection: Connection, table: Table, number: int, span: Span) -> None:
    seen = connection.execute(
        select(table.c.first_seen_utc_ms, table.c.last_seen_utc_ms).where(table.c.id == number)
    ).one()
    first, last = _wider((seen[0], seen[1]), span)
    if (first, last) != tuple(seen):
        values = {"first_seen_utc_ms": first, "last_seen_utc_ms": last}
        connection.execute(table.update().where(table.c.id == number).values(values))
