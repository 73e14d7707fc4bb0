"""Files that are rewritten many times a second, cheaply, and never seen half written."""

from __future__ import annotations

import os
from collections.abc import Callable
from pathlib import Path

GAUGES, COUNTERS = "gauges", "counters"
"""Two paces: values that may be a moment old, and counters whose rate is taken."""


class LiveFile:
    """One value in one file, rewritten in place through a descriptor that stays open.

    A shorter value is filled up with line ends rather than cut, so that a reader in between finds either the
    old or the new number.
    """

    __slots__ = ("_descriptor", "_length", "_text", "_value")

    def __init__(self, path: Path, value: Callable[[], str]) -> None:
        path.parent.mkdir(parents=True, exist_ok=True)
        self._descriptor = os.open(path, os.O_WRONLY | os.O_CREAT | os.O_TRUNC, 0o644)
        self._value = value
        self._text = ""
        self._length = 0

    def write(self) -> None:
        """Write the value, unless it still stands there."""
        text = self._value()
        if text == self._text:
            return
        self._text = text
        line = text.encode() + b"\n"
        self._length = max(self._length, len(line))
        os.pwrite(self._descriptor, line.ljust(self._length, b"\n"), 0)

    def close(self) -> None:
        """Give the descriptor back."""
        os.close(self._descriptor)


class TreeFiles:
    """A folder of fixed files, links and live files; hwmon folders are numbered from ``first_hwmon``."""

    def __init__(self, root: Path, first_hwmon: int = 0) -> None:
        self.root = root
        self._next_hwmon = first_hwmon
        self._live: dict[str, list[LiveFile]] = {}

    def fixed(self, path: str, value: object) -> None:
        """Write a file that stays as it is."""
        target = self.root / path
        target.parent.mkdir(parents=True, exist_ok=True)
        target.write_text(f"{value}\n", encoding="utf-8")

    def live(self, pace: str, path: str, value: Callable[[], object]) -> None:
        """Add a file whose value is asked for whenever its pace is written."""
        self._live.setdefault(pace, []).append(LiveFile(self.root / path, lambda: str(value())))

    def link(self, path: str, target: str) -> None:
        """Link a path to another one of this tree, relatively, as the kernel does."""
        place = self.root / path
        place.parent.mkdir(parents=True, exist_ok=True)
        (self.root / target).mkdir(parents=True, exist_ok=True)
        if place.is_symlink():
            place.unlink()
        place.symlink_to(os.path.relpath(self.root / target, place.parent))

    def hwmon(self, device: str, name: str) -> str:
        """Make a hwmon folder under a device, with the links to it and from it; returns its path."""
        number = f"hwmon{self._next_hwmon}"
        self._next_hwmon += 1
        folder = f"{device}/hwmon/{number}"
        self.fixed(f"{folder}/name", name)
        self.link(f"{folder}/device", device)
        self.link(f"sys/class/hwmon/{number}", folder)
        return folder

    def temperature(self, folder: str, number: int, value: Callable[[], int], label: str = "") -> None:
        """Add a temperature [thousandths of a degree] to a hwmon folder."""
        self.live(GAUGES, f"{folder}/temp{number}_input", value)
        if label:
            self.fixed(f"{folder}/temp{number}_label", label)

    def write(self, pace: str) -> None:
        """Write every live file of a pace."""
        for file in self._live.get(pace, ()):
            file.write()

    def close(self) -> None:
        """Close every live file."""
        for files in self._live.values():
            for file in files:
                file.close()
        self._live.clear()
