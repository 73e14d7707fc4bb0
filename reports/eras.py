"""Journal entries turned into the eras of each source, each with what reported power means in it."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from enum import Enum

from ..store.journal_entry import EntryKind, JournalEntry
from ..store.units import MILLI
from .power_history import entries_of, power_scales, scale_at
from .power_scale import PowerScale, power_scale

JOINT_WITHIN_MS = 86_400_000  # a day: nobody gathers a baseline between two entries of one evening


class Part(Enum):
    """What an entry gives a new baseline to."""

    INTERFACE = "interface"
    AIRFLOW = "airflow"
    POWER = "power"


_BOTH = frozenset({Part.INTERFACE, Part.AIRFLOW})
RESETS: dict[EntryKind, frozenset[Part]] = {
    EntryKind.COMPOUND: frozenset({Part.INTERFACE}),
    EntryKind.LIQUID_METAL: frozenset({Part.INTERFACE}),
    EntryKind.PADS: _BOTH,  # their thickness decides how hard the sink sits on the die
    EntryKind.HEATSINK_WORK: _BOTH,
    EntryKind.PLATING: _BOTH,
    EntryKind.CLEANING: frozenset({Part.AIRFLOW}),
    EntryKind.FAN: frozenset({Part.AIRFLOW}),
    EntryKind.SHUNT: _BOTH | {Part.POWER},  # the sink comes off to reach the resistor
    EntryKind.POSITION: frozenset({Part.AIRFLOW}),
    # These move no resistance, which is a ratio; one with a power factor moves what is reported.
    EntryKind.POWER_LIMIT: frozenset(),
    EntryKind.FIRMWARE: frozenset(),
    EntryKind.DRIVER: frozenset(),
    EntryKind.CALIBRATION: frozenset(),
    EntryKind.OTHER: frozenset(),
}


@dataclass(frozen=True, slots=True)
class Era:
    """A stretch of one source's life between entries that reset a baseline.

    Attributes
    ----------
    number
        0 for what was before the first such entry.
    from_utc_ms, to_utc_ms
        From the last of the entries that opened it, up to (not including) the first of those that opened the
        next one [ms since 1970]. What was recorded between entries of one evening belongs to no era.
    opened_by
        Entries that opened it, by time; empty for era 0.
    beside
        Entries within a day of those that reset nothing and may have had an effect too.
    resets
        Which parts need a new baseline; the others go on from the era before.
    scale
        What reported power means in it.
    """

    source: str
    number: int
    from_utc_ms: int
    to_utc_ms: int
    opened_by: tuple[JournalEntry, ...]
    beside: tuple[JournalEntry, ...]
    resets: frozenset[Part]
    scale: PowerScale

    @property
    def is_joint(self) -> bool:
        """Whether several things changed at once, so that no effect can be given to one of them."""
        return len(self.opened_by) + len(self.beside) > 1

    @property
    def name(self) -> str:
        """For people: the day and what was done, ``from the start`` for era 0."""
        if not self.opened_by:
            return "from the start"
        kinds = " + ".join(dict.fromkeys(entry.kind.value for entry in self.opened_by))
        return f"{kinds} {datetime.fromtimestamp(self.from_utc_ms / 1000, UTC).date()}"

    @property
    def cost(self) -> tuple[float, str] | None:
        """What its entries cost together and in which currency; None where none says, or two differ."""
        paid = [entry for entry in (*self.opened_by, *self.beside) if entry.cost_milli is not None]
        currencies = {entry.currency for entry in paid}
        if len(currencies) != 1:
            return None
        return sum(entry.cost_milli or 0 for entry in paid) / MILLI, currencies.pop()


def eras(entries: Sequence[JournalEntry], source: str, from_utc_ms: int, to_utc_ms: int) -> tuple[Era, ...]:
    """Cut a record into the eras of one source.

    Parameters
    ----------
    entries
        The journal, in any order; what lies at or after ``to_utc_ms`` is not known yet and is left out.
    source
        ``gpu0``, say.
    from_utc_ms, to_utc_ms
        The record, from its first moment up to, not including, the second [ms since 1970].

    Returns
    -------
    tuple of Era
        By time, none empty, none overlapping.

    Raises
    ------
    SettingsError
        Two entries contradict each other; see `power_scales`.
    """
    mine = [entry for entry in entries_of(entries, source) if entry.at_utc_ms < to_utc_ms]
    scales = power_scales(mine, source)
    groups = _groups(mine)
    starts = [from_utc_ms, *(max(group[-1].at_utc_ms, from_utc_ms) for group in groups)]
    ends = [*(group[0].at_utc_ms for group in groups), to_utc_ms]
    return tuple(
        Era(
            source=source,
            number=number,
            from_utc_ms=start,
            to_utc_ms=end,
            opened_by=tuple(group),
            beside=_beside(group, mine),
            resets=frozenset[Part]().union(*(resets_of(entry) for entry in group)),
            scale=scale_at(scales, start),
        )
        for number, (group, start, end) in enumerate(zip([[], *groups], starts, ends, strict=True))
        if start < end
    )


def era_opened_by(found: Sequence[Era], entry: JournalEntry) -> Era | None:
    """The era that an entry opened, None where it opened none or nothing was recorded after it."""
    return next((era for era in found if entry in era.opened_by), None)


def resets_of(entry: JournalEntry) -> frozenset[Part]:
    """Which parts an entry gives a new baseline to."""
    if entry.kind is not EntryKind.CALIBRATION and power_scale(entry) is not None:
        return RESETS[entry.kind] | {Part.POWER}
    return RESETS[entry.kind]


def _groups(mine: list[JournalEntry]) -> list[list[JournalEntry]]:
    groups: list[list[JournalEntry]] = []
    for entry in mine:
        if not resets_of(entry):
            continue
        if groups and entry.at_utc_ms - groups[-1][-1].at_utc_ms < JOINT_WITHIN_MS:
            groups[-1].append(entry)
        else:
            groups.append([entry])
    return groups


def _beside(group: list[JournalEntry], mine: list[JournalEntry]) -> tuple[JournalEntry, ...]:
    if not group:
        return ()
    first, last = group[0].at_utc_ms - JOINT_WITHIN_MS, group[-1].at_utc_ms + JOINT_WITHIN_MS
    without_effect = {EntryKind.CALIBRATION, EntryKind.OTHER}
    return tuple(
        entry
        for entry in mine
        if first < entry.at_utc_ms < last and not resets_of(entry) and entry.kind not in without_effect
    )
