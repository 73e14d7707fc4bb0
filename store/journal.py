"""The journal in the database: entries of one machine, added, changed and removed."""

from __future__ import annotations

import json
from collections.abc import Iterable
from dataclasses import replace
from typing import Any

from sqlalchemy import Connection, Row, select

from .database import Database
from .errors import DamagedDataError, SettingsError
from .journal_entry import EntryKind, JournalEntry, check_entry
from .schema import journal_entry


class Journal:
    """The journal of one machine.

    Parameters
    ----------
    database
        From `open_reader` for reading; from `open_writer` for the rest.
    machine_id
        `Reader.machine_id`.
    """

    def __init__(self, database: Database, machine_id: int) -> None:
        self._database = database
        self._machine_id = machine_id

    def entries(self) -> list[JournalEntry]:
        """Every entry, by its moment; those of one moment in the order in which they were entered."""
        with self._database.begin() as connection:
            return self._entries(connection)

    def entry(self, entry_id: int) -> JournalEntry:
        """One entry by its number.

        Raises
        ------
        SettingsError
            There is none.
        """
        with self._database.begin() as connection:
            return self._entry(connection, entry_id)

    def add(self, entries: Iterable[JournalEntry], now_utc_ms: int) -> list[JournalEntry]:
        """Add those entries that are not there yet: all of them or, where one is wrong, none.

        Parameters
        ----------
        entries
            In any order.
        now_utc_ms
            Now, UTC [ms since 1970]; nothing later is believed.

        Returns
        -------
        list
            What was new, with its numbers.
        """
        wanted = list(entries)
        for entry in wanted:
            check_entry(entry, now_utc_ms)
        added: list[JournalEntry] = []
        with self._database.begin() as connection:
            known = self._entries(connection)
            for entry in wanted:
                if entry in known:
                    continue
                done = connection.execute(journal_entry.insert(), self._row(entry))
                known.append(entry)
                added.append(replace(entry, entry_id=_number(done.inserted_primary_key)))
        return added

    def change(self, entry_id: int, entry: JournalEntry, now_utc_ms: int) -> None:
        """Put another entry under the number of an old one."""
        check_entry(entry, now_utc_ms)
        with self._database.begin() as connection:
            self._entry(connection, entry_id)
            statement = journal_entry.update().where(journal_entry.c.id == entry_id)
            connection.execute(statement, self._row(entry))

    def remove(self, entry_id: int) -> JournalEntry:
        """Take an entry out, and return what it said."""
        with self._database.begin() as connection:
            found = self._entry(connection, entry_id)
            connection.execute(journal_entry.delete().where(journal_entry.c.id == entry_id))
        return found

    def _entries(self, connection: Connection) -> list[JournalEntry]:
        c = journal_entry.c
        query = select(journal_entry).where(c.machine_id == self._machine_id).order_by(c.at_utc_ms, c.id)
        return [_entry_of(row) for row in connection.execute(query)]

    def _entry(self, connection: Connection, entry_id: int) -> JournalEntry:
        found = next((e for e in self._entries(connection) if e.entry_id == entry_id), None)
        if found is None:
            raise SettingsError(f"the journal has no entry {entry_id}", remedy="see `heatdrift journal list`")
        return found

    def _row(self, entry: JournalEntry) -> dict[str, Any]:
        details = {"interface": entry.interface, "numbers": dict(sorted(entry.numbers.items()))}
        return {
            "machine_id": self._machine_id,
            "at_utc_ms": entry.at_utc_ms,
            "kind": entry.kind.value,
            "source": entry.source,
            "details": json.dumps(details),
            "cost_milli": entry.cost_milli,
            "currency": entry.currency,
            "note": entry.note,
            "photo_path": entry.photo_path,
        }


def _entry_of(row: Row[Any]) -> JournalEntry:
    try:
        return _read(row)
    except (ValueError, KeyError, TypeError, AttributeError) as error:
        raise DamagedDataError(
            f"entry {row.id} of the journal cannot be read",
            remedy="bring it back from a backup, or update heatdrift",
        ) from error


def _read(row: Row[Any]) -> JournalEntry:
    details = json.loads(row.details)
    return JournalEntry(
        at_utc_ms=row.at_utc_ms,
        kind=EntryKind(row.kind),
        source=row.source,
        interface=details["interface"],
        numbers={key: float(value) for key, value in details["numbers"].items()},
        cost_milli=row.cost_milli,
        currency=row.currency,
        note=row.note,
        photo_path=row.photo_path,
        entry_id=row.id,
    )


def _number(primary_key: Any) -> int:
    return int(primary_key[0])
