"""A recorder in a process of its own, so that it can be killed: told by its parent when to live.

Every life is forked, because starting Python a hundred times takes minutes. What it writes is told to a
journal before and after each write, so that the parent knows what must be on the server and what may be.
"""

from __future__ import annotations

import logging
import math
import os
import sys
import threading
import time
from collections.abc import Callable, Mapping, Sequence
from pathlib import Path
from typing import Any

from heatdrift.daemon.cadence import CadenceSettings
from heatdrift.daemon.clock import Clock, TurnableClock
from heatdrift.daemon.courier import Courier
from heatdrift.daemon.layout import Layout, Place, ProbeLayout, SourceLayout
from heatdrift.daemon.sensors.base import Reading
from heatdrift.daemon.service import Service, ServiceSettings
from heatdrift.daemon.spooled_pen import SpooledPen, spooled_pen_factory
from heatdrift.store.delivery import Deliverer, open_patiently
from heatdrift.store.records import Batch, Channel
from heatdrift.store.spool import Spool
from heatdrift.store.spool_entries import draft
from heatdrift.store.units import QUANTITY_INDEX, SOURCE_QUANTITIES

UUID = "machine-1"
START_UTC_MS = 1_767_225_600_000
QUANTITIES = ("temperature_c", "power_w", "utilization_pct")
PAUSE_S = 0.008  # after each write: a life that writes without end only fills the disk
TASK = "counted"


class InventedCard:
    """A graphics card, and a thermometer beside it, whose readings follow the clock."""

    name, min_period_s = "card", 0.0

    def __init__(self) -> None:
        self.channels = (
            *(Channel(f"card:{quantity}", quantity, "hwmon") for quantity in QUANTITIES),
            Channel("air:temperature", "temperature_c", "hwmon"),
        )
        self.n_looks = 0
        self.kernel = "6.1"

    def read(self, at_boot_s: float) -> Sequence[Reading]:
        self.n_looks += 1
        return self.peek(at_boot_s)

    def peek(self, at_boot_s: float) -> Sequence[Reading]:
        is_busy = at_boot_s % 7200 < 600
        heat = 60_000 if is_busy else 35_000
        return (
            heat + round(3000 * math.sin(at_boot_s / 50)),
            110_000 if is_busy else 9_000,
            98_000 if is_busy else 1_000,
            round(22_000 + 500 * math.sin(at_boot_s / 900)),
        )

    def facts(self) -> Mapping[str, str]:
        return {"kernel": self.kernel}

    def close(self) -> None:
        return


def layout_of(card: InventedCard) -> Layout:
    """The card is ``gpu0``, the thermometer ``ambient``."""
    places: list[Place | None] = [None] * len(SOURCE_QUANTITIES)
    for index, quantity in enumerate(QUANTITIES):
        places[QUANTITY_INDEX[quantity]] = Place(0, index)
    source = SourceLayout("gpu0", "gpu", tuple(places))
    probe = ProbeLayout("ambient", "temperature_c", Place(0, len(QUANTITIES)))
    return Layout((card,), (source,), (probe,))


def meeting(url: str, clock: TurnableClock) -> Any:
    """What opens the server's database for a courier."""

    def meet(places: Mapping[tuple[str, str], str], on_connect: Callable[[Any], None]) -> Deliverer:
        database = open_patiently(url, on_connect)
        try:
            return Deliverer(database, UUID, "machine", clock.wall_utc_ms(), places)
        except BaseException:
            database.close()
            raise

    return meet


def settings_of(url: str) -> ServiceSettings:
    """A service without nightly work, whose clock turns in long ticks."""
    return ServiceSettings(url, cadence=CadenceSettings(peek_period_s=10.0), tasks=())


class ToldPen(SpooledPen):
    """A pen that tells a journal what it is about to write, and that it has."""

    def __init__(self, spool: Spool, courier: Courier, clock: Clock, journal: int) -> None:
        super().__init__(spool, courier, clock)
        self.journal, self.n_written = journal, 0

    def write(self, batch: Batch) -> None:
        body = draft(batch, 0).body.hex()
        os.write(self.journal, f"about {body}.\n".encode())
        super().write(batch)
        os.write(self.journal, b"done\n")
        self.n_written += 1
        if self.n_written % 5 == 0:
            name = f"{os.getpid()}-{self.n_written}"
            os.write(self.journal, f"task {name}\n".encode())
            self.note_task(TASK, self._clock.wall_utc_ms(), True, name)
            os.write(self.journal, b"noted\n")
        time.sleep(PAUSE_S)


def live(url: str, spool: Path, journal: Path, start_utc_ms: int, seconds: float, deadline_s: float) -> None:
    """One life of a recorder."""
    clock = TurnableClock(start_utc_ms)
    opened = Spool(spool)
    courier = Courier(opened, meeting(url, clock), pause_s=0.02, longest_pause_s=0.1, deadline_s=deadline_s)
    factory = spooled_pen_factory(opened, courier, clock, first_try_s=0.2)
    told = os.open(journal, os.O_WRONLY | os.O_CREAT | os.O_APPEND)
    os.write(told, b"\n")  # the life before may have ended within a line

    def open_pen() -> SpooledPen:
        factory()
        return ToldPen(opened, courier, clock, told)

    stop = threading.Event()
    end_s = clock.monotonic_s() + seconds
    clock.on_turn.append(lambda _boot_s: stop.set() if clock.monotonic_s() >= end_s else None)
    Service(lambda: layout_of(InventedCard()), open_pen, clock, settings_of(url)).run(stop)


def main() -> None:
    """One life for each line: where its clock begins [ms since 1970], and how long it lasts [s]."""
    url, spool, journal, deadline_s = sys.argv[1:5]
    logging.basicConfig(level="INFO", format="%(message)s", stream=sys.stderr)
    for line in sys.stdin:
        start_utc_ms, seconds = line.split()
        pid = os.fork()
        if pid == 0:
            live(url, Path(spool), Path(journal), int(start_utc_ms), float(seconds), float(deadline_s))
            os._exit(0)
        print(pid, flush=True)
        _, status = os.waitpid(pid, 0)
        print(os.waitstatus_to_exitcode(status), flush=True)


if __name__ == "__main__":
    main()
