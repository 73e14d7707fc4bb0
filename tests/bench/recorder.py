"""`heatdrift run` on a prepared tree: the same modules and the same wiring, with the doors handed in."""

# ruff: noqa: E402 - the command line itself imports first, because how it does so is part of the cost

from __future__ import annotations

import os
import sys
import threading
from dataclasses import replace
from pathlib import Path

import click

from heatdrift.cli.main import heatdrift as command_line

command_line.get_command(click.Context(command_line), "run")
from heatdrift.cli import wiring
from heatdrift.cli.fake_machine import DOUBLE_LIBRARY
from heatdrift.cli.settings import load
from heatdrift.cli.speech import configure_logging
from heatdrift.daemon.clock import Clock, FastClock, SystemClock
from heatdrift.daemon.discovery import Doors
from heatdrift.daemon.notify import notifier_of
from heatdrift.daemon.sensors.nvml import NvmlLink
from heatdrift.daemon.signals import stop_on_signals

COARSE = ("rescan_s", "check_due_s", "heartbeat_s")


def main(root: Path, database: str, speed: float) -> int:
    """Record until SIGTERM."""
    configure_logging(False)
    settings = load(database=database, environment={}, default_file=root / "none")
    # The coarse clockwork keeps real time: beside a fast clock its periods shrink with it.
    service = {**settings.sections["service"]}
    service.update({key: service[key] / speed for key in COARSE}, overload_s=service["overload_s"] * speed)
    settings = replace(settings, sections={**settings.sections, "service": service})
    stop = threading.Event()
    stop_on_signals(stop)
    clock: Clock = SystemClock() if speed == 1 else FastClock(speed, SystemClock().wall_utc_ms())
    link = NvmlLink(library=DOUBLE_LIBRARY)
    doors = Doors(sys_root=root / "sys", proc_root=root / "proc", nvml=link, use_portable=False)
    return wiring.service(settings, doors, clock, notifier_of(os.environ)).run(stop)


if __name__ == "__main__":
    sys.exit(main(Path(sys.argv[1]), sys.argv[2], float(sys.argv[3])))
