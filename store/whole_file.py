"""A file that is whole or not there."""

from __future__ import annotations

import os
import tempfile
from collections.abc import Callable
from pathlib import Path


def write_whole(path: Path, write: Callable[[Path], object]) -> None:
    """Write a file beside its place and move it there, so that nobody ever reads half of it.

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
    handle, name = tempfile.mkstemp(dir=path.parent, prefix=".heatdrift-", suffix=path.suffix)
    os.close(handle)
    beside = Path(name)
    try:
        write(beside)
        beside.replace(path)
    finally:
        beside.unlink(missing_ok=True)
