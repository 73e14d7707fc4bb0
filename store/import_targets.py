"""The names of the exchange table: ``<owner>.<quantity>``, and which owners are sources."""

from __future__ import annotations

import re
from collections.abc import Collection, Iterable
from dataclasses import dataclass
from difflib import get_close_matches

from .errors import SettingsError
from .series import PROBES
from .units import OWNER, PROBE_QUANTITIES, QUANTITY_INDEX, SOURCE_QUANTITIES, Quantity

QUANTITIES: dict[str, Quantity] = PROBE_QUANTITIES | {q.name: q for q in SOURCE_QUANTITIES}
SOURCE_KINDS = ("gpu", "cpu", "vrm")


@dataclass(frozen=True, slots=True)
class Target:
    """Where a column goes: ``scale`` times its value plus ``offset`` is ``quantity`` of ``owner``.

    ``method`` is how the value came about, as in `Channel`.
    """

    owner: str
    quantity: str
    scale: float = 1.0
    offset: float = 0.0
    method: str = ""

    @property
    def name(self) -> str:
        """The heading in the exchange table."""
        return f"{self.owner}.{self.quantity}"


@dataclass(frozen=True, slots=True)
class Owners:
    """Who is who: sources with their kinds; all others are probes and fans."""

    kinds: dict[str, str]

    def quantity_of(self, target: Target) -> Quantity:
        """The quantity with the bounds that hold for its owner."""
        if target.owner in self.kinds:
            return SOURCE_QUANTITIES[QUANTITY_INDEX[target.quantity]]
        return PROBE_QUANTITIES[target.quantity]


def target_of(name: str, where: str) -> Target:
    """Read a name such as ``gpu0.temperature_c``; ``where`` says in a complaint where it stands.

    Raises
    ------
    SettingsError
        It is none; the message gives the nearest that is.
    """
    owner, _, quantity = name.partition(".")
    if OWNER.fullmatch(owner) and quantity in QUANTITIES:
        return Target(owner, quantity)
    near = nearest(name)
    remedy = f"did you mean {near}?" if near else "write a name such as gpu0.temperature_c"
    raise SettingsError(f"{where} goes to {name!r}, which is no quantity", remedy=remedy)


def is_target(name: str) -> bool:
    """Whether a heading is one of the exchange table."""
    owner, _, quantity = name.partition(".")
    return bool(OWNER.fullmatch(owner)) and quantity in QUANTITIES


def nearest(name: str) -> str | None:
    """The name of the exchange table that is most like this one, None where nothing is."""
    owner, _, quantity = name.strip().lower().partition(".")
    owner = re.sub(r"[^a-z0-9_]", "", owner)
    found = get_close_matches(quantity or owner, QUANTITIES, 1, cutoff=0.5)
    if not found:
        return "time" if get_close_matches(name.lower(), ["time", "timestamp"], 1) else None
    return f"{owner if OWNER.fullmatch(owner) and quantity else 'gpu0'}.{found[0]}"


def sort_owners(
    targets: Iterable[Target], known_kinds: dict[str, str], known_probes: Collection[str]
) -> Owners:
    """Tell sources from probes: by what the store knows, by name, and by what is measured of them.

    Parameters
    ----------
    targets
        Every column of the file.
    known_kinds
        Sources that the store knows, with their kinds.
    known_probes
        Probes and fans that the store knows.

    Raises
    ------
    SettingsError
        One name has quantities of a source and of a probe, or changes sides.
    """
    measured: dict[str, set[str]] = {}
    for target in targets:
        measured.setdefault(target.owner, set()).add(target.quantity)
    if PROBES in measured:
        raise SettingsError(
            f"{PROBES} is a word of the record itself", remedy="give it another name in a mapping file"
        )
    kinds: dict[str, str] = {}
    for owner, quantities in measured.items():
        kind = owner.rstrip("0123456789")
        is_source = owner in known_kinds or (owner not in known_probes and kind in SOURCE_KINDS)
        if only_source := sorted(quantities - PROBE_QUANTITIES.keys()):
            if owner in known_probes and owner not in known_kinds:
                raise SettingsError(
                    f"{owner} is a probe of this machine and cannot have {only_source[0]}",
                    remedy="give the source another name in a mapping file",
                )
            is_source = True
        if is_source:
            if strange := sorted(quantities - QUANTITY_INDEX.keys()):
                raise SettingsError(
                    f"{owner} is a source and cannot have {strange[0]}", remedy="name its fan fan1, say"
                )
            kinds[owner] = known_kinds.get(owner, kind)
    return Owners(kinds)
