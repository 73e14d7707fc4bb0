"""What a year costs from raw rows to day fits, and what the next day costs."""

from __future__ import annotations

import shutil
import time
from collections.abc import Callable
from pathlib import Path

from healthy_machines import recorded
from sqlalchemy import delete, func, select

from heatdrift.reports.derivation import update
from heatdrift.store.database import open_reader, open_writer
from heatdrift.store.derived import DERIVED, DerivedStore
from heatdrift.store.reader import Reader
from heatdrift.store.schema import settled_window

Tell = Callable[[str, str, str], None]

DAYS = 366.0


def test_a_year_and_the_next_day(tmp_path: Path, tell: Tell) -> None:
    path = tmp_path / "year.sqlite"
    shutil.copy(recorded("laptop", 7, DAYS).removeprefix("sqlite:///"), path)
    writing, reading = open_writer(f"sqlite:///{path}"), open_reader(f"sqlite:///{path}")
    reader = Reader(reading)
    derived = DerivedStore(writing, reader.machine_id)
    from_s = time.process_time()
    whole = update(reader, derived, [])
    year_s = time.process_time() - from_s
    last = max(derived.marks("gpu0"))
    with writing.begin() as connection:
        connection.execute(delete(settled_window).where(settled_window.c.day == last))
    from_s = time.process_time()
    day = update(reader, derived, [])
    day_s = time.process_time() - from_s
    with writing.begin() as connection:
        n_rows = sum(connection.scalar(select(func.count()).select_from(table)) or 0 for table in DERIVED)
        n_packed = connection.scalar(select(func.sum(func.length(settled_window.c.packed)))) or 0
    reading.close()  # else the writer's close would leave the log as it is
    writing.close()
    tell(f"raw to day fits, {DAYS:.0f} days of 2 sources, from nothing", f"{year_s:.1f} s CPU", "<= 15 s")
    tell("  the next day", f"{day_s:.2f} s CPU", "<= 0.5 s")
    tell("  derived rows, and their packed windows", f"{n_rows:,}, {n_packed / 1e6:.1f} MB", "")
    assert whole.n_days >= 2 * 365
    assert day.n_days == 2
    # A day costs a day, not a history: a twentieth leaves room for what does not grow.
    assert day_s < year_s / 20
