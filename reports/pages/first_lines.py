"""What the first screen says of one source: what changed, what that is typical of, what to do, how sure."""

from __future__ import annotations

import math
from collections.abc import Collection
from dataclasses import dataclass

from ..advice import advice_for, would_settle
from ..cause import Cause
from ..evidence_words import MATTERS_PCT
from ..hot_spell import HOT_SPELL, MEANWHILE
from ..idle_series import in_its_unit
from ..judgement import JudgedPart, Verdict
from ..message_words import PARTS, all_of, day, likelihood, signed, size
from ..outlook import Outlook
from ..reference_conditions import ReferenceConditions
from ..reference_temperature import ReferenceKind
from ..verdict_message import SUSPECTS
from .typical import in_short, suspect, typical_of

NOT_JUDGED = "not judged yet"
SHAPES = {"creep": ", creeping", "step": ", in one step"}
UNCHANGED = " unchanged"


@dataclass(frozen=True, slots=True)
class FirstLines:
    """What is said of one source before anything else.

    Attributes
    ----------
    found, typical, ahead
        What changed, with both parts named; what that is typical of; how far the limit is. Whole sentences,
        the latter two empty where there is nothing to say.
    state_word
        ``holding``, ``watch``, ``act``, or that it could not be judged.
    in_short
        What to do, in a few words.
    what_to_do, cautions, would_settle
        As in `Advice`: in order, the harmless first.
    missing
        What was not had, and why.
    """

    source: str
    found: str
    typical: str
    ahead: str
    state_word: str
    what_to_do: tuple[str, ...]
    how_sure: str
    cautions: tuple[str, ...]
    in_short: str = ""
    would_settle: tuple[str, ...] = ()
    missing: tuple[tuple[str, str], ...] = ()

    @property
    def sentence(self) -> str:
        """All that can be acted on, in one breath."""
        return " ".join(part for part in (self.found, self.typical, self.ahead) if part)


def first_lines(
    verdict: Verdict, outlook: Outlook | None, conditions: ReferenceConditions, kinds: Collection[str]
) -> FirstLines:
    """Put a verdict into the words of the first screen.

    Parameters
    ----------
    verdict
        Of one source.
    outlook
        How long until its limit; None where nobody looked.
    conditions
        The owner's room.
    kinds
        Kinds of the journal entries on its path, as words of `EntryKind`.
    """
    advice = advice_for(verdict, kinds)
    is_judged = any(part.detection is not None for part in (verdict.interface, verdict.airflow))
    has_changed = verdict.leading is not None and verdict.leading.detection is not None
    to_do: tuple[str, ...] = advice.what_to_do
    settles = advice.would_settle or would_settle(verdict)
    if verdict.remark == HOT_SPELL:
        to_do = (MEANWHILE,)
    elif is_judged and not to_do:
        to_do = ("Go on as usual: it is judged anew every night.",)
    elif not has_changed:
        to_do = ("Go on recording: with enough days under load it is judged by itself.",)
    return FirstLines(
        source=verdict.source,
        found=_changed(verdict) if has_changed else _holding(verdict),
        typical=typical_of(verdict, kinds),
        ahead=_ahead(verdict, outlook, conditions),
        state_word=verdict.state if is_judged or has_changed else NOT_JUDGED,
        what_to_do=to_do,
        how_sure=_sure(verdict) if has_changed else _sure_of_holding(verdict),
        cautions=advice.cautions,
        in_short=in_short(verdict, kinds),
        would_settle=settles,
        missing=_missing(verdict),
    )


def _changed(verdict: Verdict) -> str:
    leading = verdict.leading
    assert leading is not None and leading.detection is not None  # asked only then
    found = leading.detection
    since = f" since {day(found.onset_utc, _now_ms(verdict))}" if found.onset_utc else ""
    # What wrong readings show is no fact about the path.
    seems = "seems " if verdict.cause is Cause.TELEMETRY else ""
    shape = SHAPES.get(found.shape or "", "")
    said = f"{verdict.source}: {PARTS[leading.name]} {seems}{_size(leading)}{since}{shape}"
    others = [_other(part) for part in (verdict.interface, verdict.airflow) if part is not leading]
    at_speed = " at the same fan speed" if leading is verdict.fan else ""
    return f"{said}; {all_of(others)}{at_speed}."


def _holding(verdict: Verdict) -> str:
    parts = (verdict.interface, verdict.airflow)
    if all(part.detection is None for part in parts):
        reason = verdict.interface.reason or verdict.airflow.reason or "there are too few days with load"
        return f"{verdict.source}: neither interface part nor airflow part can be judged yet: {reason}."
    said = [_other(part) for part in parts]
    if all(UNCHANGED in one for one in said):
        return f"{verdict.source}: both parts unchanged, {all_of([_shortened(one) for one in said])}."
    return f"{verdict.source}: {', '.join(said)}."


def _size(part: JudgedPart) -> str:
    """As ``up 12 % (9 to 15)``."""
    found = part.changed_by
    change, (low, high), unit = in_its_unit(part.name, found.change_pct, found.change_ci95_pct)
    return size(change, (low, high), unit).replace("95 % interval ", "").replace(f" {unit})", ")")


def _other(part: JudgedPart) -> str:
    """A part that does not lead."""
    name, told = PARTS[part.name], part.change
    if part.detection is not None and part.is_changed:
        return f"{name} {_size(part)}"
    if part.detection is None or told.pct is None or told.ci95_pct is None:
        return f"{name} not known ({part.reason or told.reason})"
    low, high = told.ci95_pct
    if abs(told.pct) >= MATTERS_PCT and (low > 0.0 or high < 0.0):
        return f"{name} perhaps {size(told.pct)} ({low:+.0f} to {high:+.0f}), too early to tell"
    return f"{name}{UNCHANGED} (within {math.ceil(max(abs(low), abs(high)))} %)"


def _shortened(said: str) -> str:
    """As ``interface part within 3 %``."""
    return said.replace(f"{UNCHANGED} (", " ").replace(")", "")


def _ahead(verdict: Verdict, outlook: Outlook | None, conditions: ReferenceConditions) -> str:
    if outlook is None or outlook.now_c is None or verdict.cause is Cause.TELEMETRY:
        return ""  # by wrong readings no limit is foreseen
    where = f"{outlook.reference_power_w:.0f} W in a {conditions.ambient_c:.0f} °C room"
    beside = verdict.model.shared_with if verdict.model else ()
    if beside:  # whose heat on the same sink is not in these figures
        where += f" with {all_of(beside)} at rest"
    room_k = outlook.limit_c - outlook.now_c
    if outlook.days_to_limit is not None and outlook.ci80_days is not None:
        low, high = outlook.ci80_days
        return (
            f"About {outlook.days_to_limit:.0f} days ({low:.0f} to {high:.0f}) to its limit of "
            f"{outlook.limit_c:.0f} °C at {where}."
        )
    if room_k <= 0.0:
        return f"At {where} it would be at its limit of {outlook.limit_c:.0f} °C already."
    limit = f"its limit of {outlook.limit_c:.0f} °C"
    said = f"At {where} it stands at {outlook.now_c:.0f} °C, {room_k:.0f} K below {limit}"
    if outlook.reason.startswith("no date: "):
        said += f"; when it would get there cannot be said: {outlook.reason.removeprefix('no date: ')}"
    return f"{said}."


def _sure(verdict: Verdict) -> str:
    leading, blame = verdict.leading, verdict.blame
    assert leading is not None and leading.detection is not None  # asked only then
    found = leading.detection
    noticed = ""
    if found.detected_utc:
        noticed = f" when it was noticed, by the readings of {day(found.detected_utc, _now_ms(verdict))}"
    said = [f"That it changed: {likelihood(found.confidence)}{noticed}."]
    if blame is not None and blame.cause is verdict.cause is not Cause.UNKNOWN:
        own = SUSPECTS[suspect(verdict)]
        said.append(f"That it is {own}: {likelihood(blame.probability)}, of the causes looked at.")
    elif verdict.cause is Cause.UNKNOWN:
        said.append("Why: not sure.")
    if verdict.remark:
        said.append(f"{verdict.remark[0].upper()}{verdict.remark[1:]}.")
    if found.onset_ci95_utc:
        first, last = (day(end, _now_ms(verdict)) for end in found.onset_ci95_utc)
        if first[-4:] == last[-4:]:
            first = first.removesuffix(f" {last[-4:]}")
        said.append(f"It began between {first} and {last}.")
    return " ".join([*said, _stands_on(leading)])


def _sure_of_holding(verdict: Verdict) -> str:
    judged = [part for part in (verdict.interface, verdict.airflow) if part.detection is not None]
    if not judged:
        return "Nothing is claimed yet."
    chance = math.prod(1.0 - part.detection.confidence for part in judged if part.detection is not None)
    which = "That neither part has changed" if len(judged) > 1 else f"That the {PARTS[judged[0].name]} holds"
    told = [
        f"{PARTS[part.name]} {signed(part.change.pct, part.change.ci95_pct)}"
        for part in judged
        if part.change.pct is not None and part.change.ci95_pct is not None
    ]
    last = f"Last thirty days against the baseline: {all_of(told)}. " if told else ""
    beside = f"{verdict.remark[0].upper()}{verdict.remark[1:]}. " if verdict.remark else ""
    return f"{which}: {likelihood(chance)}. {last}{beside}{_stands_on(judged[0])}"


def _stands_on(part: JudgedPart) -> str:
    if part.series is None:
        return ""
    return (
        f"It stands on {len(part.series.rows)} days, the first {part.series.n_baseline} of them the baseline."
    )


def _missing(verdict: Verdict) -> tuple[tuple[str, str], ...]:
    missing = [
        (PARTS[part.name], part.reason) for part in verdict.parts if part.detection is None and part.reason
    ]
    reference = verdict.model.reference if verdict.model else None
    if reference is not None and reference.kind == ReferenceKind.OWN_IDLE.value:
        missing.append(("temperature of the air", "no thermometer reads it; the idle source stands for it"))
    return tuple(missing)


def _now_ms(verdict: Verdict) -> int | None:
    """The newest day of the record: days of its year are named without the year."""
    series = verdict.interface.series or verdict.airflow.series
    return None if series is None else round(series.rows.index[-1].timestamp() * 1000)
