"""The report of a period as one page: what can be acted on, what there is to see, and the tables."""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping, Sequence
from typing import Any

from markupsafe import Markup

from ..message_words import all_of
from ..pictures.picture import Picture
from . import machine_tables, plain_words
from .environment import environment, harmless, period_words
from .first_lines import NOT_JUDGED, FirstLines
from .path_tables import path_tables
from .slim import slim

Document = Mapping[str, Any]

URGENCY = ("act", "watch", NOT_JUDGED, "holding")
SPARSE_DAYS = 14  # below, a baseline is not even complete
LINKS = (
    ("part-entries", "What was done"),
    ("part-told", "What you were told"),
    ("part-recorded", "What was recorded"),
    ("part-method", "How it knows"),
    ("part-cautions", "Before you touch anything"),
)


def report_page(
    document: Document,
    pictures: Mapping[str, Sequence[Picture]],
    *,
    first_lines: Mapping[str, FirstLines],
    own_cost: Mapping[str, str] | None = None,
    notes: Mapping[int, str] | None = None,
) -> str:
    """Make the page of a report: one HTML file that asks nothing of anybody.

    Parameters
    ----------
    document
        Of schema ``heatdrift-report/1``.
    pictures
        By source, those of the machine under an empty name; keys unique over all.
    first_lines
        By source.
    own_cost
        What the service itself took, name and words: ``CPU``, ``0.2 % of one core``.
    notes
        What the owner wrote beside journal entries, by their number.
    """
    paths = [
        _path(
            f"path-{number}",
            path,
            pictures.get(path["source"], ()),
            first_lines[path["source"]],
            document["coverage"]["days_with_readings"].get(path["source"], 0),
        )
        for number, path in enumerate(document["paths"], 1)
    ]
    paths.sort(key=lambda path: URGENCY.index(path["lines"].state_word))
    return (
        environment()
        .get_template("report.html")
        .render(
            machine=harmless(document["machine"]["name"], machine_tables.LONGEST_NAME),
            period=period_words(document["from"], document["to"]),
            recorded=_recorded(document),
            links=LINKS,
            answer=_answer([path["lines"] for path in paths], document),
            parts_on_top=plain_words.PARTS_ON_TOP,
            paths=paths,
            states=plain_words.STATES,
            entries=[_entry(f"entry-{n}", one, notes or {}) for n, one in enumerate(document["entries"], 1)],
            messages=machine_tables.messages(document),
            machine_pictures=[drawn(one) for one in pictures.get("", ())],
            coverage=machine_tables.coverage(document),
            own_cost=machine_tables.own_cost(own_cost) if own_cost else None,
            method=plain_words.METHOD,
            limits=plain_words.LIMITS,
            cautions=plain_words.CAUTIONS,
            footer=plain_words.FOOTER,
        )
    )


def _answer(lines: Sequence[FirstLines], document: Document) -> str:
    """The question of the title answered in a line."""
    causes = {path["source"]: path["cause"] for path in document["paths"]}
    changed = [one.source for one in lines if one.state_word in ("act", "watch")]
    misread = [source for source in changed if causes[source] == "telemetry"]
    changed = [source for source in changed if source not in misread]
    holding = [one.source for one in lines if one.state_word == "holding"]
    said = []
    if changed:
        said.append(f"Not all of it: {all_of(changed)} {'has' if len(changed) == 1 else 'have'} changed")
    if misread:
        said.append(f"the readings of {all_of(misread)} have changed, not the cooling as far as can be told")
    if holding:
        holds = "holds" if len(holding) == 1 else "hold"
        said.append(f"{all_of(holding)} {holds}" if said else f"Yes: {all_of(holding)} {holds}")
    whole = "; ".join(said) or "That cannot be told yet: too few days under load"
    return f"{whole[:1].upper()}{whole[1:]}."


def drawn(one: Picture) -> dict[str, Any]:
    """A picture as a template takes it; its drawing escapes what it says by itself."""
    return {
        "key": one.key,
        "title": one.title,
        "window": one.window.rstrip("."),
        "description": one.description,
        "missing": f"{one.missing.rstrip('.')}.",
        "svg": Markup(slim(one.svg(), one.key)) if one.figure is not None else "",  # noqa: S704
    }


def _path(
    key: str, path: Document, pictures: Sequence[Picture], lines: FirstLines, n_days: int
) -> dict[str, Any]:
    reasons = Counter(one.missing for one in pictures if one.figure is None)
    shared: dict[str, list[str]] = {reason: [] for reason, n in reasons.items() if n > 1}
    for one in pictures:
        if one.figure is None and one.missing in shared:
            shared[one.missing].append(one.title)
    return {
        "key": key,
        "source": path["source"],
        "lines": lines,
        "state_class": "open" if lines.state_word == NOT_JUDGED else lines.state_word,
        "is_unclear": path["cause"] == "unknown",
        "sparse": _sparse(path, lines, n_days),
        "pictures": [drawn(one) for one in pictures if one.figure is not None or one.missing not in shared],
        "not_drawn": shared,
        "tables": path_tables(key, path, lines),
    }


def _sparse(path: Document, lines: FirstLines, n_days: int) -> str:
    if lines.state_word != NOT_JUDGED and path["days_in_era"] >= SPARSE_DAYS:
        return ""
    known = f"{n_days} day{'' if n_days == 1 else 's'} of this period have readings of it"
    if lines.state_word != NOT_JUDGED:
        known = f"{path['days_in_era']} days with load since the last work on this path"
    return f"There is little to go by yet: {known}. What there is, is shown."


def _recorded(document: Document) -> str:
    known = document["coverage"]
    n_days = max(known["days_with_readings"].values(), default=0)
    if n_days == 0:
        return "Nothing was recorded in this period."
    return f"{n_days} of {machine_tables.calendar_days(document)} days have readings."


def _entry(key: str, entry: Document, notes: Mapping[int, str]) -> dict[str, Any]:
    return {
        "key": key,
        "name": machine_tables.entry_name(entry),
        "source": entry["source"],
        "sides": machine_tables.sides(entry),
        "notes": [harmless(notes[one["id"]]) for one in entry["entries"] if notes.get(one["id"])],
        "table": machine_tables.comparison(key, entry),
        "prices": machine_tables.prices(entry),
    }
