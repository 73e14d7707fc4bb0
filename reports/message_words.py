"""The words and the layout of what is told to the owner: plain text, no line longer than 78 columns."""

from __future__ import annotations

import math
import textwrap
import unicodedata
from collections.abc import Iterable, Sequence
from datetime import UTC, datetime

from ..store.journal_entry import JournalEntry
from ..store.message import Lane, Message, Severity

WIDTH = 78
LONGEST_SUBJECT, LONGEST_QUOTE = 100, 200
READS_ONLY = "heatdrift only reads: it has changed no fan, clock or limit, and will not."
MONTHS = (
    "January", "February", "March", "April", "May", "June",
    "July", "August", "September", "October", "November", "December",
)  # fmt: skip
# From which probability a word is used: the IPCC's note on uncertainties (2010), table 1, from memory.
LIKELIHOODS = (
    (0.99, "virtually certain"),
    (0.90, "very likely"),
    (0.66, "likely"),
    (0.50, "more likely than not"),
)
PARTS = {
    "interface": "interface part",
    "airflow": "airflow part",
    "fan": "fan speed at the same heat",
    "idle": "idle temperature",
    "apart": "reading beside its neighbour",
}
# Control characters and line breaks, and what turns the direction of the text that follows it.
UNWANTED_CATEGORIES = frozenset({"Cc", "Cs", "Zl", "Zp"})
TURNING = frozenset({"LRE", "RLE", "LRO", "RLO", "PDF", "LRI", "RLI", "FSI", "PDI"})


def creep_message(
    severity: Severity,
    key: str,
    made_utc_ms: int,
    subject: str,
    paragraphs: Iterable[str],
    *,
    source: str,
    repeat_after_days: float | None,
) -> Message:
    """A message of the nightly judgement, its subject cut and its paragraphs wrapped."""
    subject = clean(subject, LONGEST_SUBJECT)
    body = "\n\n".join(_wrapped(one) for one in (*paragraphs, READS_ONLY) if one)
    return Message(
        Lane.CREEP, severity, key, made_utc_ms, subject, body, source, repeat_after_days=repeat_after_days
    )


def clean(text: str, longest: int = LONGEST_QUOTE) -> str:
    """Free text on one line, without control characters, cut to a length."""
    kept = (
        " " if unicodedata.category(char) in UNWANTED_CATEGORIES else char
        for char in text
        if unicodedata.bidirectional(char) not in TURNING
    )
    line = " ".join("".join(kept).split())
    return line if len(line) <= longest else line[: longest - 3].rstrip() + "..."


def quoted(entries: Sequence[JournalEntry]) -> str:
    """What the owner wrote beside some entries; empty where nothing was written."""
    said = [f'{one.name}: "{note}"' for one in entries if (note := clean(one.note))]
    return f"From the journal: {'; '.join(said)}" if said else ""


def listed(title: str, items: Sequence[str], *, numbered: bool = False) -> str:
    """A title and its items, one below the other; empty where there are none."""
    if not items:
        return ""
    marks = [f"{number}. " if numbered else "- " for number in range(1, len(items) + 1)]
    lines = [_filled(item, mark) for mark, item in zip(marks, items, strict=True)]
    return "\n".join([title, *lines])


def all_of(names: Sequence[str]) -> str:
    """Several things in one breath: ``a, b and c``."""
    return " and ".join([", ".join(names[:-1]), names[-1]] if len(names) > 1 else names)


def likelihood(probability: float) -> str:
    """A probability in words and as a number, which is rounded down and never claims to be certain."""
    word = next((word for least, word in LIKELIHOODS if probability >= least), "not sure")
    return f"{word}, {'over 99' if probability >= 0.995 else math.floor(100.0 * probability + 1e-6)} %"


def size(change: float, ci95: tuple[float, float] | None = None, unit: str = "%") -> str:
    """A change with its direction: ``up 12 %``, with an interval ``up 12 % (95 % interval 9 to 15 %)``."""
    said = f"{'up' if change > 0.0 else 'down'} {_number(abs(change), ci95)} {unit}"
    if ci95 is None:
        return said
    sign = 1.0 if change > 0.0 else -1.0
    low, high = sorted(sign * end for end in ci95)
    return f"{said} (95 % interval {_number(low, ci95)} to {_number(high, ci95)} {unit})"


def signed(change: float, ci95: tuple[float, float], unit: str = "%") -> str:
    """A change with its sign and interval: ``+0.9 % (+0.3 to +1.4)``."""
    said, low, high = (_number(one, ci95, "+") for one in (change, *ci95))
    return f"{said} {unit} ({low} to {high})"


def day(moment_utc: str, beside_utc_ms: int | None = None) -> str:
    """A day in words, the year left out where it is that of another moment: ``3 March``."""
    when = datetime.fromisoformat(moment_utc)
    said = f"{when.day} {MONTHS[when.month - 1]}"
    is_known = (
        beside_utc_ms is not None and datetime.fromtimestamp(beside_utc_ms / 1000, UTC).year == when.year
    )
    return said if is_known else f"{said} {when.year}"


def day_of_ms(at_utc_ms: int, beside_utc_ms: int | None = None) -> str:
    """As `day`, for milliseconds."""
    return day(datetime.fromtimestamp(at_utc_ms / 1000, UTC).isoformat(), beside_utc_ms)


def iso_day(at_utc_ms: int) -> str:
    """A day for a key: ``2026-03-03``."""
    return datetime.fromtimestamp(at_utc_ms / 1000, UTC).date().isoformat()


def _number(value: float, ci95: tuple[float, float] | None, sign: str = "") -> str:
    """No more digits than the interval leaves; without one, whole numbers from 2 on."""
    width = ci95[1] - ci95[0] if ci95 else abs(value)
    said = f"{value:{sign}.{1 if width < 2.0 else 0}f}"
    return said.lstrip("+-") if float(said) == 0.0 else said


def _wrapped(paragraph: str) -> str:
    """Filled lines; what has lines already is left as it is."""
    return paragraph if "\n" in paragraph else _filled(paragraph)


def _filled(text: str, mark: str = "") -> str:
    """Filled lines under a mark; a number and its per cent sign stay together."""
    held = text.replace(" %", "\N{NO-BREAK SPACE}%")
    indent = " " * len(mark)
    lines = textwrap.fill(held, WIDTH, initial_indent=mark, subsequent_indent=indent, break_on_hyphens=False)
    return lines.replace("\N{NO-BREAK SPACE}%", " %")
