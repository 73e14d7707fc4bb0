"""Makes bad input out of good: seeded, and structured so that it gets past the first check."""

from __future__ import annotations

import json
import random
import re
from collections.abc import Callable, Sequence

LONG = "x" * 20_000
# What people, other programs and attackers write where a text is meant.
HOSTILE_TEXTS = (
    "",
    " ",
    "\x00",
    "\x1b[31mred\x1b[0m",
    "\x9b31m",
    "\x1b]0;title\x07",
    "gpu0\u202e0upg",
    "\u2066\u2069\u200f",
    "\ufeff",
    "\ud800",
    "line\nline",
    "line\rline",
    "a\r\nb",
    "tab\tbed",
    LONG,
    "\N{PILE OF POO}" * 500,
    "../../../../etc/passwd",
    "/dev/zero",
    "/dev/stdin",
    "/proc/self/mem",
    "~nobody_of_that_name/x",
    "~root/x",
    "file:///etc/passwd",
    "sqlite:///",
    "sqlite:///:memory:",
    "sqlite:////dev/zero",
    "postgresql://u:p@[::1/x",
    "postgresql://host:99999999/x",
    "mysql://x",
    "://",
    "=cmd|' /C calc'!A0",
    "+1+1",
    "-1+1",
    "@SUM(A1)",
    "<script>alert(1)</script>",
    "$\\frac{1}{0}$",
    "%s%s%n",
    "{0.__class__}",
    "${HOME}",
    "'; DROP TABLE machine; --",
    "nan",
    "inf",
    "1e308",
    "-0.0",
    "9" * 5_000,
    "None",
    "true",
    "0000-00-00T00:00:00Z",
    "9999-12-31T23:59:59Z",
    "9999-12-31T23:59:59-23:59",
    "0001-01-01T00:00:00+23:59",
    "0001-01-01",
    "10000-01-01",
    "2016-12-31T23:59:60Z",
    "2026-02-30",
    "2026-13-01T25:61:61Z",
    "gpu0",
    "cpu0",
    "EUR",
)
HOSTILE_NUMBERS = (
    0, 1, -1, 2**31, 2**32, 2**53 + 1, 2**62, 2**63 - 1, 2**63, -(2**63) - 1, 2**64, 10**30, 10**400,
    0.5, -0.0, 1e-320, 1e17, 1e25, 1e300, 1e308, float("nan"), float("inf"), float("-inf"),
)  # fmt: skip
HOSTILE_BYTES = (
    b"\x00", b"\xff", b"\xfe\xff", b"\xef\xbb\xbf", b"\xc3\x28", b"\xed\xa0\x80", b"\xf4\x90\x80\x80",
    b"\r", b"\r\n", b"\n\n", b"\x1b[2J", b'"', b'""""', b"'''", b"\\", b"[", b"[[", b"]]", b"{", b"}",
    b"=", b",", b";", b"#", b".", b"\xe2\x80\xae", b"\x85", b"\xe2\x80\xa8", b"\x0b", b"\x0c",
)  # fmt: skip
TOML_LITERALS = (
    "1e308", "1e309", "-1e309", "nan", "-inf", "-0.0", "0x7fffffffffffffff", "9" * 5_000, "1" + "0" * 400,
    "1." + "0" * 5_000 + "1", "1e99999999999999999999", "1e-99999999999999999999", "0001-01-01",
    "9999-12-31T23:59:59.999999Z", "9999-12-31T23:59:59-23:59", "2016-12-31T23:59:60Z", "10000-01-01",
    "2026-02-30", "00:00:00", "2026-01-01T00:00:00", "[]", "{}", "[[]]", "[1, 'a', {b = 1}]", "true",
    "[" * 30 + "]" * 30, "[" * 3_000 + "]" * 3_000, "{a=" * 200 + "1" + "}" * 200, "[" + "1," * 3_000 + "]",
    '"' + "x" * 50_000 + '"', '"\\u0000"', '"\\u001b[31m"', '"\\u009b31m"', '"\\u202e"', '"\\ud800"',
    "'''\n\n'''", '"""\\\n   """', "'~nobody_of_that_name/x'", "'sqlite:///'", "'=cmd|x'", "''",
)  # fmt: skip


def hostile_value(rng: random.Random) -> object:
    """A text, a number, a truth value or a nest of them."""
    kind = rng.randrange(8)
    if kind < 4:
        return rng.choice(HOSTILE_TEXTS)
    if kind < 6:
        return rng.choice(HOSTILE_NUMBERS)
    if kind == 6:
        return rng.choice([True, False, [], {}, [[]], ["a", 1], {"a": {"b": []}}])
    return [hostile_value(rng) for _ in range(rng.randrange(3))]


def toml_literal(value: object) -> str:
    """A value as TOML; what TOML cannot say becomes what is nearest to it."""
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, int):
        return str(value)
    if isinstance(value, float):
        return repr(value)
    if isinstance(value, str):
        return json.dumps(value).replace("\x7f", "\\u007F")
    if isinstance(value, dict):
        return "{" + ", ".join(f"{toml_literal(str(k))} = {toml_literal(v)}" for k, v in value.items()) + "}"
    if isinstance(value, list | tuple):
        return "[" + ", ".join(toml_literal(one) for one in value) + "]"
    return json.dumps(str(value))


ASSIGNMENT = re.compile(r"^(\s*[^=\[\n#]+=\s*)(.*)$")


def bad_toml(rng: random.Random, good: str, keys: Sequence[str]) -> bytes:
    """One to four structured mutations of a TOML text, sometimes bytes thrown at it as well."""
    lines = good.splitlines()
    if rng.random() < 0.3:
        for _ in range(rng.choice([1, 2, 3])):
            lines = rng.choice([_other_number, _other_text])(rng, lines, keys)
        return ("\n".join(lines) + "\n").encode("utf-8")
    for _ in range(rng.choice([1, 1, 1, 1, 2, 3])):
        lines = rng.choice(LINE_MUTATIONS)(rng, lines, keys)
    ends = rng.choice(["\n", "\n", "\n", "\r\n", "\r"]) if rng.random() < 0.2 else "\n"
    text = ends.join(lines) + ends
    raw = text.encode("utf-8", "surrogatepass")
    return bad_bytes(rng, raw) if rng.random() < 0.25 else raw


def _new_value(rng: random.Random, lines: list[str], keys: Sequence[str]) -> list[str]:
    places = [i for i, line in enumerate(lines) if ASSIGNMENT.match(line)]
    if not places:
        return lines
    place = rng.choice(places)
    start = ASSIGNMENT.match(lines[place])
    literal = rng.choice(TOML_LITERALS) if rng.random() < 0.5 else toml_literal(hostile_value(rng))
    return [*lines[:place], (start[1] if start else "") + literal, *lines[place + 1 :]]


def _new_key(rng: random.Random, lines: list[str], keys: Sequence[str]) -> list[str]:
    key = rng.choice(
        [*keys, "a.b.c", '""', '"\\u0000"', '"\\u001b[31m"', "x" * 5_000, "'" + "y" * 100 + "'", "é"]
    )
    literal = rng.choice(TOML_LITERALS) if rng.random() < 0.5 else toml_literal(hostile_value(rng))
    place = rng.randrange(len(lines) + 1)
    return [*lines[:place], f"{key} = {literal}", *lines[place:]]


def _moved(rng: random.Random, lines: list[str], keys: Sequence[str]) -> list[str]:
    if not lines:
        return lines
    lines = list(lines)
    line = lines.pop(rng.randrange(len(lines)))
    times = rng.choice([0, 1, 1, 2])
    place = rng.randrange(len(lines) + 1)
    return [*lines[:place], *[line] * times, *lines[place:]]


def _table_header(rng: random.Random, lines: list[str], keys: Sequence[str]) -> list[str]:
    header = rng.choice(
        ["[a]", "[[entry]]", "[entry]", "[columns]", "[time.x]", "[messages]", "[[messages]]",
         "[sources.gpu0]", "[" + ".".join("a" * 300) + "]", "[" + ".".join(["d"] * 2_000) + "]", "[]",
         '["\\u0000"]', "[looking.x]"]
    )  # fmt: skip
    place = rng.randrange(len(lines) + 1)
    return [*lines[:place], header, *lines[place:]]


def _garbled_line(rng: random.Random, lines: list[str], keys: Sequence[str]) -> list[str]:
    if not lines:
        return lines
    place = rng.randrange(len(lines))
    line = lines[place]
    cut = rng.randrange(len(line) + 1)
    piece = rng.choice(
        ["=", '"', "'", "[", "]", "{", "}", "#", ",", "\\", " ", "\t", ".", "\x00", "\u202e", "é"]
    )
    changed = rng.choice([line[:cut], line[cut:], line[:cut] + piece + line[cut:], line + piece, piece * 50])
    return [*lines[:place], changed, *lines[place + 1 :]]


SOFT_TEXTS = tuple(text for text in HOSTILE_TEXTS if text.isprintable() and 0 < len(text) < 200)
NUMBER = re.compile(r"(?<![\w\"'.:-])\d+(\.\d+)?(?![\w\"':.-])")
QUOTED = re.compile(r'"[^"\\]*"')


def _other_number(rng: random.Random, lines: list[str], keys: Sequence[str]) -> list[str]:
    """A number that may be meant: these get furthest in."""

    def changed(found: re.Match[str]) -> str:
        value = float(found[0]) * rng.choice([0.0, 0.5, 1.0, 1.1, 2.0, 10.0, -1.0])
        return repr(value) if "." in found[0] else str(round(value))

    return _at_one(rng, lines, NUMBER, changed)


def _other_text(rng: random.Random, lines: list[str], keys: Sequence[str]) -> list[str]:
    return _at_one(rng, lines, QUOTED, lambda _: toml_literal(rng.choice(SOFT_TEXTS)))


def _at_one(
    rng: random.Random, lines: list[str], pattern: re.Pattern[str], changed: Callable[[re.Match[str]], str]
) -> list[str]:
    places = [i for i, line in enumerate(lines) if pattern.search(line)]
    if not places:
        return lines
    place = rng.choice(places)
    return [*lines[:place], pattern.sub(changed, lines[place], count=1), *lines[place + 1 :]]


LINE_MUTATIONS: tuple[Callable[[random.Random, list[str], Sequence[str]], list[str]], ...] = (
    _new_value, _new_value, _new_value, _new_value, _new_key, _new_key, _moved, _table_header, _garbled_line,
)  # fmt: skip


def bad_bytes(rng: random.Random, raw: bytes) -> bytes:
    """Bytes flipped, cut, doubled or thrown in."""
    for _ in range(rng.choice([1, 1, 2, 5])):
        place = rng.randrange(len(raw) + 1)
        kind = rng.randrange(6)
        if kind == 0 and raw:
            place = rng.randrange(len(raw))
            raw = raw[:place] + bytes([raw[place] ^ (1 << rng.randrange(8))]) + raw[place + 1 :]
        elif kind == 1:
            raw = raw[:place]
        elif kind == 2:
            raw = raw[:place] + raw[place : place + rng.randrange(60)] * rng.choice([2, 50]) + raw[place:]
        elif kind == 3:
            raw = rng.choice(HOSTILE_BYTES[:5]) + raw
        else:
            raw = raw[:place] + rng.choice(HOSTILE_BYTES) * rng.choice([1, 1, 1, 30]) + raw[place:]
    return raw
