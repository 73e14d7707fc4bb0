"""Records an invented laptop's day on a clock that is turned, machine and service in lockstep.

``python simulated_day.py ROOT DATABASE HOURS`` prints for each hour: hour, resident KiB of this process
and of the NVML child. Here the machine lives in the same process, so what it keeps counts too.
"""

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
from heatdrift.cli.fake_machine import DOUBLE_LIBRARY, DOUBLE_VARIABLE
from heatdrift.cli.settings import load
from heatdrift.daemon.clock import TurnableClock
from heatdrift.daemon.discovery import Doors
from heatdrift.daemon.notify import SilentNotifier
from heatdrift.daemon.sensors.nvml import NvmlLink
from heatdrift.fake_sensors.machine import FakeMachine
from heatdrift.fake_sensors.sysfs_tree import SysfsTree

HOUR_S = 3600.0
# A day takes some minutes; the coarse clockwork keeps real time, so its periods shrink as much.
COARSE = {"heartbeat_s": 1.0, "rescan_s": 12.0, "check_due_s": 12.0}
# Real time passes unevenly beside a turned clock: nothing here is a hiccup.
OVERLOAD_S = 3600.0


def resident_kib(pid: int) -> int:
    """Resident memory [KiB]."""
    lines = Path(f"/proc/{pid}/status").read_text().splitlines()
    return next(int(line.split()[1]) for line in lines if line.startswith("VmRSS:"))


def main(root: Path, database: str, hours: int) -> int:
    """Record until so many hours have passed."""
    clock, stop = TurnableClock(), threading.Event()
    machine = FakeMachine.of("laptop", seed=1, start_utc_ms=clock.wall_utc_ms(), load_hours_a_day=4.0)
    tree = SysfsTree(machine, root)
    tree.write()
    os.environ[DOUBLE_VARIABLE] = str(tree.nvml_state)
    link = NvmlLink(library=DOUBLE_LIBRARY)
    began_s = told_s = clock.boot_s()

    def follow(boot_s: float) -> None:
        nonlocal told_s
        machine.advance(boot_s - began_s - machine.elapsed_s)
        tree.write()
        if boot_s - told_s >= HOUR_S and link.pid is not None:
            told_s += HOUR_S
            hour = round((told_s - began_s) / HOUR_S)
            print(hour, resident_kib(os.getpid()), resident_kib(link.pid), flush=True)
            if hour >= hours:
                stop.set()

    clock.on_turn.append(follow)
    settings = load(database=database, environment={}, default_file=root / "none")
    service = {**settings.sections["service"], **COARSE, "overload_s": OVERLOAD_S}
    settings = replace(settings, sections={**settings.sections, "service": service})
    doors = Doors(sys_root=tree.sys_root, proc_root=tree.proc_root, nvml=link, use_portable=False)
    return wiring.service(settings, doors, clock, SilentNotifier()).run(stop)


if __name__ == "__main__":
    sys.exit(main(Path(sys.argv[1]), sys.argv[2], int(sys.argv[3])))
