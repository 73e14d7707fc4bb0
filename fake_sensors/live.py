"""``python -m heatdrift.fake_sensors.live``: keeps a fake tree alive for a service that reads it.

A process of its own, so that what the service costs can be measured apart from what the machine costs. It
prints ``ready`` when the first tree stands and ends when its standard input closes or on SIGTERM.
"""

from __future__ import annotations

import argparse
import os
import select
import shutil
import signal
import sys
import time
from collections.abc import Sequence
from pathlib import Path

from .blueprint import KINDS
from .machine import START_UTC_MS, FakeMachine
from .sysfs_tree import SysfsTree

TICK_S = 0.1  # of the machine's time: real energy counters move a thousand times a second
LEAST_TICK_S = 0.001  # of real time
WRITE_EVERY_S = 0.5  # of the machine's time: everything but the counters
LEAST_WRITE_S = 0.01  # of real time
WARM_UP_S = 30.0  # machine time before the first tree: filters and fans have settled into idle


def keep_alive(tree: SysfsTree, machine: FakeMachine, speed: float) -> None:
    """Pass time and rewrite the tree until standard input closes.

    Parameters
    ----------
    tree, machine
        What is kept in step with what.
    speed
        Machine seconds in a real one.
    """
    tick_s = max(TICK_S / speed, LEAST_TICK_S)
    write_s = max(WRITE_EVERY_S / speed, LEAST_WRITE_S)
    began_s = time.monotonic()
    passed_s = 0.0
    written_s = began_s
    while not _is_closed(tick_s):
        now_s = time.monotonic()
        due_s = (now_s - began_s) * speed
        machine.advance(due_s - passed_s)
        passed_s = due_s
        if now_s - written_s >= write_s:
            written_s = now_s
            tree.write()
        else:
            tree.write_counters()


def main(arguments: Sequence[str] | None = None) -> int:
    """Run from the command line; returns the exit status."""
    parser = argparse.ArgumentParser(prog="heatdrift.fake_sensors.live", description=__doc__)
    parser.add_argument("--root", type=Path, required=True, help="folder for the tree")
    parser.add_argument("--kind", choices=KINDS, default="laptop")
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--speed", type=float, default=1.0, help="machine seconds in a real one")
    parser.add_argument("--start-utc-ms", type=int, default=START_UTC_MS)
    parser.add_argument("--sleeps", action="store_true", help="the GPU suspends when it has nothing to do")
    parser.add_argument("--clears", action="store_true", help="take the folder away at the end")
    options = parser.parse_args(arguments)
    if options.speed <= 0:
        parser.error(f"--speed {options.speed}: must be above 0")
    signal.signal(signal.SIGTERM, lambda *_: sys.exit(0))
    machine = FakeMachine.shown(options.kind, options.seed, start_utc_ms=options.start_utc_ms)
    machine.advance(WARM_UP_S)
    tree = SysfsTree(machine, options.root, sleeps=options.sleeps)
    tree.write()
    sys.stdout.write("ready\n")
    sys.stdout.flush()
    try:
        keep_alive(tree, machine, options.speed)
    finally:
        tree.close()
        if options.clears:  # whoever made it may have been killed
            shutil.rmtree(options.root, ignore_errors=True)
    return 0


def _is_closed(wait_s: float) -> bool:
    """Wait, or return True as soon as standard input closes."""
    readable, _, _ = select.select([sys.stdin], [], [], wait_s)
    return bool(readable) and not os.read(sys.stdin.fileno(), 4096)


if __name__ == "__main__":
    sys.exit(main())
