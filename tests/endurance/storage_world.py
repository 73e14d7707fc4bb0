"""A record of which every value can be worked out from its moment, so that none can be invented unseen."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import numpy.typing as npt
import pandas as pd

from heatdrift.store.backup import backup
from heatdrift.store.database import Database, open_reader, open_writer
from heatdrift.store.packing import DAY_MS
from heatdrift.store.reader import Reader
from heatdrift.store.records import Batch, Boot, Channel, ProbeSample, SourceSample
from heatdrift.store.sealing import merge_sealed_weeks, seal_finished_days
from heatdrift.store.units import SOURCE_QUANTITIES
from heatdrift.store.writer import Writer

START_UTC_MS = 1_767_571_200_000  # Monday, 5 January 2026
STEP_MS = 120_000
PER_DAY = DAY_MS // STEP_MS
HOT_DAYS = 3
SOURCES = ("gpu0", "cpu0")
PROBES = ("ambient", "fan1")
QUANTITY = {"ambient": "temperature_c", "fan1": "speed_rpm"}
LEAST, SPAN = 20_000, 60_000  # thousandths: what any of the quantities may be
EMPTY = (None,) * (len(SOURCE_QUANTITIES) - 4)
Whole = npt.NDArray[np.int64]


def truth(name: str, times_utc_ms: Whole, which: int = 0) -> Whole:
    """What a source (0: temperature, 1: power) or probe said at each moment, thousandths."""
    salt = sum(map(ord, name)) * 7919 + which * 104_729
    mixed = (np.asarray(times_utc_ms, np.int64) // 1000 * 2_654_435_761 + salt) % 1_000_003
    return LEAST + mixed % SPAN


def batch(numbers: Iterable[int]) -> Batch:
    """The rows of some steps since the start."""
    times = np.array([START_UTC_MS + number * STEP_MS for number in numbers], np.int64)
    sources: list[SourceSample] = []
    probes: list[ProbeSample] = []
    for name in SOURCES:
        for at, warm, watts in zip(
            times.tolist(), truth(name, times).tolist(), truth(name, times, 1).tolist(), strict=True
        ):
            sources.append(SourceSample(at, name, (warm, None, None, watts, *EMPTY), None, 0, 1, 0))
    for name in PROBES:
        for at, value in zip(times.tolist(), truth(name, times).tolist(), strict=True):
            probes.append(ProbeSample(at, name, QUANTITY[name], value, 0))
    return Batch(tuple(sources), tuple(probes))


def open_pen(url: str, database: Database | None = None) -> Writer:
    """A writer that knows the machine's sources and probes."""
    writer = Writer(database or open_writer(url), "u", "desk", START_UTC_MS)
    for name in SOURCES:
        writer.register_source(name, name[:3], START_UTC_MS)
    for name in PROBES:
        writer.register_channel(Channel(name, QUANTITY[name], "hwmon"), name, START_UTC_MS)
    return writer


def now_utc_ms(number: int) -> int:
    """The moment of a step."""
    return START_UTC_MS + number * STEP_MS


def make_record(path: Path, backup_folder: Path, *, n_days: int, n_days_backed_up: int) -> int:
    """A record with packed weeks, packed days and plain rows, backed up some days before its end.

    Its newest half day is still in the log beside it. Returns the number of the next step.
    """
    url = f"sqlite:///{path}"
    writer = open_pen(url)
    database = open_writer(url)
    number = 0

    def record(until: int) -> int:
        for start in range(number, until, PER_DAY // 4):
            writer.write(batch(range(start, min(until, start + PER_DAY // 4))))
        seal_finished_days(database, now_utc_ms(until), HOT_DAYS)
        merge_sealed_weeks(database, now_utc_ms(until), HOT_DAYS)
        return until

    number = record(n_days_backed_up * PER_DAY)
    writer.write(Batch(boots=(Boot("boot-1", START_UTC_MS),)))
    backup(database, backup_folder, now_utc_ms(number))
    writer.note_task("backup", now_utc_ms(number), True)
    number = record(n_days * PER_DAY)
    writer.checkpoint()
    for _ in range(12):
        writer.write(batch(range(number, number + 30)))
        number += 30
        writer.put_state({"state": "running", "pid": "0"}, now_utc_ms(number))
    image = {one: one.read_bytes() for one in path.parent.glob(f"{path.name}*") if one.suffix != ".part"}
    writer.release()
    database.close()
    for one, content in image.items():  # as a power cut leaves them: the last to close would empty the log
        one.write_bytes(content)
    path.with_name(path.name + "-shm").unlink(missing_ok=True)
    return number


@dataclass(frozen=True, slots=True)
class Found:
    """What stands in a record, held against the truth.

    Attributes
    ----------
    n_lost, n_extra, n_invented
        Moments of a source or probe that should be there and are not, are there and should not be (or twice),
        are there with another value.
    n_old_lost
        Of the lost ones, those that a backup had.
    n_gaps
        Gaps that say that the database was damaged.
    """

    n_lost: int
    n_extra: int
    n_invented: int
    n_old_lost: int
    n_gaps: int


def examine(path: Path, n_steps: int, n_backed_up: int = 0) -> Found:
    """Hold everything against the truth: the first ``n_steps`` steps, and no others."""
    until_ms = now_utc_ms(n_backed_up)
    wanted = START_UTC_MS + np.arange(n_steps, dtype=np.int64) * STEP_MS
    database = open_reader(f"sqlite:///{path}")
    lost = extra = invented = old = 0
    try:
        reader = Reader(database)
        for name in SOURCES:
            frame = reader.source_frame(name)
            times = _moments(frame)
            told = [_milli(frame[column].to_numpy()) for column in ("temperature_c", "power_w")]
            invented += int(sum((told[k] != truth(name, times, k)).sum() for k in (0, 1)))
            gone = np.setdiff1d(wanted, times)
            lost, old = lost + len(gone), old + int((gone < until_ms).sum())
            extra += len(times) - len(np.intersect1d(wanted, times))
        for name in PROBES:
            frame = reader.probe_frame(name)
            times = _moments(frame)
            invented += int((_milli(frame[QUANTITY[name]].to_numpy()) != truth(name, times)).sum())
            gone = np.setdiff1d(wanted, times)
            lost, old = lost + len(gone), old + int((gone < until_ms).sum())
            extra += len(times) - len(np.intersect1d(wanted, times))
        gaps = sum(gap.reason.value == "damaged" for gap in reader.gaps())
    finally:
        database.close()
    return Found(lost, extra, invented, old, gaps)


def _moments(frame: pd.DataFrame) -> Whole:
    return np.asarray(pd.DatetimeIndex(frame.index).as_unit("ms").asi8)


def _milli(values: npt.NDArray[np.float64]) -> Whole:
    return np.asarray(np.round(np.nan_to_num(values, nan=-1e6) * 1000.0), np.int64)
