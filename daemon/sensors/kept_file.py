"""A file of /sys or /proc that stays open: reading it again costs one system call.

A kept descriptor read with pread(2) at offset 0 makes the kernel write the text anew each time. When a
driver is unbound the descriptor answers ENODEV; then it is closed and the path opened again. A tree that
stands in for /sys must rewrite its files in place, as the kernel does.
"""

from __future__ import annotations

import errno
import os
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

from ...store.records import Missing
from .base import Reading

TEXT_BYTES = 64  # the longest number of /sys has 20 digits
GONE = frozenset({errno.ENODEV, errno.ENOENT, errno.EBADF, errno.ESTALE, errno.ENOTDIR})
# ENXIO is what an embedded controller says for a sensor that comes and goes (dock, battery): the device
# is there, so it counts as a failed read and not as a vanished one.
MISSING_FOR_ERRNO = {
    **dict.fromkeys(GONE, Missing.VANISHED),
    errno.EACCES: Missing.PERMISSION,
    errno.EPERM: Missing.PERMISSION,
    errno.ETIMEDOUT: Missing.TIMEOUT,
}


def open_read_only(path: str) -> int:
    """Open a file so that nothing can be written through it."""
    return os.open(path, os.O_RDONLY | os.O_CLOEXEC)


@dataclass(frozen=True, slots=True)
class FileDoor:
    """The three calls by which files are read; handed in, so that a test can let them fail."""

    open: Callable[[str], int] = open_read_only
    pread: Callable[[int, int, int], bytes] = os.pread
    close: Callable[[int], None] = os.close


SYSTEM_FILES = FileDoor()


def missing_for(error: OSError) -> Missing:
    """Why a reading was not had, from the error of the system call."""
    return MISSING_FOR_ERRNO.get(error.errno or 0, Missing.READ_ERROR)


class KeptFile:
    """One file, opened at its first reading and kept open."""

    __slots__ = ("_close", "_fd", "_open", "_pread", "n_bytes", "path")

    def __init__(self, path: Path, door: FileDoor = SYSTEM_FILES, n_bytes: int = TEXT_BYTES) -> None:
        self.path = str(path)
        self.n_bytes = n_bytes
        self._fd = -1
        self._open, self._pread, self._close = door.open, door.pread, door.close

    def content(self) -> bytes:
        """Read from the start.

        Raises
        ------
        OSError
            The file cannot be read, also not when it is opened anew.
        """
        if self._fd < 0:
            self._fd = self._open(self.path)
            return self._guarded()
        try:
            return self._pread(self._fd, self.n_bytes, 0)
        except OSError as error:
            self.close()
            if error.errno not in GONE:
                raise
        self._fd = self._open(self.path)
        return self._guarded()

    def number(self) -> Reading:
        """The integer in the file, or why there is none; neither an empty nor a cut line is a number."""
        try:
            text = self.content()
            return int(text) if len(text) < self.n_bytes and b"_" not in text else Missing.NOT_NUMERIC
        except OSError as error:
            return missing_for(error)
        except ValueError:
            return Missing.NOT_NUMERIC

    def close(self) -> None:
        """Give the descriptor back; the next reading opens the file again."""
        if self._fd >= 0:
            fd, self._fd = self._fd, -1
            try:
                self._close(fd)
            except OSError:
                return  # the descriptor is gone either way

    def _guarded(self) -> bytes:
        try:
            return self._pread(self._fd, self.n_bytes, 0)
        except OSError:
            self.close()
            raise


def line_of(path: Path) -> str:
    """A short file as text without the space around it; empty where it cannot be read."""
    try:
        return path.read_text(encoding="utf-8", errors="replace").strip()
    except OSError:
        return ""


def whole_number_of(path: Path) -> int | None:
    """A short file as an integer; None where it cannot be read or is no number."""
    try:
        return int(line_of(path))
    except ValueError:
        return None


def listed(folder: Path) -> list[str]:
    """Names in a folder, sorted; empty where it cannot be listed."""
    try:
        return sorted(entry.name for entry in folder.iterdir())
    except OSError:
        return []
