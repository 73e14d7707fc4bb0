"""The newest row of each source and probe, on every backend."""

from __future__ import annotations

from heatdrift.store.database import open_writer
from heatdrift.store.latest import LatestProbe, latest_probes, latest_samples
from heatdrift.store.records import Batch, Cadence, Channel, ProbeSample, SourceSample
from heatdrift.store.units import SOURCE_QUANTITIES
from heatdrift.store.writer import Writer

EMPTY = (None,) * (len(SOURCE_QUANTITIES) - 1)


def sample(time_utc_ms: int, source: str, temperature_milli_c: int) -> SourceSample:
    return SourceSample(time_utc_ms, source, (temperature_milli_c, *EMPTY), 4, Cadence.LOAD, 5, 0)


def test_newest_row_of_each(database_url: str) -> None:
    database = open_writer(database_url)
    mine, other = Writer(database, "uuid-a", "dove", 0), Writer(database, "uuid-b", "hawk", 0)
    for writer in (mine, other):
        writer.register_source("cpu0", "cpu", 0)
        writer.register_channel(Channel("k", "speed_rpm", "hwmon"), "fan1", 0)
    mine.register_source("gpu0", "gpu", 0)
    newest = sample(3000, "cpu0", 61_000)
    mine.write(
        Batch(
            sources=(newest, sample(2000, "cpu0", 60_000), sample(1000, "gpu0", 40_000)),
            probes=(
                ProbeSample(1000, "fan1", "speed_rpm", 900_000, 0),
                ProbeSample(2000, "fan1", "speed_rpm", None, 4),
            ),
        )
    )
    other.write(Batch(sources=(sample(9000, "cpu0", 30_000),)))
    assert latest_samples(database, "uuid-a") == [newest, sample(1000, "gpu0", 40_000)]
    assert latest_probes(database, "uuid-a") == [LatestProbe(2000, "fan1", "speed_rpm", None)]
    assert latest_probes(database, "uuid-b") == []
    database.close()
