"""Repairs a damaged database, for ``heatdrift upkeep --repair``; the service does it in a child."""

from __future__ import annotations

import time
from pathlib import Path

import psutil

from ..store.database import parse_url, sqlite_path
from ..store.errors import DatabaseBusyError, SettingsError
from ..store.repair import Repair, repair
from ..store.repair_note import words
from .settings import Settings
from .wiring import backup_folder

PATIENCE_S = 20.0  # whoever sends a message has the file open for a moment


def repaired(settings: Settings, now_utc_ms: int) -> Repair | None:
    """Repair the database of the settings; None where nothing is wrong with it.

    Raises
    ------
    SettingsError
        It is no file.
    StoreError
        It cannot be repaired now; nothing was changed.
    """
    path = sqlite_path(parse_url(settings.database))
    if path is None:
        raise SettingsError(
            "a server repairs its own files", remedy="bring back a backup with the server's own tools"
        )
    _wait_for_others(path)
    return repair(path, backup_folder(settings, path), now_utc_ms)


def as_lines(done: Repair | None) -> list[str]:
    """What was done."""
    if done is None:
        return ["nothing is wrong with the database"]
    return [words(done), f"the damaged file is kept as {done.kept_as}; look into the health of its disk"]


def _wait_for_others(path: Path) -> None:
    """A process that has the file open would go on writing into the one that is set aside."""
    until_s = time.monotonic() + PATIENCE_S
    while (pid := _who_has_open(path)) is not None:
        if time.monotonic() > until_s:
            raise DatabaseBusyError(f"process {pid} has {path} open", remedy="stop it first")
        time.sleep(0.5)


def _who_has_open(path: Path) -> int | None:
    wanted = str(path.absolute().resolve())
    own = psutil.Process().pid
    for process in psutil.process_iter():
        try:
            if process.pid != own and any(file.path == wanted for file in process.open_files()):
                return int(process.pid)
        except (psutil.Error, OSError):
            continue  # it has ended, or is another user's
    return None
