"""Whether the file of the record is whole, and what a repair left behind, for ``heatdrift doctor``."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

from ..store.damage import log_fault, mark_fault, open_fault, set_aside
from ..store.database import open_reader, parse_url, sqlite_path
from ..store.errors import REPAIR_REMEDY, HeatdriftError
from ..store.summary import summary
from .doctor_checks import Check
from .pulse import recorder_pid
from .settings import Settings
from .wiring import backup_folder
from .wording import counted, size_text


def check_damage(settings: Settings) -> Iterator[Check]:
    """The structure of the file, its log where nobody writes it, and files that were set aside."""
    path = sqlite_path(parse_url(settings.database))
    if path is None:
        return
    backups = backup_folder(settings, path)
    try:
        found = _fault(path, backups)
        kept = set_aside(path)
        spoiled = sorted(backups.glob("*.damaged")) if backups.is_dir() else []
    except OSError:
        return  # what may not be read is told of by the check that opens the record
    if found is not None:
        yield Check("damage", "act", f"{path} is damaged ({found})", REPAIR_REMEDY)
    elif path.exists():
        yield Check("damage", "fine", "none in the structure of the file")
    for files, what in ((kept, "damaged record"), (spoiled, "damaged backup")):
        if files:
            size = size_text(sum(one.stat().st_size for one in files))
            yield Check(
                "damage",
                "note",
                f"{counted(len(files), what)} set aside, {size}, the newest {files[-1]}",
                "look into the health of the disk; delete what was set aside once nothing of it is missed",
            )


def _fault(path: Path, backups: Path) -> str | None:
    found = mark_fault(path, backups)
    if found is not None or not path.exists() or not path.stat().st_size:
        return found
    wal = path.with_name(path.name + "-wal")
    # A log that grows while it is read looks broken.
    return open_fault(path) or (None if _is_written(path) else log_fault(wal))


def _is_written(path: Path) -> bool:
    try:
        database = open_reader(str(path))
    except HeatdriftError:
        return True
    try:
        return recorder_pid(summary(database, 0).state) is not None
    except HeatdriftError:
        return True
    finally:
        database.close()
