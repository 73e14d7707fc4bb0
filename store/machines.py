"""Which machines a database holds."""

from __future__ import annotations

from typing import NamedTuple

from sqlalchemy import select

from .database import Database
from .schema import machine


class MachineEntry(NamedTuple):
    """A machine: its number in this database, its lasting identity, and what its owner calls it."""

    number: int
    uuid: str
    name: str


def machines(database: Database) -> list[MachineEntry]:
    """Every machine of a database, in the order in which they were first met."""
    query = select(machine.c.id, machine.c.uuid, machine.c.name).order_by(machine.c.id)
    with database.begin() as connection:
        return [MachineEntry(*row) for row in connection.execute(query)]
