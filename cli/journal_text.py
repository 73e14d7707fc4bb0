"""Journal entries and their effects in words."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from ..reports.entry_advice import ADVICE, FIRST_OF_ALL, layer_mm2_k_per_w, layer_um
from ..reports.power_scale import NORMAL_95, PowerScale, power_scale
from ..store.journal_entry import NUMBERS, EntryKind, JournalEntry
from .tables import TIE, WIDTH, columns, wrap
from .wording import moment_text, rfc3339

EXAMPLE_W = 100.0


def list_lines(entries: Sequence[JournalEntry]) -> list[str]:
    """One row for each entry."""
    if not entries:
        return ["nothing yet: see `heatdrift journal add --help`"]
    rows = [("no", "when", "what", "source", "details")]
    for entry in entries:
        when = moment_text(entry.at_utc_ms)[:16] + "Z"
        rows.append((str(entry.entry_id), when, entry.kind.value, entry.source or "all", _details(entry)))
    return columns(rows, right=(0,))


def effect_lines(entry: JournalEntry, scale: PowerScale | None) -> list[str]:
    """What an entry does to the figures; ``scale`` is the one of its source after it."""
    lines = []
    if power_scale(entry) is not None and scale is not None:
        reach = "between the changes of power around it" if scale.is_calibrated else "from then on"
        lines += wrap(f"power: {_scale_text(scale)}, {reach}", WIDTH)
        flow_w, spread_w = scale.true_w(EXAMPLE_W), NORMAL_95 * scale.standard_error_w(EXAMPLE_W)
        lines.append(
            f"  where {EXAMPLE_W:g} W are reported, {flow_w:.0f} ± {spread_w:.0f} W flow ({scale.basis})"
        )
    thickness_um = layer_um(entry)
    if thickness_um is not None:
        least, most = layer_mm2_k_per_w(thickness_um)
        adds = f"of nickel with phosphorus that adds {least:.1f} to {most:.1f} mm2 K/W"
        lines.append(f"layer: about {thickness_um:.0f} um; {adds}")
    return lines


def advice_lines(kind: EntryKind) -> list[str]:
    """What a kind of work risks, wrapped for a terminal."""
    advice = ADVICE[kind]
    lines = [*wrap(FIRST_OF_ALL, WIDTH), ""]
    for risk in advice.risks:
        first, *more = wrap(risk, WIDTH - 2)
        lines += [f"- {first}", *(f"  {line}" for line in more)]
    return [*lines, "", *wrap(advice.afterwards, WIDTH)]


def as_documents(entries: Sequence[JournalEntry]) -> list[dict[str, Any]]:
    """Entries for programs."""
    documents = []
    for entry in entries:
        scale = power_scale(entry)
        documents.append(
            {
                "id": entry.entry_id,
                "time": rfc3339(entry.at_utc_ms),
                "kind": entry.kind.value,
                "path": entry.source or None,
                "interface": entry.interface or None,
                **{key: entry.numbers[key] for key in NUMBERS if key in entry.numbers},
                "cost": None if entry.cost_milli is None else entry.cost_milli / 1000,
                "currency": entry.currency or None,
                "note": entry.note or None,
                "photo": entry.photo_path or None,
                "true_w_per_reported_w": None if scale is None else scale.factor,
            }
        )
    return documents


def _details(entry: JournalEntry) -> str:
    parts = [entry.interface]
    own = power_scale(entry)
    if own is not None:
        parts.append(_scale_text(own))
    thickness_um = layer_um(entry)
    if thickness_um is not None:
        parts.append(f"{thickness_um:.0f} um")
    if entry.cost_milli is not None:
        parts.append(f"{entry.cost_milli / 1000:.2f}{TIE}{entry.currency}".rstrip())
    parts += [" ".join(entry.note.split()), entry.photo_path]
    return "; ".join(part for part in parts if part)


def _scale_text(scale: PowerScale) -> str:
    spread_pct = 100 * NORMAL_95 * scale.factor_standard_error / scale.factor
    offset = f" - {scale.offset_w:g} W" if scale.offset_w > 0 else f" + {-scale.offset_w:g} W"
    reported = f"(reported{offset})" if scale.offset_w else "reported"
    return f"true = {scale.factor:.4g} x {reported}, ±{TIE}{spread_pct:.2g}{TIE}%"
