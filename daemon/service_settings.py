"""How the service behaves; every default of it is written here once."""

from __future__ import annotations

from dataclasses import dataclass, field

from .cadence import CadenceSettings
from .due import Task

UPKEEP = Task("upkeep", ("upkeep",), every_days=1)
JUDGE = Task("judge", ("judge",), every_days=1)
REPAIR = Task("repair", ("upkeep", "--repair"))  # never due: what is damaged asks for it
REPORT = Task("report", ("report", "--monthly"), is_monthly=True)


@dataclass(frozen=True, slots=True)
class ServiceSettings:
    """How the service behaves.

    Attributes
    ----------
    database_url
        Handed to child processes; the service itself writes through the pen it is given.
    flush_looks, flush_s
        Rows are written after this many looks or this long [s], whichever comes first. A power cut loses what
        was not written; a commit costs some 20 KB beside its rows, so that one a minute would triple what is
        written under load, and one each five minutes of idling is most of what an idle day writes.
    hold_s
        How much is held in memory while the database cannot be written [s].
    retry_s
        Pause after a failed write [s].
    rescan_s, check_due_s, heartbeat_s
        Periods of the coarse work [s].
    child_deadline_s
        How long a child may take [s]; well below ``hold_s``, because rows wait meanwhile.
    overload_s
        A look later than this leaves a gap behind [s].
    tasks
        Long work for child processes.
    """

    database_url: str
    cadence: CadenceSettings = field(default_factory=CadenceSettings)
    flush_looks: int = 300
    flush_s: float = 600.0
    hold_s: float = 3600.0
    retry_s: float = 10.0
    rescan_s: float = 3600.0
    check_due_s: float = 3600.0
    heartbeat_s: float = 600.0
    child_deadline_s: float = 1800.0
    overload_s: float = 5.0
    tasks: tuple[Task, ...] = (UPKEEP, JUDGE, REPORT)
