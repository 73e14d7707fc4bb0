"""Lines of keys, in the shapes that owners write."""

from __future__ import annotations

import tomllib

import pytest

from heatdrift.cli.toml_lines import key_lines, line_of, syntax_complaint

TEXT = """\
# a comment with = in it
database = "a = b # no comment"

[looking]  # the pace
load_period_s = 1.0
"idle_period_s" = 5

[sources.gpu0]
temperature_c = "key[0]"
[ignore]
channels = [
  "a=b",
  "disks = 1",
]
disks = true
text = '''
[not.a.table]
nor = "a key"
'''
last.inner = 1
"""


@pytest.mark.parametrize(
    ("path", "line"),
    [
        (("database",), 2),
        (("looking",), 4),
        (("looking", "load_period_s"), 5),
        (("looking", "idle_period_s"), 6),
        (("sources", "gpu0", "temperature_c"), 9),
        (("ignore", "channels"), 11),
        (("ignore", "disks"), 15),
        (("ignore", "text"), 16),
        (("ignore", "last", "inner"), 20),
    ],
)
def test_each_key_stands_on_its_line(path: tuple[str, ...], line: int) -> None:
    assert key_lines(TEXT)[path] == line


def test_what_only_looks_like_a_key_is_none() -> None:
    found = key_lines(TEXT)
    assert ("not", "a", "table") not in found
    assert ("ignore", "nor") not in found
    assert len(found) == 11


def test_key_of_an_inline_table_takes_the_line_of_the_table() -> None:
    lines = key_lines('a = 1\nsources = { gpu0 = { power_w = "x" } }\n')
    assert line_of(("sources", "gpu0", "power_w"), lines) == 2


def test_syntax_error_gives_its_line() -> None:
    with pytest.raises(tomllib.TOMLDecodeError) as caught:
        tomllib.loads("a = 1\nb = oops\n")
    line, complaint = syntax_complaint(caught.value)
    assert line == 2
    assert complaint == "Invalid value"


def test_brackets_quotes_and_signs_inside_keys() -> None:
    found = key_lines('["a]#b"]\n"x=y" = 1\n[c.\'d]\']\nlast = "]"  # [\nmore = 2\n')
    assert found[("a]#b",)] == 1
    assert found[("a]#b", "x=y")] == 2
    assert found[("c", "d]")] == 3
    assert found[("c", "d]", "more")] == 5


def test_an_array_of_many_lines_is_read_once() -> None:
    n_lines = 50_000  # read anew for each line, this would take hours
    text = "keys = [\n" + '  "x",\n' * n_lines + "]\nlast = 1\n"
    assert key_lines(text)[("last",)] == n_lines + 3


def test_only_a_line_feed_ends_a_line() -> None:
    assert key_lines("first = 'a\u2028b\x85c'\nsecond = 2\n")[("second",)] == 2
