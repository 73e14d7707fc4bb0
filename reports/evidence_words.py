"""What a verdict rests on, in words and numbers."""

from __future__ import annotations

import math

from .cause import Cause
from .idle_series import in_its_unit
from .judgement import JudgedPart, Verdict
from .message_words import PARTS

MATTERS_PCT = 4.0  # what the detector would call a change, too
CAUSES = {
    "none": "nothing has changed",
    "interface": "the joint between die and sink",
    "airflow": "the way from the sink to the air",
    "fan": "the fan",
    "telemetry": "the readings, not the path",
    "unknown": "more than one cause would explain it",
}


def evidence_of(one: Verdict) -> list[str]:
    """One sentence for each part."""
    said = [_of_part(part) for part in one.parts]
    return [*said, one.remark] if one.remark else said


def sentence(one: Verdict) -> str:
    """The verdict in one sentence."""
    found = one.leading.detection if one.leading else None
    if one.leading is None or found is None:
        parts = [part for part in (one.interface, one.airflow) if part.detection is not None]
        if not parts:
            return f"{one.source}: cannot be judged yet: {one.interface.reason or one.airflow.reason}"
        changes = ", ".join(f"{part.name} part {_percent(part)}" for part in parts)
        return f"{one.source}: holding; {changes} against the baseline"
    since = f" since {found.onset_utc[:10]}" if found.onset_utc else ""
    shape = {"creep": ", creeping", "step": ", in one step"}.get(found.shape or "", "")
    change, (low, high), unit = in_its_unit(one.leading.name, found.change_pct, found.change_ci95_pct)
    what = PARTS[one.leading.name]
    likely = "" if one.cause is Cause.UNKNOWN else "most likely "
    return (
        f"{one.source}: {what} {change:+.0f} {unit} ({low:+.0f} to {high:+.0f}){since}{shape};"
        f" {likely}{CAUSES[one.cause.value]}"
    )


def shown(value: float) -> float | None:
    """A number as JSON takes it."""
    return float(value) if math.isfinite(value) else None


def _of_part(part: JudgedPart) -> str:
    name = PARTS[part.name]
    if part.detection is None:
        return f"{name}: {part.reason}"
    if part.detection.state == "holding":
        what = "not sure yet" if _may_have_changed(part) else "no change"
        return f"{name}: {what}, {_percent(part)} in the last thirty days"
    found = part.detection
    change, (low, high), unit = in_its_unit(part.name, found.change_pct, found.change_ci95_pct)
    onset = f", since {found.onset_utc[:10]}" if found.onset_utc else ""
    return f"{name}: {change:+.1f} {unit} ({low:+.1f} to {high:+.1f}){onset}, {found.state}"


def _may_have_changed(part: JudgedPart) -> bool:
    """Whether it stands off by something that would matter, although there is too little for an alarm."""
    if part.change.pct is None or part.change.ci95_pct is None:
        return False
    low, high = part.change.ci95_pct
    return abs(part.change.pct) >= MATTERS_PCT and (low > 0.0 or high < 0.0)


def _percent(part: JudgedPart) -> str:
    if part.change.pct is None or part.change.ci95_pct is None:
        return f"not known ({part.change.reason})"
    change, (low, high), unit = in_its_unit(part.name, part.change.pct, part.change.ci95_pct)
    return f"{change:+.1f} {unit} ({low:+.1f} to {high:+.1f})"
