"""The verdicts of past nights: what was known then, kept as it was said."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from sqlalchemy import delete, select

from .database import Database
from .schema import verdict


@dataclass(frozen=True, slots=True)
class StoredVerdict:
    """One source after one day; ``body`` is JSON, ``recipe`` what it rests on."""

    source: str
    day: str
    recipe: str
    state: str
    cause: str
    shape: str
    body: str


class VerdictBook:
    """Reads and writes the verdicts of one machine."""

    def __init__(self, database: Database, machine_id: int) -> None:
        self._database = database
        self._machine_id = machine_id

    def put(self, verdicts: Sequence[StoredVerdict]) -> None:
        """Write verdicts, each in the place of an earlier one of the same source and day."""
        c = verdict.c
        with self._database.begin() as connection:
            for one in verdicts:
                connection.execute(
                    delete(verdict).where(
                        c.machine_id == self._machine_id, c.source == one.source, c.day == one.day
                    )
                )
                connection.execute(
                    verdict.insert().values(
                        machine_id=self._machine_id,
                        source=one.source,
                        day=one.day,
                        recipe=one.recipe,
                        state=one.state,
                        cause=one.cause,
                        shape=one.shape,
                        body=one.body,
                    )
                )

    def of(self, source: str) -> list[StoredVerdict]:
        """Every verdict of a source, the oldest first."""
        c = verdict.c
        query = (
            select(c.source, c.day, c.recipe, c.state, c.cause, c.shape, c.body)
            .where(c.machine_id == self._machine_id, c.source == source)
            .order_by(c.day)
        )
        with self._database.begin() as connection:
            return [StoredVerdict(*row) for row in connection.execute(query)]

    def newest(self) -> dict[str, StoredVerdict]:
        """The newest verdict of each source."""
        c = verdict.c
        query = (
            select(c.source, c.day, c.recipe, c.state, c.cause, c.shape, c.body)
            .where(c.machine_id == self._machine_id)
            .order_by(c.day)
        )
        with self._database.begin() as connection:
            return {row.source: StoredVerdict(*row) for row in connection.execute(query)}
