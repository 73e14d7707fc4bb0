"""A comparison in words, and as a document."""

from __future__ import annotations

from typing import Any

from ..reports.baseline import Change
from ..reports.compare import Comparison
from ..reports.endurance import Quantity
from ..reports.price import Price
from ..reports.sides import Stretch
from .tables import WIDTH, columns, labelled, wrap
from .wording import counted, moment_text, rfc3339

HEADING = ("", "before", "after", "change, 95 % interval")


def as_lines(one: Comparison) -> list[str]:
    """What changed on one source, for a terminal."""
    names = " + ".join(entry.name for entry in one.entries)
    lines = [*labelled(one.source, names, 8)]
    for label, side in (("before", one.before), ("after", one.after)):
        lines += labelled(label, _stretch_text(side), 8)
    rows = [HEADING]
    notes: list[str] = []
    known = one.fit
    for label, part, told in (
        ("interface part", known.interface if known else None, one.interface),
        ("airflow part", known.airflow if known else None, one.airflow),
        ("whole path", known.total if known else None, one.total),
    ):
        if told.pct is None or part is None:
            reason = told.reason or (known.no_interface or known.no_airflow if known else "")
            rows.append((label, "-", "-", "-"))
            notes.append(f"{label}: {reason}")
            continue
        after = part.k_per_w * (1.0 + told.pct / 100.0)
        digits = 3 if part.k_per_w >= 0.1 else 4
        rows.append((label, f"{part.k_per_w:.{digits}f} K/W", f"{after:.{digits}f} K/W", _change_text(told)))
    if one.temperatures is not None:
        t = one.temperatures
        label = f"at {t.power_w:.0f} W in {t.ambient_c:.0f} °C"
        change = f"{t.change_k:+.1f} K ({t.ci95_k[0]:+.1f} to {t.ci95_k[1]:+.1f})"
        rows.append((label, f"{t.before_c:.1f} °C", f"{t.after_c:.1f} °C", change))
    elif one.no_temperatures:
        notes.append(f"temperature at equal power and room: {one.no_temperatures}")
    for label, quantity in one.sustained.items():
        rows.append((label, *_cells(quantity)))
        notes += [f"{label}: {quantity.reason}"] if quantity.reason else []
    lines += ["", *columns(rows, right=(1, 2)), ""]
    if one.prices:
        paid = one.prices[0]
        lines += labelled("cost", f"{paid.total:.2f} {paid.currency}".rstrip() + " in all", 8)
    for price in one.prices:
        lines += labelled("", _price_text(price), 8)
    if one.is_joint:
        notes.insert(0, "joint effect: several things were done within a day; what each did cannot be told")
    if not one.is_calibrated:
        notes.append("power is as the sensor and the journal say, not held against a meter")
    for note in notes:
        first, *more = wrap(note, WIDTH - 2)
        lines += [f"- {first}", *(f"  {line}" for line in more)]
    return lines


def as_document(one: Comparison) -> dict[str, Any]:
    """What changed on one source, for programs."""
    fit, t = one.fit, one.temperatures
    return {
        "source": one.source,
        "entries": [
            {"id": entry.entry_id, "kind": entry.kind.value, "time": rfc3339(entry.at_utc_ms)}
            for entry in one.entries
        ],
        "joint": one.is_joint,
        "before": _stretch_document(one.before),
        "after": _stretch_document(one.after),
        "interface_resistance": _part_document(
            fit.interface.k_per_w if fit and fit.interface else None, one.interface
        ),
        "airflow_resistance": _part_document(
            fit.airflow.k_per_w if fit and fit.airflow else None, one.airflow
        ),
        "total_resistance": _part_document(fit.total.k_per_w if fit and fit.total else None, one.total),
        "temperature": None
        if t is None
        else {
            "ambient_c": t.ambient_c,
            "power_w": t.power_w,
            "before_c": t.before_c,
            "after_c": t.after_c,
            "change_k": t.change_k,
            "ci95_k": list(t.ci95_k),
        },
        "temperature_reason": one.no_temperatures or None,
        "sustained": {
            label.replace(" ", "_"): {
                "unit": quantity.unit,
                "before": quantity.before,
                "after": quantity.after,
                "change": quantity.change,
                "ci95": list(quantity.ci95) if quantity.ci95 else None,
                "reason": quantity.reason or None,
            }
            for label, quantity in one.sustained.items()
        },
        "cost": [
            {
                "total": price.total,
                "currency": price.currency,
                "per": price.unit,
                "value": price.value,
                "ci95": list(price.ci95) if price.ci95 else None,
                "reason": price.reason or None,
            }
            for price in one.prices
        ],
    }


def _change_text(told: Change) -> str:
    assert told.pct is not None and told.ci95_pct is not None  # asked only then
    return f"{told.pct:+.1f} % ({told.ci95_pct[0]:+.1f} to {told.ci95_pct[1]:+.1f})"


def _cells(quantity: Quantity) -> tuple[str, str, str]:
    sides = [
        "-" if value is None else f"{value:.{0 if quantity.unit == 'MHz' else 1}f} {quantity.unit}"
        for value in (quantity.before, quantity.after)
    ]
    if quantity.change is None or quantity.ci95 is None:
        return sides[0], sides[1], "-"
    low, high = quantity.ci95
    change_unit = "%" if quantity.unit == "MHz" else "points"
    return sides[0], sides[1], f"{quantity.change:+.1f} {change_unit} ({low:+.1f} to {high:+.1f})"


def _price_text(price: Price) -> str:
    if price.value is None or price.ci95 is None:
        return f"for each {price.unit}: {price.reason}"
    low, high = price.ci95
    each = f"{price.value:.2f} {price.currency}".rstrip()
    return f"{each} for each {price.unit} ({low:.2f} to {high:.2f})"


def _stretch_text(side: Stretch | None) -> str:
    if side is None:
        return "no day with usable load"
    begin, end = (moment_text(at)[:10] for at in (side.from_utc_ms, side.to_utc_ms - 1))
    return f"{begin} to {end}, {counted(side.n_days, 'day')} with load"


def _stretch_document(side: Stretch | None) -> dict[str, Any] | None:
    if side is None:
        return None
    return {"from": rfc3339(side.from_utc_ms), "to": rfc3339(side.to_utc_ms), "days": side.n_days}


def _part_document(before: float | None, told: Change) -> dict[str, Any]:
    known = before is not None and told.pct is not None
    return {
        "before_k_per_w": before,
        "after_k_per_w": before * (1.0 + told.pct / 100.0) if known else None,  # type: ignore[operator]
        "change_pct": told.pct,
        "ci95_pct": list(told.ci95_pct) if told.ci95_pct else None,
        "reason": told.reason or None,
    }
