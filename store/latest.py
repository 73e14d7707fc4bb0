"""The newest plain row of every source and probe: what `heatdrift status` shows, without a heavy library."""

from __future__ import annotations

from typing import NamedTuple

from sqlalchemy import select

from .database import Database
from .records import SourceSample
from .sample_tables import VALUE_COLUMNS
from .schema import channel, machine, probe_sample, source, source_sample

# Probes are read together: the newest of each lies within the last few rows of all of them.
NEWEST_PROBE_ROWS = 2000


class LatestProbe(NamedTuple):
    """The newest row of one quantity of a probe or fan, thousandths of its unit."""

    time_utc_ms: int
    probe: str
    quantity: str
    value: int | None


def latest_samples(database: Database, machine_uuid: str) -> list[SourceSample]:
    """The newest row of each source that has plain rows, in the order in which they were registered."""
    found = []
    query = (
        select(source.c.id, source.c.name)
        .join(machine, machine.c.id == source.c.machine_id)
        .where(machine.c.uuid == machine_uuid)
        .order_by(source.c.id)
    )
    with database.begin() as connection:
        for source_id, name in connection.execute(query).all():
            newest = select(source_sample).where(source_sample.c.source_id == source_id)
            row = connection.execute(newest.order_by(source_sample.c.time_utc_ms.desc()).limit(1)).first()
            if row is not None:
                cells = row._mapping
                found.append(
                    SourceSample(
                        cells["time_utc_ms"],
                        name,
                        tuple(cells[column] for column in VALUE_COLUMNS),
                        cells["limit_reasons"],
                        cells["cadence"],
                        cells["n_looks"],
                        cells["missing_reasons"],
                    )
                )
    return found


def latest_probes(database: Database, machine_uuid: str) -> list[LatestProbe]:
    """The newest row of each probe that was read lately, by name."""
    newest: dict[tuple[str, str], LatestProbe] = {}
    query = (
        select(probe_sample.c.time_utc_ms, channel.c.owner, channel.c.quantity, probe_sample.c.value_milli)
        .join(channel, channel.c.id == probe_sample.c.channel_id)
        .join(machine, machine.c.id == channel.c.machine_id)
        .where(machine.c.uuid == machine_uuid)
        .order_by(probe_sample.c.time_utc_ms.desc())
        .limit(NEWEST_PROBE_ROWS)
    )
    with database.begin() as connection:
        for time_utc_ms, owner, quantity, value in connection.execute(query):
            newest.setdefault((owner, quantity), LatestProbe(time_utc_ms, owner, quantity, value))
    return [newest[key] for key in sorted(newest)]
