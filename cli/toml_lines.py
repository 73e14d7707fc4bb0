"""On which line of a TOML file a key stands, so that a wrong one can be pointed at."""

from __future__ import annotations

import re
import tomllib

KeyPath = tuple[str, ...]
HEADER = re.compile(r"^\s*(\[\[?)(?P<keys>.+?)\]\]?\s*(#.*)?$")
# A key ends at the first equals sign outside quotes.
ASSIGNMENT = re.compile(
    r"""^\s*(?P<keys>(?:"(?:\\.|[^"\\])*"|'[^']*'|[A-Za-z0-9_\-.\s])+?)\s*=(?P<value>.*)$"""
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
    lines = text.splitlines()
    index = 0
    while index < len(lines):
        number, line = index + 1, lines[index]
        index += 1
        header = HEADER.match(line)
        if header:
            table = _path_of(header["keys"])
            found.setdefault(table, number)
            continue
        assignment = ASSIGNMENT.match(line)
        if assignment is None:
            continue
        found.setdefault((*table, *_path_of(assignment["keys"])), number)
        value = assignment["value"]
        while not _is_whole(value) and index < len(lines):  # arrays and texts over several lines
            value += "\n" + lines[index]
            index += 1
    return found


def line_of(path: KeyPath, lines: dict[KeyPath, int]) -> int:
    """The line of a key, else of the nearest table around it."""
    while path and path not in lines:
        path = path[:-1]
    return lines.get(path, 1)


def syntax_complaint(error: tomllib.TOMLDecodeError) -> tuple[int | None, str]:
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


def _is_whole(value: str) -> bool:
    try:
        tomllib.loads(f"value ={value}")
    except tomllib.TOMLDecodeError:
        return False
    return True
