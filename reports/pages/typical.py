"""What each finding is typical of, in the owner's words, and what to do about it in a few."""

from __future__ import annotations

from collections.abc import Collection

from ...store.journal_entry import EntryKind
from ..advice import Finding, finding_of
from ..cause import Cause
from ..hot_spell import HOT_SPELL
from ..judgement import Verdict
from ..verdict_message import SUSPECTS

NOT_CLEAR = "The cause is not clear: no single one explains all that was seen."
NO_SPEED = "; a tired fan would look the same, for no fan speed is counted here"
TYPICAL = {
    (Finding.INTERFACE, "creep"): "compound pumping out or drying",
    (Finding.INTERFACE, "step"): "a heatsink that was moved or knocked",
    (Finding.INTERFACE, "undecided"): "compound that gives way, or of a heatsink that was moved",
    (Finding.AIRFLOW, "creep"): "fins clogging with lint",
    (Finding.AIRFLOW, "step"): "blocked vents or another place",
    (Finding.AIRFLOW, "undecided"): "fins clogging with lint, or of vents that are blocked",
    (Finding.FAN, "creep"): "a fan that wears",
    (Finding.FAN, "step"): "a worn fan, or of a fan curve that was changed",
    (Finding.FAN, "undecided"): "a worn fan",
}
WITH_METAL = {
    "creep": "liquid metal creeping away or being drawn into the copper",
    "step": "liquid metal that has run, or of a heatsink that was moved or knocked",
    "undecided": "liquid metal giving way",
}
# While it is to be watched, and once it is time to act.
IN_SHORT = {
    Finding.INTERFACE: ("Nothing is urgent: see whether it goes on.", "Plan to renew the joint."),
    Finding.AIRFLOW: ("Free its air.", "Free its air now."),
    Finding.FAN: ("Listen to the fan.", "See to the fan."),
    Finding.POWER_SCALE: ("Check the power reading.",) * 2,
    Finding.TEMPERATURE_OFFSET: ("Check the thermometer.",) * 2,
    Finding.BETTER: ("If you worked on it, enter that.",) * 2,
    Finding.UNKNOWN: ("Find out more before you open anything.",) * 2,
}
TYPICAL_READING = {
    Finding.POWER_SCALE: "a power reading that changed, not of the path: both parts moved by one factor",
    Finding.TEMPERATURE_OFFSET: (
        "a thermometer that changed, not of the path: idle and load moved by the same kelvin"
    ),
}
TYPICAL_BETTER = {
    Cause.INTERFACE: "work on the joint, or of compound that has settled: it is better than it was",
    Cause.AIRFLOW: "a cleaning or a better place: it is better than it was",
}


def typical_of(verdict: Verdict, kinds: Collection[str]) -> str:
    """Say what a finding is typical of, in a sentence; empty where nothing has changed.

    Parameters
    ----------
    verdict
        Of one source.
    kinds
        Kinds of the journal entries on its path, as words of `EntryKind`.
    """
    finding = finding_of(verdict)
    found = verdict.leading.detection if verdict.leading else None
    if found is None or finding is Finding.NONE:
        return ""
    if finding is Finding.UNKNOWN:
        left = suspects_left(verdict)
        return f"The cause is not clear: {' or '.join(left)} would explain it." if left else NOT_CLEAR
    shape = found.shape or "undecided"
    if finding is Finding.BETTER:
        return f"Typical of {TYPICAL_BETTER[verdict.cause]}."
    if finding in TYPICAL_READING:
        return f"Typical of {TYPICAL_READING[finding]}."
    if finding is Finding.INTERFACE and EntryKind.LIQUID_METAL.value in kinds:
        return f"Typical of {WITH_METAL[shape]}."
    said = TYPICAL[finding, shape]
    if finding is Finding.AIRFLOW and verdict.fan.detection is None:
        said += NO_SPEED
    return f"Typical of {said}."


def in_short(verdict: Verdict, kinds: Collection[str]) -> str:
    """Say what to do in a few words; the parameters are those of `typical_of`."""
    finding = finding_of(verdict)
    found = verdict.leading.detection if verdict.leading else None
    if verdict.remark == HOT_SPELL:
        return "Wait."
    if found is None or finding not in IN_SHORT:
        return "Nothing."
    if finding is Finding.INTERFACE and found.shape == "step":
        has_metal = EntryKind.LIQUID_METAL.value in kinds
        return "Shut down, unplug, inspect." if has_metal else "See how the heatsink sits."
    return IN_SHORT[finding][verdict.state == "act"]


def suspects_left(verdict: Verdict) -> list[str]:
    """The causes that the readings do not rule out, the likeliest first; none where none would do."""
    found = verdict.blame
    if found is None:
        return []
    left = [name for name in found.misfits if not any(text.startswith(name) for text in found.excluded)]
    left.sort(key=lambda name: found.misfits[name])
    return [SUSPECTS.get(name, name) for name in left] if len(left) > 1 else []


def suspect(verdict: Verdict) -> str:
    """The cause by the name that `Blame` gives it."""
    if verdict.cause is Cause.TELEMETRY:
        return finding_of(verdict).value
    return {Cause.INTERFACE: "interface part", Cause.AIRFLOW: "airflow part"}.get(verdict.cause, "fan")
