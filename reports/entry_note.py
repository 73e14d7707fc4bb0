"""A note where work did the opposite of what such work should do."""

from __future__ import annotations

from ..store.journal_entry import EntryKind
from ..store.message import Message, Severity
from .advice import BEFORE_OPENING, DRAWS_MORE, risks_of
from .baseline import Change
from .compare import Comparison, Temperatures
from .eras import Part
from .message_words import PARTS, clean, creep_message, day_of_ms, iso_day, listed, quoted, signed, size
from .verdict import ACT_PCT

MOVED_PCT = 3.0  # a healthy part moves by some 1 % from month to month; twice that may still be chance
LEAST_DAYS_AFTER = 7  # compound settles within days: common practice, no source
JOINT_KINDS = {
    EntryKind.COMPOUND,
    EntryKind.LIQUID_METAL,
    EntryKind.PADS,
    EntryKind.HEATSINK_WORK,
    EntryKind.PLATING,
}
AIR_KINDS = {EntryKind.CLEANING, EntryKind.FAN}
REDO = (
    "Wait two weeks and compare again (heatdrift compare): some joints settle late.",
    "If it stays, open the machine, see whether the heatsink sits flat and tight, and do the joint again.",
)
AIR_AGAIN = (
    "Look whether something stands before an inlet, and listen whether every fan turns.",
    "If all is free, open the machine: a fan plug, a foam or a cable may have been left where air should go.",
)
RECKON = (
    "Read the entry again (heatdrift journal list): the value of a resistor, its share of the power, the "
    "factor.",
    "Hold a plug-in meter against it at idle and under load, and enter what it says (heatdrift journal add "
    "calibration).",
)
OPPOSITE = "That is the opposite of what such work should do, and more than chance explains."


def entry_note(comparison: Comparison, *, made_utc_ms: int, machine_name: str) -> Message | None:
    """Tell that work did the opposite of what such work should do; None where it did not, or few days tell.

    New compound should not raise the interface part, nor a cleaning the airflow part; after a change of the
    power reading that was entered rightly neither part should move.

    Parameters
    ----------
    comparison
        Of one source before and after an entry.
    made_utc_ms
        When it was compared [ms since 1970].
    """
    era, after, source = comparison.era, comparison.after, comparison.source
    if not era.opened_by or after is None or after.n_days < LEAST_DAYS_AFTER:
        return None
    day = day_of_ms(era.from_utc_ms, made_utc_ms)
    work = " + ".join(dict.fromkeys(entry.kind.value.replace("_", " ") for entry in era.opened_by))
    risks = [risk for entry in era.opened_by for risk in risks_of(entry.kind)]
    changes = {"interface": comparison.interface, "airflow": comparison.airflow}
    factor = _common_factor(*changes.values()) if Part.POWER in era.resets else None
    rose = _risen(comparison)
    cautions = tuple(dict.fromkeys((*BEFORE_OPENING, *risks)))
    if factor is not None:
        more = "more" if factor > 1.0 else "less"
        worst = 100.0 * (factor - 1.0)
        subject = f"{source}: may draw {abs(worst):.0f} % {more} than the {work} of {day} says"
        steps, cautions = RECKON, (DRAWS_MORE,) if factor > 1.0 else ()
        meaning = (
            "Both parts moved by about the same factor, as they do where the power is not what the entry "
            f"says: about {factor:.2f} W for each watt that is reckoned with."
        )
    elif rose:
        worst = max(changes[name].pct or 0.0 for name in rose)
        risen = f"{PARTS[rose[0]]} {size(changes[rose[0]].pct or 0.0)}"
        subject = f"{source}: {risen} after the {work} of {day}: look again"
        steps, meaning = REDO if rose[0] == "interface" else AIR_AGAIN, OPPOSITE
    else:
        return None
    known = [
        f"{PARTS[part]} {signed(one.pct, one.ci95_pct)}"
        for part, one in changes.items()
        if one.pct is not None and one.ci95_pct is not None
    ]
    n_before = comparison.before.n_days if comparison.before else 0
    paragraphs = (
        f"{clean(machine_name)}: since the {work} of {day} {source} shows {', '.join(known)}, like work with "
        f"like. {meaning}",
        _temperature(comparison.temperatures) if factor is None else "",  # its watts are those of the entry
        "Several things were done within a day: the effect is theirs together."
        if comparison.is_joint
        else "",
        quoted(comparison.entries),
        listed("What to do, the harmless first:", steps, numbered=True),
        listed("Mind:", cautions),
        f"How it was measured: {n_before} days with load before and {after.n_days} after; 95 % intervals.",
    )
    return creep_message(
        Severity.WARNING if worst >= ACT_PCT or DRAWS_MORE in cautions else Severity.NOTE,
        f"creep {source} entry {work} {iso_day(era.from_utc_ms)}",
        made_utc_ms,
        subject,
        paragraphs,
        source=source,
        repeat_after_days=None,
    )


def _risen(one: Comparison) -> list[str]:
    """Parts that should not have risen and did."""
    kinds = {entry.kind for entry in one.entries}
    found = []
    # The heatsink comes off to reach a shunt, so the joint is a new one.
    if kinds & (JOINT_KINDS | {EntryKind.SHUNT}) and _rose(one.interface):
        found.append("interface")
    if kinds & AIR_KINDS and _rose(one.airflow):
        found.append("airflow")
    return found


def _rose(told: Change) -> bool:
    if told.pct is None or told.ci95_pct is None:
        return False
    return told.pct > MOVED_PCT and told.ci95_pct[0] > 0.0


def _common_factor(own: Change, rest: Change) -> float | None:
    """By what both parts moved together, if each did by more than chance and their intervals meet."""
    if own.pct is None or own.ci95_pct is None or rest.pct is None or rest.ci95_pct is None:
        return None
    both = ((own.pct, own.ci95_pct), (rest.pct, rest.ci95_pct))
    is_up = all(pct > MOVED_PCT and low > 0.0 for pct, (low, _) in both)
    is_down = all(pct < -MOVED_PCT and high < 0.0 for pct, (_, high) in both)
    meet = own.ci95_pct[0] <= rest.ci95_pct[1] and rest.ci95_pct[0] <= own.ci95_pct[1]
    return 1.0 + (own.pct + rest.pct) / 200.0 if (is_up or is_down) and meet else None


def _temperature(told: Temperatures | None) -> str:
    if told is None:
        return ""
    low, high = told.ci95_k
    return (
        f"At {told.power_w:.0f} W in a room of {told.ambient_c:.0f} °C that makes {told.change_k:+.1f} K "
        f"({low:+.1f} to {high:+.1f})."
    )
