"""What the nightly judgement tells the owner: a change, and that it went away."""

from __future__ import annotations

from collections.abc import Collection

from ..store.errors import AnalysisError
from ..store.journal_entry import EntryKind
from ..store.message import Message, Severity
from .advice import DRAWS_MORE, HOTTER_THAN_SHOWN, Finding, advice_for, finding_of
from .baseline import NORMAL_95
from .cause import Cause, odds
from .detection import Detection
from .entry_note import entry_note
from .idle_series import in_its_unit
from .judgement import Verdict
from .message_words import (
    PARTS,
    all_of,
    clean,
    creep_message,
    day,
    day_of_ms,
    iso_day,
    likelihood,
    listed,
    quoted,
    signed,
    size,
)

__all__ = ["entry_note", "message_of", "recovery_message"]

REPEAT_DAYS = {"watch": 90.0, "act": 30.0}
RECOVERY_REPEAT_DAYS = 60.0
# By the names that `Blame` gives them.
SUSPECTS = {
    "interface part": "the joint between die and heatsink",
    "airflow part": "the way from the heatsink to the air",
    "power scale": "a power reading with another scale",
    "temperature offset": "a thermometer that is off",
    "fan": "the fan",
}
WHAT = {
    "interface": "the interface part of {source} (what the joint between die and heatsink resists)",
    "airflow": "the airflow part of {source} (what the way from the heatsink to the air resists)",
    "fan": "the fan speed of {source} at the same heat",
    "idle": "the idle temperature of {source} (above the air, or beside the other source of the machine)",
    "apart": "the temperature of {source} against that of its neighbour on the same sink, at like powers,",
}
SHAPES = {"creep": ", creeping", "step": ", in one step"}
SHAPE_WORDS = {"step": "It came in one step.", "undecided": "One step or a creep: that cannot be told yet."}
DO_NOW = {
    Finding.INTERFACE: "plan to renew the joint",
    Finding.AIRFLOW: "free its air",
    Finding.FAN: "see to the fan",
}
INSTEAD = {
    Finding.POWER_SCALE: "check the power reading",
    Finding.TEMPERATURE_OFFSET: "check the thermometer",
    Finding.UNKNOWN: "cause not clear",
    Finding.BETTER: "nothing to do",
}


def message_of(
    verdict: Verdict,
    *,
    made_utc_ms: int,
    machine_name: str,
    kinds_of_entries: Collection[str],
    outlook_words: str = "",
) -> Message:
    """Tell of a change.

    The same finding has the same key night after night: source, cause, state, direction and era are in it;
    the onset is not, because it moves by a day or two as more is known.

    Parameters
    ----------
    verdict
        Of one source on which something has changed.
    made_utc_ms
        When it was judged [ms since 1970].
    kinds_of_entries
        Kinds of the journal entries on its path; see `advice_for`.
    outlook_words
        How long until the limit, in a sentence; empty for nothing.

    Raises
    ------
    AnalysisError
        Nothing has changed.
    """
    if verdict.leading is None or verdict.leading.detection is None:
        raise AnalysisError(f"nothing has changed on {verdict.source}", remedy="tell of what has changed")
    found, finding = verdict.leading.detection, finding_of(verdict)
    told = advice_for(verdict, kinds_of_entries)
    has_metal_moved = (
        finding is Finding.INTERFACE
        and found.shape == "step"
        and EntryKind.LIQUID_METAL.value in kinds_of_entries
    )
    severity = Severity.WARNING if verdict.state == "act" else Severity.NOTE
    if DRAWS_MORE in told.cautions or HOTTER_THAN_SHOWN in told.cautions:
        severity = Severity.WARNING
    tail = INSTEAD.get(finding) or (DO_NOW.get(finding, "") if verdict.state == "act" else "")
    if tail and finding is Finding.INTERFACE and found.shape == "step":
        tail = "see how the heatsink sits"
    if has_metal_moved:
        severity, tail = Severity.URGENT, "shut down, unplug, inspect"
    since = f" since {day(found.onset_utc, made_utc_ms)}" if found.onset_utc else ""
    change, _, unit = in_its_unit(verdict.leading.name, found.change_pct, found.change_ci95_pct)
    subject = f"{verdict.source}: {PARTS[verdict.leading.name]} {size(change, unit=unit)}{since}"
    subject += SHAPES.get(found.shape or "", "") + (f": {tail}" if tail else "")
    urgency = "Nothing is urgent. " if severity is Severity.NOTE else ""
    if severity is not Severity.NOTE and verdict.state == "act":
        urgency = "This cannot wait. " if has_metal_moved else "It is time to act. "
    if finding is Finding.BETTER:
        urgency = ""
    order = "the first thing first" if has_metal_moved else "the harmless first"
    worked = verdict.era.opened_by
    paragraphs = (
        _what(verdict, machine_name),
        _when(found, made_utc_ms),
        outlook_words,
        _why(verdict),
        verdict.remark,
        f"The path was last worked on {day_of_ms(verdict.era.from_utc_ms)}. {quoted(worked)}"
        if worked
        else "",
        listed(f"{urgency}What to do, {order}:", told.what_to_do, numbered=True),
        listed("Mind:", told.cautions),
        listed("What would make this surer:", told.would_settle),
        _measured(verdict),
    )
    direction = "up" if found.change_pct > 0.0 else "down"
    names = (verdict.source, verdict.cause.value, verdict.state, direction, iso_day(verdict.era.from_utc_ms))
    key = f"creep {' '.join(names)}"
    repeat = REPEAT_DAYS.get(verdict.state, REPEAT_DAYS["watch"])
    return creep_message(
        severity, key, made_utc_ms, subject, paragraphs, source=verdict.source, repeat_after_days=repeat
    )


def recovery_message(verdict: Verdict, *, made_utc_ms: int, machine_name: str) -> Message | None:
    """Tell that a change has gone away; None where none has, or another part is changed still.

    It is for who was told of the change: whether that was so, only the outbox knows.
    """
    gone = next(
        (p for p in verdict.parts if p.detection is not None and p.detection.state == "recovered"), None
    )
    if gone is None or gone.detection is None or verdict.state != "holding":
        return None
    found, name = gone.detection, PARTS[gone.name]
    since = f" since {day(found.recovered_utc, made_utc_ms)}" if found.recovered_utc else ""
    began = f" It had been off since about {day(found.onset_utc)}." if found.onset_utc else ""
    now = signed(*in_its_unit(gone.name, found.change_pct, found.change_ci95_pct))
    paragraphs = (
        f"On {clean(machine_name)} the {name} of {verdict.source} is near its baseline again: "
        f"{now} by the newest days.{began}",
        "Nothing needs to be done. If you did something to the machine, enter it in the journal with its "
        "day. If you did not, think of what comes and goes: a place, a cushion, a driver, a plug that is "
        "loose.",
        verdict.remark,
    )
    key = f"creep {verdict.source} recovered {gone.name} {iso_day(verdict.era.from_utc_ms)}"
    subject = f"{verdict.source}: {name} back near its baseline{since}"
    return creep_message(
        Severity.NOTE,
        key,
        made_utc_ms,
        subject,
        paragraphs,
        source=verdict.source,
        repeat_after_days=RECOVERY_REPEAT_DAYS,
    )


def _what(verdict: Verdict, machine_name: str) -> str:
    leading = verdict.leading
    assert leading is not None and leading.detection is not None  # `message_of` has looked
    found = leading.detection
    where = {"airflow": " and room temperature"}.get(leading.name, "; the room has no part in it")
    is_scale = finding_of(verdict) is Finding.POWER_SCALE
    power = f" at the same {'reported ' if is_scale else ''}power{where}"
    if leading.name in ("fan", "idle", "apart"):
        power = ""
    others = [
        f"{PARTS[part.name]} {signed(part.change.pct, part.change.ci95_pct)}"
        if part.change.pct is not None and part.change.ci95_pct is not None
        else f"{PARTS[part.name]} not known ({part.reason or part.change.reason})"
        for part in (verdict.interface, verdict.airflow, verdict.fan)
        if part is not leading
    ]
    power_reading = ""
    if is_scale:
        pct = 100.0 / (1.0 + found.change_pct / 100.0) - 100.0
        power_reading = (
            f"As a power reading: it says about {abs(pct):.0f} % {'more' if pct > 0.0 else 'less'} than it "
            "did, for the same heat. "
        )
    return (
        f"On {clean(machine_name)}, {WHAT[leading.name].format(source=verdict.source)} is "
        f"{size(*in_its_unit(leading.name, found.change_pct, found.change_ci95_pct))} against its "
        f"baseline{power}. {power_reading}"
        f"The rest, in the last thirty days: {'; '.join(others)}."
    )


def _when(found: Detection, made_utc_ms: int) -> str:
    said = []
    if found.onset_utc:
        between = ""
        if found.onset_ci95_utc:
            first, last = (day(end, made_utc_ms) for end in found.onset_ci95_utc)
            between = f" (95 % interval: {first} to {last})"
        noticed = (
            f", noticed by the readings of {day(found.detected_utc, made_utc_ms)}"
            if found.detected_utc
            else ""
        )
        said.append(f"It began about {day(found.onset_utc)}{between}{noticed}.")
    said.append(SHAPE_WORDS.get(found.shape or "", "It creeps."))
    if found.trend_pct_per_30d is not None and found.trend_ci95 is not None:
        said[-1] = f"It creeps, now by {signed(found.trend_pct_per_30d, found.trend_ci95)} in 30 days."
    if found.reversal_utc:
        said.append(f"On {day(found.reversal_utc)} a second sudden change followed.")
    return " ".join(said)


def _why(verdict: Verdict) -> str:
    found, leading = verdict.blame, verdict.leading
    if leading is None or leading.detection is None:
        return ""
    if found is None:  # another source has settled it: the remark says how
        return f"That it changed: {likelihood(leading.detection.confidence)}, on the day it was noticed."
    own = min(found.misfits, key=lambda name: abs(found.misfits[name] - found.misfit))
    out = [name for name in found.misfits if any(text.startswith(name) for text in found.excluded)]
    left = [SUSPECTS.get(name, name) for name in found.misfits if name not in out and name != own]
    said = f"That it changed: {likelihood(leading.detection.confidence)}, on the day it was noticed."
    suspect = SUSPECTS.get(own, own)
    if own == "airflow part" and verdict.fan.detection is None:
        suspect += ", a tired fan included"  # which only a counted speed would tell apart
    likely = f"{suspect} ({likelihood(found.probability)})"
    if verdict.cause is Cause.UNKNOWN:
        said += f" The cause is not clear. Likeliest is {likely}; possible is also {all_of(left)}."
    else:
        said += f" The cause: {likely}, of those that were looked at."
    if out:
        least = min(found.misfits[name] - found.misfit for name in out)
        ruled_out = all_of([SUSPECTS.get(name, name) for name in out])
        said += f" Ruled out: {ruled_out}; the readings would be {odds(least)} times less likely."
    return said


def _measured(verdict: Verdict) -> str:
    leading = verdict.leading
    assert leading is not None and leading.detection is not None
    how = {
        "interface": "the first seconds after load steps, which need no room temperature",
        "airflow": "settled stretches of load",
        "fan": "counted speed at like heat",
        "idle": "idle hours of each day",
        "apart": "settled stretches of both, what their powers explain taken off",
    }[leading.name]
    reference = verdict.model.reference if verdict.model else None
    if leading.name == "airflow" and reference is not None:
        air = f"{reference.kind} ({reference.name})" if reference.name else reference.kind
        how += f"; the air by {air}, good to {NORMAL_95 * reference.offset_error_k:.0f} K"
    days = f"{leading.detection.n_rows} days"
    if leading.series is not None:
        days += f", the first {leading.series.n_baseline} of them the baseline"
    return f"How it was measured: {how}; {days}; like work with like."
