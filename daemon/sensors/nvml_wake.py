"""When NVML may be opened at all, so that a GPU that powers itself down is never woken or kept awake.

An open NVML handle keeps the second GPU of a laptop awake (5 to 25 W, half of the battery's time), and
asking a sleeping one wakes it. The kernel's ``power/runtime_status`` can be read without waking
anything. Only GPUs with ``power/control`` = ``auto`` can sleep; where there is none, NVML stays open.

::

    runtime_status of any GPU that can sleep is not "active" (unreadable counts as asleep)
        from every state ──────────────────────────────────────────────► ASLEEP (no handle)

    ASLEEP ── all active ──► WAITING ── active at every look for >= 15 s, and ──► OPEN (one look)
                                ▲      >= 60 s (2 x the GPU's own delay) since      │
                                │      the last handle was closed                   │
                                │                                                   │
                                ├──────────── no load seen: close at once ◄─────────┤
                                │                                                   │ load seen
                                │                                                   ▼
                                └── no load for as long as the load lasted, ◄── LOADED (stays open)
                                    60 s at most: close

The last rule catches the cooling after a game, and never keeps a GPU awake for longer than its user did.
Between the look at ``runtime_status`` and the opening lie some microseconds in which a GPU may fall
asleep; nothing can be done about those.
"""

from __future__ import annotations

import os
from enum import Enum
from pathlib import Path
from typing import NamedTuple

NVIDIA_VENDOR = "0x10de"
DISPLAY_CLASS = "0x03"
PROOF_S = 15.0  # after its last user is gone a GPU needs some 6-10 s to sleep
AWAY_S = 60.0
LONGEST_LINGER_S = 60.0  # what is kept at full density after a load step
RESCAN_S = 60.0
LONGEST_ATTRIBUTE = 64


class Door(Enum):
    """What may be done now."""

    FREE = "free"  # no GPU that sleeps: open and stay
    BURST = "burst"  # open for one look
    KEEP = "keep"  # open already, under load
    WAITING = "waiting"
    ASLEEP = "asleep"


class PowerFiles(NamedTuple):
    """Where one GPU's power is told; spelled out once, because they are read at every look."""

    control: str
    runtime_status: str
    autosuspend_delay_ms: str

    @classmethod
    def of(cls, device: Path) -> PowerFiles:
        """The files of a PCI device."""
        return cls(*(str(device / "power" / name) for name in cls._fields))


class WakeGuard:
    """Decides, from the kernel's power files alone, whether NVML may be open.

    Parameters
    ----------
    sys_root
        Where ``/sys`` is.
    """

    def __init__(self, sys_root: Path) -> None:
        self._devices_root = sys_root / "bus" / "pci" / "devices"
        self._gpus: list[PowerFiles] = []
        self._scanned_at_s: float | None = None
        self._is_open = False
        self._active_since_s: float | None = None
        self._closed_at_s: float | None = None
        self._was_closed_before = False
        self._load_since_s: float | None = None
        self._load_last_s = 0.0
        self._scan()

    @property
    def can_sleep(self) -> bool:
        """Whether any NVIDIA GPU here may power itself down now."""
        return any(_text(gpu.control) == "auto" for gpu in self._gpus)

    @property
    def are_awake(self) -> bool:
        """Whether every GPU that can sleep is awake at this moment."""
        return all(
            _text(gpu.runtime_status) == "active" for gpu in self._gpus if _text(gpu.control) == "auto"
        )

    def look(self, at_boot_s: float) -> Door:
        """Take one look at the power files [s since boot]."""
        self._rescan(at_boot_s)
        if not self.can_sleep:
            return Door.FREE
        if not self.are_awake:
            self._active_since_s = self._load_since_s = None
            return Door.ASLEEP
        if self._is_open:
            return Door.KEEP
        if self._active_since_s is None:
            self._active_since_s = at_boot_s
        if self._was_closed_before and self._closed_at_s is None:
            self._closed_at_s = at_boot_s
        is_proven = at_boot_s - self._active_since_s >= PROOF_S
        is_away = self._closed_at_s is None or at_boot_s - self._closed_at_s >= self._away_s()
        return Door.BURST if is_proven and is_away else Door.WAITING

    def opened(self) -> None:
        """NVML was opened."""
        self._is_open = True

    def closed(self, at_boot_s: float | None = None) -> None:
        """NVML was closed; what was seen while we held it open proves nothing about others."""
        self._is_open = False
        self._active_since_s = self._load_since_s = None
        self._closed_at_s = at_boot_s
        self._was_closed_before = True

    def must_close(self, at_boot_s: float, is_loaded: bool) -> bool:
        """Whether to let go after a look that found the GPUs loaded or not; only where they can sleep."""
        if is_loaded:
            if self._load_since_s is None:
                self._load_since_s = at_boot_s
            self._load_last_s = at_boot_s
            return False
        if self._load_since_s is None:
            return True
        linger_s = min(LONGEST_LINGER_S, self._load_last_s - self._load_since_s)
        return at_boot_s - self._load_last_s >= linger_s

    def _away_s(self) -> float:
        delays_ms = [_text(gpu.autosuspend_delay_ms) for gpu in self._gpus]
        return max([AWAY_S, *(2 * int(delay) / 1000 for delay in delays_ms if delay.isdigit())])

    def _rescan(self, at_boot_s: float) -> None:
        """Cards come and go with docks: look for new ones now and then."""
        if self._scanned_at_s is None or at_boot_s - self._scanned_at_s >= RESCAN_S:
            self._scanned_at_s = at_boot_s
            self._scan()

    def _scan(self) -> None:
        try:
            devices = sorted(self._devices_root.iterdir())
        except OSError:
            devices = []
        self._gpus = [
            PowerFiles.of(device)
            for device in devices
            if _text(str(device / "vendor")) == NVIDIA_VENDOR
            and _text(str(device / "class")).startswith(DISPLAY_CLASS)
        ]


def _text(path: str) -> str:
    """Content of a small file, empty where it cannot be read; by file descriptor, at a tenth of the cost."""
    try:
        fd = os.open(path, os.O_RDONLY)
    except OSError:
        return ""
    try:
        return os.read(fd, LONGEST_ATTRIBUTE).decode("ascii", "replace").strip()
    except OSError:
        return ""
    finally:
        os.close(fd)
