"""What the last days say about heat that is normal here, for a guard that starts anew."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from typing import NamedTuple

from sqlalchemy import case, func, select

from .database import Database
from .journal import Journal
from .journal_entry import EntryKind
from .records import Cadence
from .schema import channel, probe_sample, source, source_sample

ROW_S = {Cadence.IDLE: 60.0, Cadence.LOAD: 5.0, Cadence.STEP: 1.0}  # how long a row stands for, about


class FanPast(NamedTuple):
    """Rows in which a fan turned, and stood, while some source was hot."""

    n_turning: int
    n_standing: int


class HeatRow(NamedTuple):
    """One row of a source: its power, that of all others together, its temperature [thousandths]."""

    power_milli_w: int
    others_milli_w: int
    temperature_milli_c: int
    span_s: float


def fans_at_heat(
    database: Database, machine_id: int, since_utc_ms: int, heat_milli_c: int
) -> dict[str, FanPast]:
    """How each fan with a tachometer behaved while some source was at least so hot.

    Parameters
    ----------
    since_utc_ms
        Rows before it count no more [ms since 1970].
    heat_milli_c
        Thousandths of a degree.
    """
    hot = (
        select(source_sample.c.time_utc_ms)
        .join(source, source.c.id == source_sample.c.source_id)
        .where(source.c.machine_id == machine_id, source_sample.c.time_utc_ms >= since_utc_ms)
        .where(source_sample.c.temperature_milli_c >= heat_milli_c)
        .distinct()
    )
    turns = func.sum(case((probe_sample.c.value_milli > 0, 1), else_=0))
    stands = func.sum(case((probe_sample.c.value_milli == 0, 1), else_=0))
    query = (
        select(channel.c.owner, turns, stands)
        .join(channel, channel.c.id == probe_sample.c.channel_id)
        .where(channel.c.machine_id == machine_id, channel.c.quantity == "speed_rpm")
        .where(probe_sample.c.time_utc_ms.in_(hot))
        .group_by(channel.c.owner)
    )
    with database.begin() as connection:
        return {owner: FanPast(int(n), int(m)) for owner, n, m in connection.execute(query)}


def liquid_metal_paths(database: Database, machine_id: int, sources: Sequence[str]) -> dict[str, int]:
    """Sources whose heat goes through liquid metal, by the journal.

    Returns
    -------
    dict
        Source to the moment of the last entry that may have changed its temperatures [ms since 1970].
    """
    since: dict[str, int] = {}
    for entry in Journal(database, machine_id).entries():
        for name in [entry.source] if entry.source else sources:
            if entry.kind is EntryKind.LIQUID_METAL or name in since:
                since[name] = entry.at_utc_ms
            if entry.kind is EntryKind.COMPOUND:
                since.pop(name, None)
    return {name: at for name, at in since.items() if name in sources}


def heat_rows(database: Database, machine_id: int, name: str, since_utc_ms: int) -> Iterator[HeatRow]:
    """Every row of a source that had power and temperature, the oldest first."""
    with database.begin() as connection:
        ids = connection.execute(
            select(source.c.name, source.c.id).where(source.c.machine_id == machine_id)
        ).all()
        own = next((number for found, number in ids if found == name), None)
        others = source_sample.alias("others")
        summed = (
            select(others.c.time_utc_ms, func.sum(others.c.power_milli_w).label("power"))
            .where(others.c.source_id.in_([number for found, number in ids if found != name]))
            .where(others.c.time_utc_ms >= since_utc_ms)
            .group_by(others.c.time_utc_ms)
            .subquery()
        )
        table = source_sample.c
        query = (
            select(
                table.power_milli_w,
                func.coalesce(summed.c.power, 0),
                table.temperature_milli_c,
                table.cadence,
            )
            .outerjoin(summed, summed.c.time_utc_ms == table.time_utc_ms)
            .where(table.source_id == own, table.time_utc_ms >= since_utc_ms)
            .where(table.power_milli_w.is_not(None), table.temperature_milli_c.is_not(None))
            .order_by(table.time_utc_ms)
            .execution_options(yield_per=1000)
        )
        for power, rest, temperature, cadence in connection.execute(query):
            yield HeatRow(power, int(rest), temperature, ROW_S[Cadence(cadence)])
