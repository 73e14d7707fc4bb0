"""Whether a device sleeps, asked in the one way that does not wake it."""

from __future__ import annotations

from pathlib import Path

from .kept_file import SYSTEM_FILES, FileDoor, KeptFile, line_of, whole_number_of

AWAKE = frozenset({b"active", b"unsupported"})  # "unsupported": the device cannot sleep at all


class RuntimePower:
    """Runtime power management of one device.

    Parameters
    ----------
    device
        Folder of the device itself, never its driver's (``bind`` and ``unbind`` are there).
    """

    def __init__(self, device: Path, door: FileDoor = SYSTEM_FILES) -> None:
        self._power = device / "power"
        self._status = KeptFile(self._power / "runtime_status", door)

    def is_awake(self) -> bool:
        """True only where the kernel says so; what is not known counts as asleep."""
        try:
            return self._status.content().strip() in AWAKE
        except OSError:
            return False

    def delay_s(self) -> float:
        """How long after its last use the device falls asleep [s]; 0 where it never does."""
        if line_of(self._power / "control") != "auto":
            return 0.0
        delay_ms = whole_number_of(self._power / "autosuspend_delay_ms")
        return max(0, delay_ms or 0) / 1000

    def close(self) -> None:
        """Give the file back."""
        self._status.close()
