"""On which line of a TOML file a key stands, so that a wrong one can be pointed at."""

from __future__ import annotations

import re
import tomllib

KeyPath = tuple[str, ...]
# Possessive throughout: a line without end is read once.
KEYS = r"""(?P<keys>(?:"(?:\\.|[^"\\])*+"|'[^']*+'|[A-Za-z0-9_\-. \t])++)"""
HEADER = re.compile(rf"[ \t]*+\[\[?{KEYS}\]")
ASSIGNMENT = re.compile(rf"[ \t]*+{KEYS}=")
# What can hold a line feed without ending a value, or a bracket without opening one.
TOKEN = re.compile(
    r""""{3}(?:\\.|[^\\])*?"{3,5}|'{3}.*?'{3,5}|"(?:\\.|[^"\\\n])*+"|'[^'\n]*+'|\#[^\n]*+|[\[{]|[\]}]|\n""",
    re.DOTALL,
)
POSITION = re.compile(r" \(at line (\d+), column \d+\)$")


def key_lines(text: str) -> dict[KeyPath, int]:
    """Find the line of every table header and key.

    Parameters
    ----------
    text
        A document that `tomllib` accepts.

    Returns
    -------
    dict
        Path of keys to line number, counted from 1; keys of an inline table share the line of the table.
    """
    found: dict[KeyPath, int] = {}
    table: KeyPath = ()
    at, number = 0, 1
    while at < len(text):
        header, assignment = HEADER.match(text, at), ASSIGNMENT.match(text, at)
        after = at
        if header:
            table = _path_of(header["keys"])
            found.setdefault(table, number)
            after = header.end()
        elif assignment:
            found.setdefault((*table, *_path_of(assignment["keys"])), number)
            after = assignment.end()
        end = _end_of_line(text, after)
        number += text.count("\n", at, end)
        at = end
    return found


def line_of(path: KeyPath, lines: dict[KeyPath, int]) -> int:
    """The line of a key, else of the nearest table around it."""
    while path and path not in lines:
        path = path[:-1]
    return lines.get(path, 1)


def syntax_complaint(error: ValueError) -> tuple[int | None, str]:
    """The line that a parser's message names, and the message without it."""
    message = str(error)
    position = POSITION.search(message)
    if position is None:
        return None, message.removesuffix(" (at end of document)")
    return int(position[1]), message[: position.start()]


def _path_of(keys: str) -> KeyPath:
    """Split a dotted, possibly quoted key as TOML itself does."""
    path: list[str] = []
    inner: object = tomllib.loads(f"{keys} = 0")
    while isinstance(inner, dict):
        key, inner = next(iter(inner.items()))
        path.append(key)
    return tuple(path)


def _end_of_line(text: str, start: int) -> int:
    """Behind the line feed that ends what begins here: an array or a text may go over several lines."""
    depth = 0
    for token in TOKEN.finditer(text, start):
        sign = token[0]
        if sign in "[{":
            depth += 1
        elif sign in "]}":
            depth -= 1
        elif sign == "\n" and depth <= 0:
            return token.end()
    return len(text)
