"""Opens the history of one machine for the commands that think about it, and brings it up to date."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass

from ..reports.derivation import Derivation, update
from ..store.database import Database, open_reader, open_writer
from ..store.derived import DerivedStore
from ..store.errors import StoreError
from ..store.journal import Journal
from ..store.journal_entry import JournalEntry
from ..store.machines import machines
from ..store.reader import Reader
from .export import progress_bar
from .identity import identity
from .settings import Settings


@dataclass(frozen=True, slots=True, eq=False)
class History:
    """One machine: its record, what is derived from it, and what was done to it; ``writing`` for results."""

    reader: Reader
    writing: Database
    derived: DerivedStore
    entries: list[JournalEntry]

    def update(self) -> Derivation:
        """Bring what is derived up to date, with a progress bar for people.

        Raises
        ------
        StoreError
            Nothing was recorded yet.
        """
        if self.reader.span_utc_ms() is None:
            raise StoreError(
                f"nothing was recorded of {self.reader.machine_name}",
                remedy="start the service, or `heatdrift import` what was recorded elsewhere",
            )
        with progress_bar() as bar:
            task = bar.add_task("working through the record", total=None)
            return update(
                self.reader,
                self.derived,
                self.entries,
                progress=lambda done, of: bar.update(task, completed=done, total=of),
            )


@contextmanager
def open_history(settings: Settings, wanted: str | None) -> Iterator[History]:
    """Open the history of the machine named, else of this one, else of the only one there is.

    Raises
    ------
    StoreError
        There is no record, or it is of another version.
    SettingsError
        No such machine, or several and none was named.
    """
    reading = open_reader(settings.database)
    writing: Database | None = None
    try:
        own = identity(settings)
        if wanted is None and own in {entry.uuid for entry in machines(reading)}:
            wanted = own
        reader = Reader(reading, wanted)
        # Beside a recorder only the recorder copies the WAL back into the file.
        writing = open_writer(settings.database, keeps_checkpoints=False)
        entries = Journal(reading, reader.machine_id).entries()
        yield History(reader, writing, DerivedStore(writing, reader.machine_id), entries)
    finally:
        reading.close()
        if writing is not None:
            writing.close()
