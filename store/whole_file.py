"""A file that is whole or not there."""

from __future__ import annotations

import contextlib
import os
import tempfile
import time
from collections.abc import Callable
from pathlib import Path

PREFIX = ".heatdrift-"
LEFT_S = 3600.0  # nobody writes a file for so long


def write_whole(path: Path, write: Callable[[Path], object]) -> None:
    """Write a file beside its place and move it there, so that nobody ever reads half of it.

    It is its owner's alone, and made under a name that nobody can have laid a link to.

    What is no plain file, a pipe or a device, is written to as it is: it must not be replaced.

    Parameters
    ----------
    path
        Where to.
    write
        Writes the whole of it to the path that it is given.

    Raises
    ------
    OSError
        It cannot be written there; nothing is left behind.
    """
    if path.exists() and not path.is_file():
        write(path)
        return
    _sweep(path.parent)
    handle, name = tempfile.mkstemp(dir=path.parent, prefix=PREFIX, suffix=path.suffix)
    os.close(handle)
    beside = Path(name)
    try:
        write(beside)
        sync(beside)  # else a power cut may leave the name of the new file and nothing in it
        beside.replace(path)
    finally:
        beside.unlink(missing_ok=True)


def sync(path: Path) -> None:
    """Bring a file, or the names in a folder, to the disk."""
    descriptor = os.open(path, os.O_RDONLY)
    try:
        os.fsync(descriptor)
    finally:
        os.close(descriptor)


def _sweep(folder: Path) -> None:
    """Take away what earlier writers left that were killed at it."""
    for left in folder.glob(f"{PREFIX}*"):
        with contextlib.suppress(OSError):
            if time.time() - left.lstat().st_mtime > LEFT_S:
                left.unlink()
