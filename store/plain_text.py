"""Free text as it may be shown: without what moves a terminal's cursor or turns what follows around.

Names, notes, headings and drivers' words come from people, files and other programs. A terminal obeys control
characters in them (ECMA-48), and direction marks make a line read otherwise than it is (Unicode TR 36).
"""

from __future__ import annotations

import re

# All controls but tab and line feed, the separators that break a line, marks of direction, lone surrogates.
UNSAFE = re.compile(
    "[\x00-\x08\x0b-\x1f\x7f-\x9f\u061c\u200e\u200f\u2028\u2029\u202a-\u202e\u2066-\u2069\ud800-\udfff]"
)
MARK = "\N{REPLACEMENT CHARACTER}"


def plain(text: str) -> str:
    """The text with each unsafe character replaced by a mark."""
    return UNSAFE.sub(MARK, text)


def escaped(quoted: str) -> str:
    r"""Text that is already quoted as JSON or TOML, with each unsafe character as ``\uXXXX``."""
    return UNSAFE.sub(lambda found: f"\\u{ord(found[0]):04X}", quoted)
