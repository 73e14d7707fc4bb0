"""Two months of machines with nothing wrong, for the benches of the thinking half.

``HEATDRIFT_BENCH_FOLDER`` keeps what was recorded for the next run: a month takes half a minute.
"""

from __future__ import annotations

import os
import tempfile
from dataclasses import replace
from pathlib import Path

from heatdrift.fake_sensors.blueprint import MachineValues, draw_machine
from heatdrift.fake_sensors.history import record_history
from heatdrift.fake_sensors.machine import START_UTC_MS, FakeMachine
from heatdrift.store.database import open_writer
from heatdrift.store.migrations import upgrade
from heatdrift.store.sealing import merge_sealed_weeks, seal_finished_days
from heatdrift.store.writer import Writer

DAYS = 60.0
AMBIENT_OFFSET_K = 0.5
DAY_MS = 86_400_000


def healthy_values(kind: str, seed: int) -> MachineValues:
    """A machine whose sensors all count whole degrees; the even seeds have a probe in the room."""
    values = draw_machine(kind, seed)
    stacks = tuple(
        replace(stack, chips=tuple(replace(chip, grid_c=1.0) for chip in stack.chips))
        for stack in values.stacks
    )
    offset_k = AMBIENT_OFFSET_K if seed % 2 == 0 else None
    return replace(
        values, stacks=stacks, surroundings=replace(values.surroundings, ambient_offset_k=offset_k)
    )


def healthy_machine(kind: str, seed: int) -> FakeMachine:
    """The machine, new."""
    return FakeMachine(healthy_values(kind, seed), seed)


def recorded(kind: str, seed: int, days: float = DAYS) -> str:
    """URL of its record, made where it is not there yet."""
    folder = Path(os.environ.get("HEATDRIFT_BENCH_FOLDER") or tempfile.mkdtemp(prefix="heatdrift-bench-"))
    folder.mkdir(parents=True, exist_ok=True)
    path = folder / f"{kind}-{seed}-{days:g}.sqlite"
    url = f"sqlite:///{path}"
    if not path.exists():
        unfinished = path.with_suffix(".unfinished")
        unfinished.unlink(missing_ok=True)
        machine = healthy_machine(kind, seed)
        database = open_writer(f"sqlite:///{unfinished}")
        writer = Writer(database, "uuid", machine.values.name)
        record_history(writer, machine, machine.time_utc_ms, days)
        end_utc_ms = START_UTC_MS + round(days * DAY_MS)
        seal_finished_days(database, end_utc_ms)
        merge_sealed_weeks(database, end_utc_ms)
        database.close()
        unfinished.rename(path)
    upgrade(url)  # of a folder that an earlier heatdrift filled
    return url
