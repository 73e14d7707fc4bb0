"""The page to show somebody: one piece of work, before and after, at equal power and room."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

from ..message_words import all_of
from ..pictures.picture import Picture
from . import machine_tables
from .environment import environment, harmless
from .plain_words import CAUTIONS, FOOTER
from .report_page import drawn
from .table import NOT_KNOWN, Table, interval, number

Document = Mapping[str, Any]

RUNS = (("clock_after_5_min", "after 5 minutes of load"), ("clock_after_20_min", "after 20 minutes of load"))
ALIKE = (
    "Both sides are the same work: steps and stretches of like power, like busy memory, like fan. "
    "Temperatures are carried to one power and one room, so that neither the weather nor another game has a "
    "part in them.",
    "The last thirty days with load before the work stand against the first thirty after it; the day of the "
    "work and the one after it are left out, because compound has to settle.",
    "Intervals hold the truth nineteen times in twenty. Whether it was worth it is for you to say.",
)


def compare_page(
    comparison: Document,
    pictures: Mapping[str, Sequence[Picture]],
    *,
    machine_name: str = "",
    notes: Mapping[int, str] | None = None,
) -> str:
    """Make the page of a comparison.

    Parameters
    ----------
    comparison
        As ``heatdrift compare --json`` writes it: ``comparisons``, one for each source; or one of them.
    pictures
        By source, those of all under an empty name; keys unique over all.
    machine_name
        What the owner calls the machine; empty for nothing.
    notes
        What the owner wrote beside journal entries, by their number.
    """
    found = comparison.get("comparisons", [comparison])
    sources = [
        _source(f"source-{number_of}", one, pictures.get(one["source"], ()))
        for number_of, one in enumerate(found, 1)
    ]
    written = {one["id"]: (notes or {}).get(one["id"], "") for each in found for one in each["entries"]}
    return (
        environment()
        .get_template("compare.html")
        .render(
            title=machine_tables.entry_name(found[0]) if found else "Nothing to compare",
            machine=harmless(machine_name, machine_tables.LONGEST_NAME),
            notes=[harmless(note) for note in written.values() if note],
            is_joint=any(one["joint"] for one in found),
            pictures=[drawn(one) for one in pictures.get("", ())],
            sources=sources,
            alike=ALIKE,
            cautions=CAUTIONS,
            footer=FOOTER,
        )
    )


def headline(one: Document) -> str:
    """What one source gained or lost, both parts named, in one sentence."""
    at = one["temperature"]
    if at is not None:
        way = "cooler" if at["change_k"] < 0.0 else "warmer"
        ends = sorted(abs(end) for end in at["ci95_k"])
        low_k, high_k = at["ci95_k"]
        is_sure = low_k > 0.0 or high_k < 0.0
        where = f"at {at['power_w']:.0f} W in a {at['ambient_c']:.0f} °C room"
        said = (
            f"{number(abs(at['change_k']), 1)} K {way} ({interval(ends, 1)}) {where}: "
            f"{number(at['before_c'], 1)} °C before, {number(at['after_c'], 1)} °C after"
            if is_sure
            else f"no difference that could be told from chance {where}: {number(at['change_k'], 1, '+')} K "
            f"({interval(at['ci95_k'], 1, '+')})"
        )
    else:
        said = f"the temperature at equal power and room cannot be compared: {one['temperature_reason']}"
    parts = [_part(name, one[key]) for name, key in machine_tables.PARTS[:2]]
    return f"{one['source']}: {said}; {all_of(parts)}."


def _part(name: str, known: Document) -> str:
    if known["change_pct"] is None:
        return f"{name} not known"
    low, high = known["ci95_pct"]
    if low <= 0.0 <= high:
        return f"{name} unchanged ({interval((low, high), 0, '+')} %)"
    way = "up" if known["change_pct"] > 0.0 else "down"
    ends = sorted((abs(low), abs(high)))
    return f"{name} {way} {number(abs(known['change_pct']), 0)} % ({interval(ends, 0)})"


def _source(key: str, one: Document, pictures: Sequence[Picture]) -> dict[str, Any]:
    runs = _runs(key, one)
    # Where a clock is not known, the larger table says why.
    shown = [name for name, _ in RUNS] if len(runs.rows) == len(RUNS) else []
    return {
        "key": key,
        "source": one["source"],
        "headline": headline(one),
        "sides": machine_tables.sides(one),
        "pictures": [drawn(each) for each in pictures],
        "table": machine_tables.comparison(key, one, leave_out=shown),
        "runs": runs,
        "prices": machine_tables.prices(one),
    }


def _runs(key: str, one: Document) -> Table:
    """Short run against long run: an early gain that heat takes back is none for a long evening."""
    rows = []
    for name, words in RUNS:
        known = one["sustained"].get(name)
        if known is None or known["before"] is None or known["after"] is None:
            continue
        change = NOT_KNOWN
        if known["change"] is not None:
            change = f"{number(known['change'], 1, '+')} % ({interval(known['ci95'], 1, '+')})"
        rows.append((words, f"{number(known['before'], 0)} MHz", f"{number(known['after'], 0)} MHz", change))
    return Table(
        f"{key}-runs",
        f"Short run against long run: the clock that {one['source']} holds",
        ("run", "before", "after", "change (95 % interval)"),
        tuple(rows),
        frozenset({1, 2, 3}),
    )
