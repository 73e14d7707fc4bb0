"""Reads a text that its owner wrote: a regular file of sane size, and TOML that cannot exhaust the reader."""

from __future__ import annotations

import errno
import os
import stat
import tomllib
from collections.abc import Callable
from pathlib import Path
from typing import Any

from .errors import SettingsError

MOST_BYTES = 16 * 1024 * 1024  # a journal of ten thousand entries with long notes


def read_text(path: Path) -> str:
    """Read a file of text; a byte order mark in front is left out.

    A device, a pipe or a socket is refused before it is read: it may never end, or never begin.

    Raises
    ------
    FileNotFoundError
        There is none.
    SettingsError
        It is no regular file, too large, not to be read, or not UTF-8.
    """
    try:
        with os.fdopen(os.open(path, os.O_RDONLY | getattr(os, "O_NONBLOCK", 0)), "rb") as file:
            status = os.fstat(file.fileno())
            if not stat.S_ISREG(status.st_mode):
                raise SettingsError(f"{path} cannot be read: it is no file", remedy="name a file")
            raw = file.read(MOST_BYTES + 1)
    except FileNotFoundError:
        raise
    except (OSError, ValueError) as error:  # a name with a NUL in it is a wrong value
        reason = getattr(error, "strerror", None) or error
        if isinstance(error, OSError) and error.errno == errno.ENXIO:  # a socket
            reason = "it is no file"
        raise SettingsError(f"{path} cannot be read: {reason}", remedy="make it readable to you") from error
    if len(raw) > MOST_BYTES:
        raise SettingsError(
            f"{path} cannot be read: it is longer than {MOST_BYTES // 1024**2} MB", remedy="name another file"
        )
    try:
        return raw.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        raise SettingsError(
            f"{path} cannot be read: it is not UTF-8 text", remedy="save it as UTF-8"
        ) from error


def owner_path(text: str) -> Path:
    """A path as its owner wrote it, with ``~`` for a home.

    Raises
    ------
    SettingsError
        It holds a character that no path has, or the home of nobody.
    """
    if "\0" in text:
        raise SettingsError(f"{text!r} is no path", remedy="leave the character U+0000 out")
    try:
        return Path(text).expanduser()
    except RuntimeError as error:  # no such user, or one without a home
        raise SettingsError(f"{text} is in the home of nobody known here", remedy="write it out") from error


def parse_toml(text: str, parse_float: Callable[[str], Any] = float) -> dict[str, Any]:
    """Read TOML; whatever its parser runs into is a ``ValueError`` that says so.

    Raises
    ------
    ValueError
        It is none (`tomllib.TOMLDecodeError`), nests too deep, or holds a number without measure.
    """
    try:
        return tomllib.loads(text, parse_float=parse_float)
    except RecursionError as error:
        raise ValueError("it nests too deep") from error
    except ArithmeticError as error:
        raise ValueError("a number in it is beyond all measure") from error
