"""Choices about upkeep; apart, because the service reads them and never loads what does the work."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

HOT_DAYS = 14
BACKUPS = "heatdrift-*Z.db"  # by their names


@dataclass(frozen=True, slots=True)
class UpkeepSettings:
    """What the owner may move.

    Attributes
    ----------
    backup_folder
        None for a folder ``backups`` beside the database file; a server is not backed up without it.
    hot_days
        So many finished days stay plain rows.
    backup_period_days, check_period_days
        How often a backup is made, and the whole database checked.
    backups_kept
        The newest so many; older ones of ours are deleted.
    min_free_bytes
        With less free room no backup is made, and the result says so.
    """

    backup_folder: Path | None = None
    hot_days: int = HOT_DAYS
    backup_period_days: float = 7.0
    backups_kept: int = 3
    check_period_days: float = 7.0
    min_free_bytes: int = 200_000_000

    def folder_for(self, path: Path) -> Path:
        """Where the backups of a database file lie."""
        return self.backup_folder or path.parent / "backups"
