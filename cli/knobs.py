"""Every setting an owner may move: where it lives, its limits and what it is for.

Defaults are not here: they stand once, in the dataclass that each section fills.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import MISSING, dataclass, fields
from typing import Any

from ..daemon.cadence import CadenceSettings
from ..daemon.guard_settings import GuardSettings
from ..daemon.message_settings import MessageSettings
from ..daemon.service_settings import ServiceSettings
from ..reports.monthly_settings import MonthlySettings
from ..reports.reference_conditions import ReferenceConditions
from ..store.owner_file import owner_path
from ..store.upkeep_settings import UpkeepSettings

SECTIONS: dict[str, type] = {
    "looking": CadenceSettings,
    "service": ServiceSettings,
    "keeping": UpkeepSettings,
    "reference": ReferenceConditions,
    "monthly": MonthlySettings,
    "messages": MessageSettings,
    "guard": GuardSettings,
}


@dataclass(frozen=True, slots=True)
class Limits:
    """The range of a number, both ends allowed, and the setting's meaning in one line."""

    lowest: float
    highest: float
    meaning: str


@dataclass(frozen=True, slots=True)
class Knob:
    """One setting of a section; a text, or a list of addresses, where the limits are None."""

    section: str
    key: str
    default: bool | int | float | str | tuple[str, ...]
    is_path: bool
    limits: Limits | None
    meaning: str

    @property
    def name(self) -> str:
        """Section and key, as printed."""
        return f"{self.section}.{self.key}"

    @property
    def is_secret(self) -> bool:
        """Whether its value is shown nowhere: it holds passwords."""
        return self.name in SECRETS


NUMBERS: dict[str, Limits] = {
    "looking.load_period_s": Limits(0.5, 10, "How often to look under load [s]"),
    "looking.idle_period_s": Limits(1, 60, "How often to look at idle [s]"),
    "looking.peek_period_s": Limits(0.5, 10, "How often to check at idle whether work began [s]"),
    "looking.idle_mean_s": Limits(10, 600, "One row of means for so long at idle [s]"),
    "looking.load_mean_s": Limits(1, 60, "One row of means for so long under load [s]"),
    "looking.before_step_s": Limits(3, 60, "Keep every look from so long before a load step [s]"),
    "looking.after_step_s": Limits(10, 600, "Keep every look until so long after a load step [s]"),
    "looking.load_hold_s": Limits(5, 600, "Pauses in work up to this are still work [s]"),
    "looking.step_fraction": Limits(0.02, 0.9, "Share of a source's range that makes a load step"),
    "looking.load_fraction": Limits(0.02, 0.9, "Share of that range above idle that makes a load"),
    "looking.max_steps_per_hour": Limits(1, 60, "Steps kept in full in an hour; more become means"),
    "looking.max_gap_s": Limits(5, 300, "Looks further apart never share a mean [s]"),
    "service.flush_looks": Limits(1, 3600, "Write rows after so many looks"),
    "service.flush_s": Limits(5, 3600, "Write rows at the latest after so long [s]"),
    "service.hold_s": Limits(300, 14_400, "Hold rows in memory so long if they cannot be written [s]"),
    "service.retry_s": Limits(1, 600, "Pause after a failed write [s]"),
    "service.rescan_s": Limits(600, 86_400, "How often to look for sensors that come or go [s]"),
    "service.check_due_s": Limits(600, 86_400, "How often to see whether long work is due [s]"),
    "service.heartbeat_s": Limits(60, 900, "How often the service leaves a sign of life [s]"),
    "service.child_deadline_s": Limits(60, 7200, "The nightly work may take so long [s]"),
    "service.overload_s": Limits(2, 60, "A look later than this is noted as a gap [s]"),
    "keeping.hot_days": Limits(2, 90, "So many finished days stay plain rows, then are sealed"),
    "keeping.backup_period_days": Limits(0, 365, "How often to back up; 0 is every night [days]"),
    "keeping.backups_kept": Limits(1, 100, "How many backups stay"),
    "keeping.check_period_days": Limits(0, 365, "How often to check all that is kept [days]"),
    "keeping.min_free_bytes": Limits(50e6, 1e12, "No backup while less room is free [bytes]"),
    "reference.ambient_c": Limits(5, 45, "Room at which temperatures are quoted [C]"),
    "reference.gpu_power_w": Limits(0, 2000, "Power at which a GPU is quoted; 0 is its usual load [W]"),
    "reference.cpu_power_w": Limits(0, 2000, "The same of a processor [W]"),
    "messages.repeat_days": Limits(0.04, 365, "The same alarm again after so long [days]"),
    "messages.give_up_days": Limits(0.04, 60, "Stop trying to send a message after so long [days]"),
    "messages.timeout_s": Limits(2, 60, "A channel may take so long for one message [s]"),
    "guard.cpu_limit_c": Limits(0, 125, "Alarm from this heat of a CPU; 0 means 100 [°C]"),
    "guard.gpu_limit_c": Limits(0, 125, "Alarm from this heat of a GPU; 0: its own, else 87 [°C]"),
    "guard.hot_s": Limits(10, 3600, "... once it has lasted so long [s]"),
    "guard.fan_heat_c": Limits(40, 120, "A fan that used to turn must turn at this heat [°C]"),
    "guard.fan_stopped_s": Limits(10, 3600, "... and may stand still for so long [s]"),
    "guard.step_k": Limits(5, 60, "Liquid metal: alarm at so much more heat at like power [K]"),
    "guard.step_s": Limits(10, 3600, "... once it has lasted so long [s]"),
}
TEXTS: dict[str, str] = {
    "keeping.backup_folder": 'Where backups go; empty means "backups" beside the database',
    "monthly.report_folder": 'Where monthly reports go; empty means "reports" beside the database',
    "messages.message_urls": 'Channels: ["mailtos://...", "json://..."]; keep this file to yourself',
    "messages.quiet_from": "Local time from which only what is urgent is sent",
    "messages.quiet_to": "... and until when; the same twice means no such hours",
}
SWITCHES: dict[str, str] = {"monthly.is_sent": "Send the first lines of each monthly report as a message"}
SECRETS = frozenset({"messages.message_urls"})
CLOCKS = frozenset({"messages.quiet_from", "messages.quiet_to"})


def knobs() -> Iterator[Knob]:
    """All settings of all sections, in the order in which they are printed."""
    for section, kind in SECTIONS.items():
        for spec in fields(kind):
            name = f"{section}.{spec.name}"
            if name in NUMBERS and spec.default is not MISSING:
                limits = NUMBERS[name]
                yield Knob(section, spec.name, spec.default, False, limits, limits.meaning)
            elif name in SWITCHES and isinstance(spec.default, bool):
                yield Knob(section, spec.name, spec.default, False, None, SWITCHES[name])
            elif name in TEXTS:
                default: Any = spec.default or ""  # a path that is None is an empty text
                yield Knob(
                    section,
                    spec.name,
                    () if name in SECRETS else default,
                    "Path" in str(spec.type),
                    None,
                    TEXTS[name],
                )


def built(section: str, values: dict[str, Any]) -> dict[str, Any]:
    """Values of a section as its dataclass wants them: an empty path is None."""
    paths = {knob.key for knob in knobs() if knob.section == section and knob.is_path}
    return {
        key: (owner_path(str(value)) if value else None) if key in paths else value
        for key, value in values.items()
    }
