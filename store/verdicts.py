"""The verdicts of past nights: what was known then, kept as it was said."""

from __future__ import annotations

import json
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

from sqlalchemy import delete, func, select

from .database import Database
from .errors import DamagedDataError
from .schema import verdict

FIELDS = tuple(verdict.c[name] for name in ("source", "day", "recipe", "state", "cause", "shape", "body"))


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

    def document(self) -> dict[str, Any]:
        """What was said.

        Raises
        ------
        DamagedDataError
            The body is not what is written there.
        """
        try:
            found = json.loads(self.body)
        except (ValueError, RecursionError):
            found = None
        if not isinstance(found, dict):
            raise self._damaged()
        return found

    def days_in_era(self) -> int:
        """How many days of its era it knew."""
        found = self.document().get("days_in_era", 0)
        if type(found) is not int or found < 0:
            raise self._damaged()
        return found

    def _damaged(self) -> DamagedDataError:
        return DamagedDataError(
            f"the verdict of {self.source} on {self.day} cannot be read", remedy="run `heatdrift rebuild`"
        )


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

    def of(
        self, source: str, *, before_day: str | None = None, latest: int | None = None
    ) -> list[StoredVerdict]:
        """Verdicts of a source, the oldest first.

        Parameters
        ----------
        source
            Its name.
        before_day
            Only those of earlier days (ISO, UTC); None for all.
        latest
            No more than so many of the newest; None for all.
        """
        c = verdict.c
        query = select(*FIELDS).where(c.machine_id == self._machine_id, c.source == source)
        if before_day is not None:
            query = query.where(c.day < before_day)
        query = query.order_by(c.day.desc()).limit(latest)
        with self._database.begin() as connection:
            return [StoredVerdict(*row) for row in connection.execute(query)][::-1]

    def newest(self) -> dict[str, StoredVerdict]:
        """The newest verdict of each source."""
        c = verdict.c
        mine = c.machine_id == self._machine_id
        last = select(c.source, func.max(c.day).label("day")).where(mine).group_by(c.source).subquery()
        query = select(*FIELDS).join(last, (c.source == last.c.source) & (c.day == last.c.day)).where(mine)
        with self._database.begin() as connection:
            return {row.source: StoredVerdict(*row) for row in connection.execute(query)}
