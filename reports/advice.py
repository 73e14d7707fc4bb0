"""What the owner can do about a change: the harmless first, and only the cautions that belong to it."""

from __future__ import annotations

from collections.abc import Collection
from dataclasses import dataclass
from enum import Enum

from ..store.journal_entry import EntryKind
from .cause import UNDECIDED, Cause
from .entry_advice import ADVICE
from .judgement import Verdict
from .reference_temperature import ReferenceKind


class Finding(Enum):
    """What a verdict says, as far as it makes a difference to what should be done."""

    NONE = "none"
    BETTER = "better"
    INTERFACE = "interface"
    AIRFLOW = "airflow"
    FAN = "fan"
    POWER_SCALE = "power scale"
    TEMPERATURE_OFFSET = "temperature offset"
    UNKNOWN = "unknown"


@dataclass(frozen=True, slots=True)
class Advice:
    """What can be done, in order; what it risks; and which data would make the verdict surer."""

    what_to_do: tuple[str, ...]
    cautions: tuple[str, ...]
    would_settle: tuple[str, ...]


BEFORE_OPENING = (
    "Before you open the machine: power off, unplug, disconnect the battery, let it cool. Hot parts burn, "
    "and a damaged battery can start a fire.",
    "Local rules and a qualified technician come first. Opening the machine can end its warranty.",
)
LEVEL_WITH_METAL = (
    "The journal says that liquid metal is on this path: keep the machine level, and leave the heatsink "
    "where it is unless the joint itself is to be done."
)
GLOVES = "Wear gloves and eye protection with liquid metal, and keep it off your skin."
DRAWS_MORE = (
    "The machine may draw more than it reports. Its power limit guards the reported power only, and cables, "
    "connectors and regulators that no sensor sees can overheat and start a fire."
)
SHUNT_CHANGED = (
    "A smaller shunt overloads parts that software cannot see. Paint and solder on top of it age: look for "
    "brown spots and a burnt smell, with the machine switched off."
)
HOTTER_THAN_SHOWN = (
    "If the reading is too low, the part is hotter than it shows, and what protects it acts too late."
)
INLETS = (
    "Put the machine on a hard flat surface, a hand's width from walls and cloth, and look whether all "
    "inlets and outlets are free."
)
CONSTANT_LOAD = (
    "One and the same constant load for half an hour, at one place and in one room, once a week: it sets the "
    "air apart from the work."
)
STARTS_AND_STOPS = (
    "Load that starts and stops: ten runs of three minutes with three minutes of rest between them. Only "
    "steps of power show the joint."
)
AMBIENT_PROBE = (
    "A thermometer near the air intake, its channel named as the probe 'ambient' in the settings: without it "
    "the room is only guessed at."
)
TACHOMETER = (
    "A counted fan speed, from the kernel module of the board's fan controller where there is one: a speed "
    "that was only asked for cannot tell a tired fan from clogged fins."
)
COLD_IDLE = (
    "An idle hour after the machine was off for a night: cold, every thermometer must show the room, so one "
    "that is off gives itself away."
)
METER = (
    "A plug-in meter held against the reported power at idle and under load (heatdrift journal add "
    "calibration): it tells a changed reading from a changed path."
)
UNCLEAR = (
    "Do not open the machine for this yet: more than one cause explains what was seen.",
    "Think back to that day: a journey, another place, a driver, a firmware, work inside. Enter what "
    "there was in the journal with its day.",
    INLETS,
    "Go on recording with the work that you always do; the verdict is made anew every night.",
)


def finding_of(verdict: Verdict) -> Finding:
    """What a verdict comes to; of a reading that is off, which of the two it is most likely."""
    found = verdict.leading.detection if verdict.leading else None
    if found is None or verdict.cause is Cause.NONE:
        return Finding.NONE
    if verdict.cause is Cause.TELEMETRY:
        known = verdict.blame.misfits if verdict.blame else {}
        offset = known.get("temperature offset")
        is_offset = offset is not None and offset < known.get("power scale", offset)
        return Finding.TEMPERATURE_OFFSET if is_offset else Finding.POWER_SCALE
    if verdict.cause in (Cause.INTERFACE, Cause.AIRFLOW) and found.change_pct < 0.0:
        return Finding.BETTER
    return Finding(verdict.cause.value)


def advice_for(verdict: Verdict, kinds_of_entries: Collection[str]) -> Advice:
    """Say what the owner can do about a verdict.

    Parameters
    ----------
    verdict
        Of one source.
    kinds_of_entries
        Kinds of the entries on its path, as words of `EntryKind`: ``liquid_metal`` and ``shunt`` change
        what is dangerous.
    """
    finding = finding_of(verdict)
    if finding is Finding.NONE:
        return Advice((), (), ())
    found = verdict.leading.detection if verdict.leading else None
    assert found is not None  # else it would be none
    has_metal = EntryKind.LIQUID_METAL.value in kinds_of_entries
    is_sudden = found.shape != "creep"
    cautions: tuple[str, ...] = ()
    match finding:
        case Finding.BETTER:
            steps = _better(verdict.source)
        case Finding.INTERFACE:
            steps, cautions = _joint(verdict, is_sudden=is_sudden, has_metal=has_metal)
        case Finding.AIRFLOW:
            steps, cautions = _air(verdict, is_sudden=is_sudden, has_metal=has_metal)
        case Finding.FAN:
            steps, cautions = _fan(has_metal)
        case Finding.POWER_SCALE:
            steps, cautions = _power(verdict.source, found.change_pct, kinds_of_entries)
        case Finding.TEMPERATURE_OFFSET:
            steps, cautions = _thermometer(reads_low=found.change_pct < 0.0)
        case _:
            steps = UNCLEAR
    return Advice(steps, cautions, would_settle(verdict))


def risks_of(kind: EntryKind) -> tuple[str, ...]:
    """What a kind of work risks, in sentences that stand by themselves."""
    if kind is EntryKind.LIQUID_METAL:
        return tuple(f"Liquid metal{risk.removeprefix('It')}" for risk in ADVICE[kind].risks)
    return ADVICE[kind].risks


def would_settle(verdict: Verdict) -> tuple[str, ...]:
    """Which data would decide between the causes that are left, of those that this record lacks."""
    found = verdict.blame
    misfits = found.misfits if found else {}
    left = {name for name, misfit in misfits.items() if found and misfit - found.misfit < UNDECIDED}
    is_open = verdict.cause is Cause.UNKNOWN
    reference = verdict.model.reference if verdict.model else None
    has_probe = reference is not None and reference.kind == ReferenceKind.AMBIENT.value
    is_about_air = bool({"airflow part", "temperature offset", "power scale"} & left)
    answers = (
        (STARTS_AND_STOPS, verdict.interface.detection is None or (is_open and "interface part" in left)),
        (CONSTANT_LOAD, verdict.airflow.detection is None or (is_open and is_about_air)),
        (COLD_IDLE, is_open and ("temperature offset" not in misfits or "temperature offset" in left)),
        (METER, is_open and "power scale" in left and not verdict.era.scale.is_calibrated),
        (AMBIENT_PROBE, not has_probe and (is_open or verdict.cause is Cause.AIRFLOW)),
        (TACHOMETER, verdict.fan.detection is None and (is_open or verdict.cause is Cause.AIRFLOW)),
    )
    return tuple(answer for answer, is_wanted in answers if is_wanted)


def _better(source: str) -> tuple[str, ...]:
    return (
        "Nothing needs to be done: the path carries heat better than it did.",
        "If somebody worked on it or moved it, enter that with its day (heatdrift journal add, for "
        f"{source}), so that it gets a baseline of its own.",
        "If nobody did, keep an eye on it: what got better by itself can get worse again.",
    )


def _joint(verdict: Verdict, *, is_sudden: bool, has_metal: bool) -> tuple[tuple[str, ...], tuple[str, ...]]:
    kind = EntryKind.LIQUID_METAL if has_metal else EntryKind.COMPOUND
    steps: list[str] = []
    if is_sudden and has_metal:
        steps.append(
            "The liquid metal may have moved. Shut the machine down, unplug it, disconnect the battery, and "
            "do not switch it on again before somebody has looked."
        )
    if is_sudden:
        steps.append(
            "Think back to that day: a knock, a journey, a bag, work inside. If something was done, enter it "
            "in the journal with its day."
        )
    steps.append(
        "If the machine shows a hot spot beside its usual temperature, see whether the two have moved apart: "
        "that speaks for the joint as well."
    )
    if not (is_sudden and has_metal):
        steps.append(
            "Try another kind of work for some evenings: a joint that is worse shows with every load."
        )
    if has_metal and not is_sudden:
        steps.append(
            "On bare copper liquid metal creeps for some weeks, and one renewal is common: wait as long as "
            "the temperatures leave room."
        )
    what = "the liquid metal and its dam" if has_metal else "the compound"
    if is_sudden:
        steps.append(
            "When you open it, look whether the heatsink sits flat and its screws are tight, then renew "
            f"{what}."
        )
    else:
        when = "Then" if verdict.state == "act" else "If it goes on,"
        steps.append(f"{when} open the machine and renew {what}.")
    steps.append(
        f"Enter the work on the same day (heatdrift journal add {kind.value} --source {verdict.source}); "
        "some evenings later heatdrift compare says whether it helped."
    )
    risks = ADVICE[EntryKind.COMPOUND].risks
    if has_metal:
        risks = (risks[0], *risks_of(EntryKind.LIQUID_METAL), GLOVES)
    return tuple(steps), (*BEFORE_OPENING, *risks)


def _air(verdict: Verdict, *, is_sudden: bool, has_metal: bool) -> tuple[tuple[str, ...], tuple[str, ...]]:
    steps: list[str] = []
    opens = not is_sudden or verdict.state == "act"
    if is_sudden:
        steps.append(
            "Think back to that day: another place, a cushion, a lid, a cable before an outlet. If the "
            f"machine stays there, enter it (heatdrift journal add position --source {verdict.source})."
        )
    steps.append(INLETS)
    shared = verdict.model.shared_with if verdict.model else ()
    if shared:
        steps.append(
            f"See whether {' and '.join(shared)}, on the same heatsink, went the same way: lint hits all of "
            "them."
        )
    steps += [
        "Listen whether every fan turns and sounds as it used to.",
        "With the machine switched off, clean the inlets and outlets from outside with a soft brush.",
    ]
    if opens:
        steps.append(
            "If that does not help, open the machine and clean the fins and fans; lint sits between fan and "
            "fins, where it cannot be seen from outside."
        )
    steps.append(
        f"Enter a cleaning on the same day (heatdrift journal add cleaning --source {verdict.source})."
    )
    risks = ADVICE[EntryKind.CLEANING].risks
    if not opens:
        return tuple(steps), risks
    return tuple(steps), (*BEFORE_OPENING, *risks, *((LEVEL_WITH_METAL,) if has_metal else ()))


def _fan(has_metal: bool) -> tuple[tuple[str, ...], tuple[str, ...]]:
    steps = (
        "Listen: a worn bearing hums, rattles or starts late. Compare the fans with each other.",
        "See whether a firmware, a fan curve or a quiet mode changed on that day: then the fan only does "
        "what it is told, and the change belongs into the journal (heatdrift journal add firmware, or "
        "other).",
        INLETS,
        "If the speed goes on falling, open the machine, take lint off the blades, and change the fan for "
        "one of the same type.",
    )
    risks = ADVICE[EntryKind.FAN].risks
    return steps, (*BEFORE_OPENING, *risks, *((LEVEL_WITH_METAL,) if has_metal else ()))


def _power(source: str, change_pct: float, kinds: Collection[str]) -> tuple[tuple[str, ...], tuple[str, ...]]:
    steps = [
        "Leave the cooling alone: both parts moved by one factor, as when a power reading changes.",
        "Think back to that day: a driver, a firmware, a shunt. Enter it in the journal with its day, so "
        f"that the watts before and after mean the same (heatdrift journal add driver --source {source}).",
        "Hold a plug-in meter against it at idle and under load, and enter what it says (heatdrift journal "
        f"add calibration --source {source}).",
    ]
    cautions = [*((DRAWS_MORE,) if change_pct > 0.0 else ()), *ADVICE[EntryKind.CALIBRATION].risks]
    if EntryKind.SHUNT.value in kinds:
        steps.append("A shunt is in the journal: if no software changed, have its solder joints looked at.")
        cautions += [SHUNT_CHANGED, *BEFORE_OPENING]
    return tuple(steps), tuple(cautions)


def _thermometer(*, reads_low: bool) -> tuple[tuple[str, ...], tuple[str, ...]]:
    steps = (
        "Leave the cooling alone: idle and load moved by the same kelvin, as when a thermometer goes off.",
        "Think back to that day: a driver or a firmware may read the sensor in another way. Enter it in the "
        "journal with its day.",
        "Leave the machine off for a night and look at it in its first minute: every thermometer must show "
        "the room, within 2 °C or so.",
        "Until it is clear, do not trust the last degrees before a limit.",
    )
    return steps, (HOTTER_THAN_SHOWN,) if reads_low else ()
