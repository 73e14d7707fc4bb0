"""Where a GPU says that it throttles, as NVML told it and the record kept it."""

from __future__ import annotations

from pathlib import Path

from heatdrift.reports.throttle_point import throttle_point_c
from heatdrift.store.database import open_reader, open_writer
from heatdrift.store.reader import Reader
from heatdrift.store.records import Batch, Channel, IdentityChange
from heatdrift.store.writer import Writer


def record(folder: Path, *changes: tuple[str, str]) -> Reader:
    url = f"sqlite:///{folder / 'record.sqlite'}"
    database = open_writer(url)
    writer = Writer(database, "uuid", "bench", 0)
    writer.register_source("gpu0", "gpu", 0)
    writer.register_channel(
        Channel("nvml/A/temperature_c", "temperature_c", "nvml", device="GPU-A"), "gpu0", 0
    )
    facts = tuple(IdentityChange(at, subject, None, after) for at, (subject, after) in enumerate(changes))
    writer.write(Batch(changes=facts))
    database.close()
    return Reader(open_reader(url))


def test_the_newest_point_of_the_same_device_counts(tmp_path: Path) -> None:
    reader = record(
        tmp_path, ("GPU-A.slowdown_c", "87"), ("GPU-B.slowdown_c", "70"), ("GPU-A.slowdown_c", "91")
    )
    assert throttle_point_c(reader, "gpu0") == 91.0
    assert throttle_point_c(reader, "cpu0") is None


def test_a_placeholder_is_none(tmp_path: Path) -> None:
    assert throttle_point_c(record(tmp_path, ("GPU-A.slowdown_c", "0")), "gpu0") is None
    other = tmp_path / "other"
    other.mkdir()
    assert throttle_point_c(record(other, ("GPU-A.shutdown_c", "95")), "gpu0") is None
