"""What the owner did to the machine: the words of the journal, and what an entry must not say."""

from __future__ import annotations

import math
import re
from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import UTC, datetime
from difflib import get_close_matches
from enum import Enum

from .errors import SettingsError

EARLIEST_ENTRY_UTC_MS = 946_684_800_000  # 2000-01-01: before it, the year is a slip of the pen
LONGEST_TEXT = 10_000
UNSTORABLE = re.compile("[\x00-\x08\x0b-\x1f\x7f-\x9f\ud800-\udfff]")  # controls, and halves of characters


class EntryKind(Enum):
    """What was done."""

    COMPOUND = "compound"
    LIQUID_METAL = "liquid_metal"
    PADS = "pads"
    HEATSINK_WORK = "heatsink_work"
    PLATING = "plating"
    CLEANING = "cleaning"
    FAN = "fan"
    SHUNT = "shunt"
    POWER_LIMIT = "power_limit"
    FIRMWARE = "firmware"
    DRIVER = "driver"
    POSITION = "position"
    CALIBRATION = "calibration"
    OTHER = "other"


POWER_KINDS = frozenset(
    {EntryKind.SHUNT, EntryKind.CALIBRATION, EntryKind.FIRMWARE, EntryKind.DRIVER, EntryKind.OTHER}
)
"""Kinds after which the reported power may mean something else."""


@dataclass(frozen=True, slots=True)
class Detail:
    """One number that an entry may carry: what it says, its bounds, and the kinds it belongs to.

    ``lowest`` is excluded, ``highest`` allowed.
    """

    meaning: str
    kinds: frozenset[EntryKind]
    lowest: float = 0.0
    highest: float = 1e6


_SHUNT = frozenset({EntryKind.SHUNT})
_WALL = frozenset({EntryKind.CALIBRATION})
_PLATING = frozenset({EntryKind.PLATING})

NUMBERS: dict[str, Detail] = {
    "shunt_from_mohm": Detail("sense resistor before [mOhm]", _SHUNT),
    "shunt_to_mohm": Detail("sense resistor that took its place [mOhm]", _SHUNT),
    "shunt_added_mohm": Detail("sense resistor soldered on top of it [mOhm]", _SHUNT),
    "shunt_share_pct": Detail("share of the power that runs through changed shunts", _SHUNT, 0.0, 100.0),
    "power_factor": Detail("true power over reported power", POWER_KINDS, 0.0, 100.0),
    "power_factor_ci95_pct": Detail("its 95 % half-width", POWER_KINDS, 0.0, 100.0),
    "reported_slope": Detail("slope a in reported = a x true + b", POWER_KINDS, 0.0, 100.0),
    "reported_offset_w": Detail("offset b in reported = a x true + b [W]", POWER_KINDS, -1e4, 1e4),
    "wall_idle_w": Detail("wall meter at idle [W]", _WALL),
    "wall_load_w": Detail("wall meter under load [W]", _WALL),
    "reported_idle_w": Detail("reported power at idle [W]", _WALL),
    "reported_load_w": Detail("reported power under load [W]", _WALL),
    "supply_efficiency_pct": Detail("efficiency of the power supply", _WALL, 0.0, 100.0),
    "plating_min": Detail("time in the bath [min]", _PLATING),
    "plating_um_per_h": Detail("rate of the bath [um/h]", _PLATING),
    "plating_um": Detail("thickness of the layer [um]", _PLATING),
}
POWER_NUMBERS = frozenset({"power_factor", "reported_slope", "reported_offset_w"})


@dataclass(frozen=True, slots=True)
class JournalEntry:
    """One thing the owner did, at one moment.

    Attributes
    ----------
    at_utc_ms
        When, UTC [ms since 1970].
    source
        Whose heat path; empty means the whole machine.
    interface
        Which joint of the path, in the owner's words; empty where it needs no word.
    numbers
        By the names in `NUMBERS`.
    cost_milli
        Thousandths of ``currency``; None where no cost was noted.
    entry_id
        Number in the database; None before it is stored. Two entries that say the same are equal.
    """

    at_utc_ms: int
    kind: EntryKind
    source: str = ""
    interface: str = ""
    numbers: Mapping[str, float] = field(default_factory=dict)
    cost_milli: int | None = None
    currency: str = ""
    note: str = ""
    photo_path: str = ""
    entry_id: int | None = field(default=None, compare=False)

    @property
    def name(self) -> str:
        """Day, kind and source, as a message would call it."""
        day = datetime.fromtimestamp(self.at_utc_ms / 1000, UTC).date()
        return f"{self.kind.value} of {day}" + (f" on {self.source}" if self.source else "")


def kind_of(word: object) -> EntryKind:
    """The kind that a word means.

    Raises
    ------
    SettingsError
        None; the nearest one is named.
    """
    known = [kind.value for kind in EntryKind]
    if isinstance(word, str) and word in known:
        return EntryKind(word)
    near = get_close_matches(str(word), known, 1)
    remedy = f"did you mean {near[0]}?" if near else f"write one of {', '.join(known)}"
    raise SettingsError(f"no kind of entry is called {word}", remedy=remedy)


def check_entry(entry: JournalEntry, now_utc_ms: int) -> None:
    """Refuse an entry that cannot be true.

    Raises
    ------
    SettingsError
        It lies in the future, a number is out of its bounds or does not belong to the kind, a cost has no
        currency, or a text cannot be stored.
    """
    _check_moment(entry.at_utc_ms, now_utc_ms)
    for key, value in entry.numbers.items():
        _check_number(entry.kind, key, value)
    needs_source = entry.kind in {EntryKind.SHUNT, EntryKind.CALIBRATION} or POWER_NUMBERS & set(
        entry.numbers
    )
    if needs_source and not entry.source:
        raise SettingsError(f"{entry.name} names no source", remedy="say whose power it changes, gpu0 say")
    if entry.cost_milli is not None and entry.cost_milli < 0:
        raise SettingsError("a cost cannot be negative", remedy="write what was paid, 0 or more")
    if entry.cost_milli is None and entry.currency:
        raise SettingsError("a currency without a cost says nothing", remedy="give both, or neither")
    if entry.currency and not (
        len(entry.currency) == 3 and entry.currency.isascii() and entry.currency.isupper()
    ):
        raise SettingsError(f"{entry.currency} is no currency", remedy="write its three letters, EUR say")
    for text in (entry.source, entry.interface, entry.note, entry.photo_path):
        _check_text(text)


def _check_moment(at_utc_ms: int, now_utc_ms: int) -> None:
    if at_utc_ms > now_utc_ms:
        then, now = (
            datetime.fromtimestamp(min(ms, 253_402_300_799_000) / 1000, UTC) for ms in (at_utc_ms, now_utc_ms)
        )
        raise SettingsError(
            f"{then:%Y-%m-%d %H:%M}Z is in the future, it is {now:%Y-%m-%d %H:%M}Z now",
            remedy="enter what has been done, when it has been done",
        )
    if at_utc_ms < EARLIEST_ENTRY_UTC_MS:
        raise SettingsError("the entry lies before the year 2000", remedy="check the year")


def _check_number(kind: EntryKind, key: str, value: float) -> None:
    detail = NUMBERS.get(key)
    if detail is None:
        near = get_close_matches(key, NUMBERS, 1)
        remedy = f"did you mean {near[0]}?" if near else "see `heatdrift journal add --help`"
        raise SettingsError(f"an entry has no {key}", remedy=remedy)
    if kind not in detail.kinds:
        kinds = ", ".join(sorted(k.value for k in detail.kinds))
        raise SettingsError(f"{key} says nothing about {kind.value}", remedy=f"it belongs to {kinds}")
    if not math.isfinite(value) or not detail.lowest < value <= detail.highest:
        bounds = f"above {detail.lowest:g} and at most {detail.highest:g}"
        raise SettingsError(
            f"{key} = {value:g} cannot be: {detail.meaning}", remedy=f"write a value {bounds}"
        )


def _check_text(text: str) -> None:
    if len(text) > LONGEST_TEXT:
        raise SettingsError(f"a text of {len(text)} characters is too long", remedy=f"at most {LONGEST_TEXT}")
    wrong = UNSTORABLE.search(text)
    if wrong is not None:
        raise SettingsError(f"a text holds the character U+{ord(wrong[0]):04X}", remedy="leave it out")
