"""The tables of a whole machine: what was done to it, what it was told of, what was recorded, own cost."""

from __future__ import annotations

from collections.abc import Collection, Mapping
from typing import Any

from ..message_words import all_of
from .environment import day_words, harmless, moment_words, period_words
from .table import NOT_KNOWN, Table, interval, number

Document = Mapping[str, Any]

PARTS = (
    ("interface part", "interface_resistance"),
    ("airflow part", "airflow_resistance"),
    ("whole path", "total_resistance"),
)
LONGEST_NAME = 80


def entry_name(entry: Document) -> str:
    """What was done and when: ``Liquid metal on 3 March 2026``."""
    kinds = dict.fromkeys(one["kind"].replace("_", " ") for one in entry["entries"])
    said = " + ".join(kinds)
    return f"{said[:1].upper()}{said[1:]} on {day_words(entry['entries'][0]['time'])}"


def comparison(key: str, entry: Document, *, leave_out: Collection[str] = ()) -> Table:
    """One source before and after an entry, like work with like.

    Parameters
    ----------
    key
        Goes before the key of the table.
    entry
        One of the ``entries`` of a report's document.
    leave_out
        Sustained quantities that are shown elsewhere.
    """
    rows = [_part(name, entry[part]) for name, part in PARTS if entry[part]["change_pct"] is not None]
    unknown: dict[str, list[str]] = {}
    for name, part in PARTS:
        if entry[part]["reason"]:
            unknown.setdefault(entry[part]["reason"], []).append(name)
    at = entry["temperature"]
    if at is not None:
        rows.append(
            (
                f"temperature at {at['power_w']:.0f} W in a {at['ambient_c']:.0f} °C room",
                f"{number(at['before_c'], 1)} °C",
                f"{number(at['after_c'], 1)} °C",
                f"{number(at['change_k'], 1, '+')} K ({interval(at['ci95_k'], 1, '+')})",
            )
        )
    elif entry["temperature_reason"]:
        unknown.setdefault(entry["temperature_reason"], []).append("temperature at equal power and room")
    for name, one in entry["sustained"].items():
        if name in leave_out:
            continue
        words = name.replace("_", " ")
        if one["before"] is not None or one["after"] is not None:
            rows.append((words, *_sustained(one)))
        if one["reason"]:
            unknown.setdefault(one["reason"], []).append(words)
    notes = [f"Not known: {all_of(names)} ({reason})." for reason, names in unknown.items()]
    if entry["joint"]:
        notes.insert(0, "Several things were done within a day: what each did cannot be told apart.")
    return Table(
        f"{key}-compared",
        f"{entry['source']} before and after",
        ("quantity", "before", "after", "change (95 % interval)"),
        tuple(rows),
        frozenset({1, 2, 3}),
        " ".join(notes),
    )


def sides(entry: Document) -> str:
    """Which days were compared."""
    said = []
    for name in ("before", "after"):
        side = entry[name]
        if side is None:
            said.append(f"{name}: no day with usable load")
        else:
            said.append(f"{name}: {period_words(side['from'], side['to'])}, {side['days']} days with load")
    return "; ".join(said)


def prices(entry: Document) -> list[str]:
    """What it cost for each unit that it brought; empty where no cost was entered."""
    said = []
    for number_of, price in enumerate(entry["cost"]):
        currency = harmless(price["currency"], LONGEST_NAME)
        if number_of == 0:
            said.append(f"Paid: {price['total']:.2f} {currency}".rstrip() + " in all.")
        unit = price["per"]
        if price["value"] is None:
            said.append(f"For each {unit}: {price['reason']}.")
        else:
            each = f"{price['value']:.2f} {currency}".rstrip()
            said.append(f"{each} for each {unit} ({interval(price['ci95'], 2)}).")
    return said


def messages(document: Document) -> Table:
    """What the owner was told in the period."""
    rows = tuple(
        (
            moment_words(one["made"]),
            one["severity"],
            harmless(one["subject"], 2 * LONGEST_NAME),
            ", ".join(f"{way['channel']}: {way['state'].replace('_', ' ')}" for way in one["deliveries"])
            or "kept here",
        )
        for one in document["messages"]
    )
    return Table(
        "table-messages", "Messages of this period", ("made", "weight", "what it said", "delivery"), rows
    )


def coverage(document: Document) -> Table:
    """On how many days each source was read."""
    known, of = document["coverage"], calendar_days(document)
    rows = tuple((source, f"{n_days} of {of}") for source, n_days in known["days_with_readings"].items())
    gaps = known["gaps"]
    return Table(
        "table-coverage",
        "Days with readings",
        ("source", "days"),
        rows,
        frozenset({1}),
        f"{gaps} gap{'' if gaps == 1 else 's'} in the record: times when the machine was off, asleep, or not "
        "recorded. A gap is never filled.",
    )


def calendar_days(document: Document) -> int:
    """How many days a period touches: one that begins within a day touches one more than it is long."""
    known = document["coverage"]
    touched: int = max(known["days"], *known["days_with_readings"].values(), 0)
    return touched


def own_cost(cost: Mapping[str, str]) -> Table:
    """What the service itself takes."""
    rows = tuple((harmless(name, LONGEST_NAME), harmless(said, LONGEST_NAME)) for name, said in cost.items())
    return Table("table-own-cost", "What heatdrift itself took", ("what", "how much"), rows, frozenset({1}))


def _part(name: str, known: Document) -> tuple[str, str, str, str]:
    if known["before_k_per_w"] is None:
        change = f"{number(known['change_pct'], 1, '+')} % ({interval(known['ci95_pct'], 1, '+')})"
        return (name, NOT_KNOWN, NOT_KNOWN, change)
    digits = 4 if known["before_k_per_w"] < 0.1 else 3
    return (
        name,
        f"{number(known['before_k_per_w'], digits)} K/W",
        f"{number(known['after_k_per_w'], digits)} K/W",
        f"{number(known['change_pct'], 1, '+')} % ({interval(known['ci95_pct'], 1, '+')})",
    )


def _sustained(one: Document) -> tuple[str, str, str]:
    unit = one["unit"]
    digits = 0 if unit == "MHz" else 1
    sides_ = [
        NOT_KNOWN if one[side] is None else f"{number(one[side], digits)} {unit}"
        for side in ("before", "after")
    ]
    if one["change"] is None or one["ci95"] is None:
        return sides_[0], sides_[1], NOT_KNOWN
    change_unit = "%" if unit == "MHz" else "points"
    return (
        sides_[0],
        sides_[1],
        f"{number(one['change'], 1, '+')} {change_unit} ({interval(one['ci95'], 1, '+')})",
    )
