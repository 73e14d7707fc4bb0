"""What a terminal would obey never reaches it; what is quoted stays what it was."""

from __future__ import annotations

import json
import tomllib

import pytest

from heatdrift.store.plain_text import MARK, escaped, plain

UNSAFE = ["\x00", "\x07", "\r", "\x1b", "\x7f", "\x9b", "\u202e", "\u2066", "\u2028", "\ud800"]


@pytest.mark.parametrize("char", UNSAFE, ids=ascii)
def test_an_unsafe_character_is_replaced_by_a_mark(char: str) -> None:
    assert plain(f"a{char}[31mb") == f"a{MARK}[31mb"


def test_lines_tabs_and_every_script_stay() -> None:
    text = "one\n\ttwo: 71 °C, Ωµ², עברית, 漢字, \N{PILE OF POO}"
    assert plain(text) == text


@pytest.mark.parametrize("char", UNSAFE, ids=ascii)
def test_escaped_text_reads_back_as_it_was(char: str) -> None:
    quoted = escaped(json.dumps(f"a{char}b", ensure_ascii=False))
    assert plain(quoted) == quoted
    assert json.loads(quoted) == f"a{char}b"
    if char != "\ud800":  # TOML has no way to say half a character
        assert tomllib.loads(f"text = {quoted}") == {"text": f"a{char}b"}
