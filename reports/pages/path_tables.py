"""The tables of one heat path: resistances, what the verdict rests on, endurance, cycles, what is missing."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from typing import Any

from ..message_words import all_of
from ..verdict_message import SUSPECTS
from .first_lines import FirstLines
from .table import NOT_KNOWN, Table, number, with_interval

Document = Mapping[str, Any]

PARTS = (
    ("interface part (joint between die and heatsink)", "interface_resistance"),
    ("airflow part (heatsink to air)", "airflow_resistance"),
    ("whole path", "total_resistance"),
)
CLOCKS = {"minute_1": "in minute 1", "after_5_min": "after 5 minutes", "after_20_min": "after 20 minutes"}
COSTS = {
    "interface part": "a joint that gives way would not be seen",
    "airflow part": "clogged fins and blocked vents would not be seen",
    "fan speed at the same heat": "a tired fan and clogged fins look alike",
    "idle temperature": "a thermometer that is off shows later, or not at all",
    "temperature of the air": "the airflow part is known less well, and so is the way to the limit",
}
CREEPS = "What creeps stands higher today than in the mean of thirty days that is shown here."
OF_CAUSE = {"interface": "interface part", "airflow": "airflow part", "fan": "fan"}  # as `Blame` names them
NO_DATE_WANTED = ("nothing creeps", "already at its limit")


def path_tables(key: str, path: Document, lines: FirstLines | None) -> list[Table]:
    """All tables of one path, those left out that would have no row.

    Parameters
    ----------
    key
        Goes before the keys of the tables.
    path
        One of the ``paths`` of a report's document.
    lines
        What its first screen says.
    """
    made = (
        resistances(key, path),
        evidence(key, path),
        excluded(key, path),
        endurance(key, path),
        cycles(key, path),
        hot_hours(key, path),
        missing(key, path, lines),
    )
    return [one for one in made if one.rows]


def resistances(key: str, path: Document) -> Table:
    """Both parts and the whole, then and now."""
    rows = []
    unknown: dict[str, list[str]] = {}
    for name, part in PARTS:
        known = path[part]
        then, now = known["baseline_k_per_w"], known["now_k_per_w"]
        digits = _digits(then)
        rows.append(
            (
                name,
                with_interval(then, known["baseline_ci95"], "", digits),
                with_interval(now, _now_ci95(known), "", digits),
                with_interval(known["change_pct"], known["change_ci95_pct"], "%", 1, "+"),
            )
        )
        if known["change_pct"] is None and known["reason"]:
            unknown.setdefault(known["reason"], []).append(name.split(" (")[0])
    notes = [f"Not known: {all_of(names)} ({reason})." for reason, names in unknown.items()]
    return Table(
        f"{key}-resistances",
        "Thermal resistance in the baseline and in the last thirty days, K/W",
        ("part", "baseline (95 % interval)", "now (95 % interval)", "change (95 % interval)"),
        tuple(rows),
        frozenset({1, 2, 3}),
        " ".join(
            [
                "Less is better. K/W stand or fall with the power reading, a change in per cent does not: a "
                "constant error cancels.",
                *([CREEPS] if path["shape"] == "creep" else []),
                *notes,
            ]
        ),
    )


def evidence(key: str, path: Document) -> Table:
    """What the verdict rests on, a row for each part."""
    return Table(
        f"{key}-evidence",
        "What the verdict rests on",
        ("looked at", "what it shows"),
        tuple(_split(said) for said in path["evidence"]),
    )


def excluded(key: str, path: Document) -> Table:
    """Look-alikes that were ruled out; none where another source decided, for against that none was held."""
    rows = tuple((SUSPECTS.get(name, name), why) for name, why in map(_split, path["excluded"]))
    is_own = any(name == SUSPECTS.get(OF_CAUSE.get(path["cause"], "")) for name, _ in rows)
    return Table(
        f"{key}-excluded",
        "Look-alikes that were ruled out",
        ("other cause", "why not"),
        () if is_own else rows,
        note="Held against the cause that explains the readings best.",
    )


def endurance(key: str, path: Document) -> Table:
    """Clocks from early to late in a load, and what held them down."""
    known = path["endurance"]
    rows = []
    for name, words in CLOCKS.items():
        one = known["clocks_mhz"][name]
        rows.append((f"clock {words}", with_interval(one["value"], one["ci95"], "MHz", 0), _stretches(one)))
    lost = known["loss_pct"]
    rows.append(
        (
            "lost from minute 1 to minute 20 on",
            with_interval(lost["value"], lost["ci95"], "%", 1),
            _stretches(lost),
        )
    )
    costs = known["mhz_per_die_kelvin"]
    if costs["value"] is not None:
        said = with_interval(costs["value"], costs["ci95"], "MHz", 1)
        rows.append(("clock for each kelvin of the die", said, _stretches(costs)))
    for reason, share in known["held_down"].items():
        if share["pct"] is not None and (share["pct"] > 0.0 or reason == "heat"):
            least = share["least_pct"]
            said = f"{number(share['pct'], 1)} % of load time"
            if least is not None and share["pct"] - least >= 0.1:
                said = f"{number(least, 1)} to {said}"
            rows.append((f"held down by {reason}", said, ""))
    if _is_mute(known):
        rows.append(("held down by heat", f"{NOT_KNOWN}: nothing says what held the clock down", ""))
    note = ""
    if known["load_w"] is not None:
        note = (
            f"Load is what lies above {known['load_w']:.0f} W: {known['load_h']:.0f} h of it in this period."
        )
    has_any = any(one["value"] is not None for one in known["clocks_mhz"].values())
    return Table(
        f"{key}-endurance",
        "What it sustains under load",
        ("quantity", "value (95 % interval)", "stretches of load"),
        tuple(rows) if has_any else (),
        frozenset({1, 2}),
        note,
    )


def cycles(key: str, path: Document) -> Table:
    """Thermal cycles by their range."""
    found = path["thermal_cycles"]["by_range_k"]
    edges = list(found)
    rows = tuple(
        (f"{low} to {high} K" if high else f"{low} K and more", number(found[low], 0))
        for low, high in zip(edges, [*edges[1:], ""], strict=True)
    )
    return Table(
        f"{key}-cycles",
        "Thermal cycles in this period",
        ("range of the swing", "cycles"),
        rows if any(found.values()) else (),
        frozenset({1}),
        "Counted by rainflow. Cycles pump compound out, heat dries it.",
    )


def hot_hours(key: str, path: Document) -> Table:
    """Hours at or above some temperatures."""
    found = path["thermal_cycles"]
    rows = tuple((f"{hot_c} °C and more", f"{number(h, 1)} h") for hot_c, h in found["hot_h"].items())
    return Table(
        f"{key}-hot",
        "Hot hours in this period",
        ("temperature", "time"),
        rows if found["recorded_h"] > 0.0 else (),
        frozenset({1}),
        f"Of {found['recorded_h']:.0f} h with a reading.",
    )


def missing(key: str, path: Document, lines: FirstLines | None) -> Table:
    """What was not had, and what that costs the verdict."""
    rows = [(name, _reason(why), COSTS.get(name, "")) for name, why in (lines.missing if lines else ())]
    named = {name for name, _, _ in rows}
    for name, part in PARTS[:2]:
        short = name.split(" (")[0]
        why = path[part]["reason"]
        if short not in named and path[part]["change_pct"] is None and why:
            rows.append((short, _reason(why), COSTS[short]))
    ahead = path["outlook"]
    if ahead["days_to_limit"] is None and ahead["reason"] not in NO_DATE_WANTED:
        rows.append(("day of reaching the limit", _reason(ahead["reason"]), "how long it lasts is left open"))
    known = path["endurance"]
    if _is_mute(known):
        said = "the source does not say what holds its clock down"
        rows.append(("reasons for a lower clock", said, "throttling is seen by its clocks only"))
    return Table(
        f"{key}-missing",
        "What is missing, and what that costs the verdict",
        ("missing", "why", "what it costs"),
        tuple(rows),
    )


def _is_mute(known: Document) -> bool:
    """Whether nothing says what held the clock down, although there was load."""
    return known["reasons_unknown_pct"] == 100.0 and known["held_down"]["heat"]["pct"] is None


def _reason(why: str) -> str:
    return why.removeprefix("no date: ")


def _split(said: str) -> tuple[str, str]:
    """``interface part: no change`` as name and what is said of it; a sentence without a name stays whole."""
    name, colon, rest = said.partition(": ")
    return (name, rest) if colon else ("also", said)


def _stretches(one: Document) -> str:
    return f"{one['n_stretches']}"


def _digits(value: float | None) -> int:
    return 4 if value is not None and value < 0.1 else 3


def _now_ci95(known: Document) -> Sequence[float] | None:
    """Interval of the resistance now: the baseline's and the change's together, as if independent."""
    then, now, ci95 = known["baseline_k_per_w"], known["now_k_per_w"], known["change_ci95_pct"]
    if then is None or now is None or ci95 is None or known["baseline_ci95"] is None:
        return None
    own = (known["baseline_ci95"][1] - known["baseline_ci95"][0]) / then / 2.0
    changed = (ci95[1] - ci95[0]) / (100.0 + known["change_pct"]) / 2.0
    half = now * math.hypot(own, changed)
    return [now - half, now + half]
