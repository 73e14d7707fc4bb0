"""The page over a folder of reports: the newest first, each with what it found."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from urllib.parse import quote

from ...store.errors import SettingsError
from .environment import environment, harmless, period_words
from .first_lines import NOT_JUDGED, FirstLines
from .plain_words import FOOTER

LONGEST_NAME = 80
URGENCY = ("act", "watch", NOT_JUDGED, "holding")


@dataclass(frozen=True, slots=True)
class MonthEntry:
    """One report of a folder.

    Attributes
    ----------
    file_name
        Of its page, beside the index.
    machine
        Its name.
    from_utc, to_utc
        The period, RFC 3339.
    state
        The worst of its sources: ``holding``, ``watch``, ``act``, or that it could not be judged.
    finding
        What it found, in one line.
    """

    file_name: str
    machine: str
    from_utc: str
    to_utc: str
    state: str
    finding: str


def worst_state(lines: Sequence[FirstLines]) -> str:
    """The state that presses most."""
    return min((one.state_word for one in lines), key=URGENCY.index, default=NOT_JUDGED)


def one_line_finding(lines: Sequence[FirstLines]) -> str:
    """What a report found, for one line: the changes, else that nothing has changed."""
    pressing = [one for one in lines if one.state_word in URGENCY[:2]]
    if pressing:
        return " ".join(f"{one.found} {one.typical}".rstrip() for one in pressing)
    judged = [one.source for one in lines if one.state_word == "holding"]
    if judged:
        return f"Nothing has changed: {', '.join(judged)}."
    return "Nothing could be judged yet."


def index_page(months: Sequence[MonthEntry]) -> str:
    """Make the index.

    Parameters
    ----------
    months
        In any order.

    Raises
    ------
    SettingsError
        A file name leads out of the folder.
    """
    for one in months:
        if not one.file_name or "/" in one.file_name or "\\" in one.file_name or one.file_name == "..":
            raise SettingsError(
                f"{one.file_name!r} is no file of the folder of reports",
                remedy="keep all reports in one folder",
            )
    newest_first = sorted(months, key=lambda one: (one.to_utc, one.from_utc, one.machine), reverse=True)
    rows = [
        {
            "key": f"report-{number}",
            "link": quote(one.file_name, safe=""),
            "machine": harmless(one.machine, LONGEST_NAME),
            "period": period_words(one.from_utc, one.to_utc),
            "state": one.state,
            "state_class": "open" if one.state == NOT_JUDGED else one.state,
            "finding": one.finding,
        }
        for number, one in enumerate(newest_first, 1)
    ]
    return environment().get_template("index.html").render(months=rows, footer=FOOTER)
