"""Plays a machine with many sensors in a process of its own, so that its cost is not the service's.

``python crowded_machine.py --root DIR --work load|idle --speed 1`` adds four chips with 31 inputs to the
invented laptop's four with 9: eight chips, 40 inputs, and its one GPU.
"""

from __future__ import annotations

import argparse
import signal
import sys
from collections.abc import Callable, Iterator
from itertools import count
from pathlib import Path

from heatdrift.fake_sensors.blueprint import draw_machine
from heatdrift.fake_sensors.live import keep_alive
from heatdrift.fake_sensors.machine import START_UTC_MS, FakeMachine
from heatdrift.fake_sensors.sysfs_tree import SysfsTree
from heatdrift.fake_sensors.tree_files import GAUGES, TreeFiles
from heatdrift.fake_sensors.workload import Segment

SEED = 1
WARM_UP_S = 60.0
LEVEL_S = 150.0  # 24 load steps an hour: twice what the service keeps in full
# Device, driver, and how many temperatures [m°C], fans [rpm] and voltages [mV] it has.
CHIPS = (
    ("sys/devices/platform/nct6775.656", "nct6798", 6, 6, 10),
    ("sys/devices/pci0000:00/0000:00:1d.0/0000:03:00.0/nvme/nvme0", "nvme", 3, 0, 0),
    ("sys/devices/platform/psu0", "corsairpsu", 2, 1, 2),
    ("sys/devices/pci0000:00/i2c-0/0-0050", "spd5118", 1, 0, 0),
)
LABELS = ("SYSTIN", "CPUTIN", "AUXTIN0", "AUXTIN1", "AUXTIN2", "AUXTIN3")


class CrowdedTree(SysfsTree):
    """A fake tree with more chips, whose values move every second."""

    def __init__(self, machine: FakeMachine, root: Path) -> None:
        super().__init__(machine, root)
        self._more = TreeFiles(root, first_hwmon=20)
        numbers = count()
        for device, driver, n_temperatures, n_fans, n_voltages in CHIPS:
            folder = self._more.hwmon(device, driver)
            for index in range(n_temperatures):
                label = LABELS[index] if driver == "nct6798" else ""
                value = moving(machine, 35_000, next(numbers))
                self._more.temperature(folder, index + 1, value, label)
            for index in range(n_fans):
                self._more.live(GAUGES, f"{folder}/fan{index + 1}_input", moving(machine, 900, next(numbers)))
            for index in range(n_voltages):
                self._more.live(GAUGES, f"{folder}/in{index}_input", moving(machine, 1_100, next(numbers)))

    def write(self) -> None:
        super().write()
        self._more.write(GAUGES)

    def close(self) -> None:
        super().close()
        self._more.close()


def moving(machine: FakeMachine, middle: int, number: int) -> Callable[[], int]:
    """A value that is another one every second."""
    return lambda: middle + (int(machine.elapsed_s) * (number + 3)) % 23


def segments(work: str) -> Iterator[Segment]:
    """Work between two levels for ever, or none."""
    end_s = WARM_UP_S
    yield Segment(end_s, "idle", 0.01, 0.0, 0.01, 0.3, 5.0)
    while True:
        for level in (1.0, 0.5):
            end_s += LEVEL_S
            if work == "load":
                yield Segment(end_s, "render", 0.6 * level, level, 0.4, 0.012, 4.0)
            else:
                yield Segment(end_s, "idle", 0.01, 0.0, 0.01, 0.3, 5.0)


def main() -> int:
    """Run until standard input closes."""
    parser = argparse.ArgumentParser()
    parser.add_argument("--root", type=Path, required=True)
    parser.add_argument("--work", choices=("load", "idle"), required=True)
    parser.add_argument("--speed", type=float, default=1.0)
    options = parser.parse_args()
    signal.signal(signal.SIGTERM, lambda *_: sys.exit(0))
    machine = FakeMachine(draw_machine("laptop", SEED), SEED, START_UTC_MS, segments=segments(options.work))
    machine.advance(WARM_UP_S)
    tree = CrowdedTree(machine, options.root)
    tree.write()
    sys.stdout.write("ready\n")
    sys.stdout.flush()
    keep_alive(tree, machine, options.speed)
    return 0


if __name__ == "__main__":
    sys.exit(main())
