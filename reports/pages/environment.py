"""The templates of the pages, and how text gets into them: escaped, and free of what would break a page."""

from __future__ import annotations

import re
import unicodedata
from datetime import datetime, timedelta
from functools import cache
from typing import Any

from jinja2 import Environment, PackageLoader, StrictUndefined
from markupsafe import Markup

from ..message_words import MONTHS, TURNING, UNWANTED_CATEGORIES

LONGEST_NOTE = 600  # of free text on a page; the journal keeps the whole
# A number keeps its unit on its line, and a minus is a minus.
UNITS = re.compile(rf"(?<=[0-9]) (?=%|°C|K/W|(?:W|K|h|MHz|kB|MB|GB|{'|'.join(MONTHS)})\b)")
MINUS = re.compile(r"(?<![\w-])-(?=[0-9])")
CUT = "\N{HORIZONTAL ELLIPSIS}"


@cache
def environment() -> Environment:
    """One for all pages; whatever is put into a template is escaped by it."""
    loader = PackageLoader("heatdrift.reports.pages")
    return Environment(
        loader=loader,
        autoescape=True,
        finalize=_harmless,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )


def harmless(text: str, longest: int = LONGEST_NOTE) -> str:
    """Free text without control characters and without what turns the direction of what follows, cut."""
    kept = "".join(
        " " if unicodedata.category(char) in UNWANTED_CATEGORIES else char
        for char in text
        if unicodedata.bidirectional(char) not in TURNING
    )
    return kept if len(kept) <= longest else kept[:longest].rstrip() + CUT


def typeset(text: str) -> str:
    """Text with its numbers bound to their units, and with a minus for a hyphen before a number."""
    return MINUS.sub("\N{MINUS SIGN}", UNITS.sub("\N{NO-BREAK SPACE}", text))


def day_words(moment: str) -> str:
    """A day in words: ``3 March 2026``."""
    when = datetime.fromisoformat(moment)
    return f"{when.day} {MONTHS[when.month - 1]} {when.year}"


def moment_words(moment: str) -> str:
    """A moment in words: ``3 March 2026, 04:00 UTC``."""
    return f"{day_words(moment)}, {datetime.fromisoformat(moment):%H:%M} UTC"


def period_words(from_utc: str, to_utc: str) -> str:
    """A period in words: ``1 March to 31 March 2026``; its last moment is no longer in it."""
    ended = datetime.fromisoformat(to_utc) - timedelta(milliseconds=1)
    first, last = day_words(from_utc), day_words(ended.isoformat())
    if first == last:
        return first
    if first[-4:] == last[-4:]:
        first = first[:-5]
    return f"{first} to {last}"


def _harmless(value: Any) -> Any:
    """Every text that goes into a template, but for markup that we made."""
    if isinstance(value, str) and not isinstance(value, Markup):
        return typeset(harmless(value, 10 * LONGEST_NOTE))
    return value
