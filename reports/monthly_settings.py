"""What becomes of each month's report; every default of it is written here once."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path


@dataclass(frozen=True, slots=True)
class MonthlySettings:
    """Where the service puts each month's report, and whether it tells.

    Attributes
    ----------
    report_folder
        None for ``reports`` beside the database.
    is_sent
        Whether its first lines go out on the channels of the messages.
    """

    report_folder: Path | None = None
    is_sent: bool = False
