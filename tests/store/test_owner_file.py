"""What an owner may hand in as a text, and what is refused before it can hold anybody up."""

from __future__ import annotations

import os
import socket
from collections.abc import Callable
from decimal import Decimal
from pathlib import Path

import pytest

from heatdrift.cli.settings import load
from heatdrift.store.database import parse_url
from heatdrift.store.errors import SettingsError
from heatdrift.store.import_mapping import load_mapping
from heatdrift.store.journal_file import load_journal
from heatdrift.store.owner_file import MOST_BYTES, owner_path, parse_toml, read_text

READERS: list[Callable[[Path], object]] = [
    read_text,
    load_journal,
    load_mapping,
    lambda path: load(settings_file=path, environment={}),
]


@pytest.mark.parametrize("read", READERS, ids=["text", "journal", "mapping", "settings"])
@pytest.mark.parametrize("kind", ["pipe", "folder", "socket", "/dev/zero"])
def test_what_is_no_file_is_refused_unread(
    kind: str, read: Callable[[Path], object], tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(tmp_path)  # the path of a socket has to be short
    path = Path("x")
    if kind == "pipe":
        os.mkfifo(path)  # nobody will ever write into it
    elif kind == "folder":
        path.mkdir()
    elif kind == "socket":
        with socket.socket(socket.AF_UNIX) as listening:
            listening.bind("x")
    else:
        path = Path(kind)
    with pytest.raises(SettingsError, match="cannot be read"):
        read(path)


def test_a_link_to_a_file_is_followed(tmp_path: Path) -> None:
    (tmp_path / "real").write_text("text")
    (tmp_path / "link").symlink_to("real")
    assert read_text(tmp_path / "link") == "text"
    (tmp_path / "loop").symlink_to("loop")
    with pytest.raises(SettingsError, match="cannot be read"):
        read_text(tmp_path / "loop")


def test_a_file_without_measure_is_refused(tmp_path: Path) -> None:
    path = tmp_path / "sparse.toml"
    with path.open("wb") as file:
        file.truncate(MOST_BYTES + 1)
    with pytest.raises(SettingsError, match="longer than 16 MB"):
        read_text(path)


def test_marks_and_other_encodings(tmp_path: Path) -> None:
    path = tmp_path / "x.toml"
    path.write_bytes(b"\xef\xbb\xbfmachine_name = 'wren'\r\n")
    assert load(settings_file=path, environment={}).machine_name == "wren"
    path.write_bytes("machine_name = 'wren'".encode("utf-16"))
    with pytest.raises(SettingsError, match="not UTF-8"):
        read_text(path)
    with pytest.raises(SettingsError, match="cannot be read"):
        read_text(Path("a\0b"))


@pytest.mark.parametrize(
    ("text", "words"),
    [
        (f"a = {'[' * 5000}", "nests too deep"),
        (f"a = {'[' * 5000}{']' * 5000}", "nests too deep"),
        (f"a = {'1' * 5000}", "Exceeds the limit"),
        ("a = 1e99999999999999999999", "beyond all measure"),
        ("a = 2026-02-30", "Invalid date"),
    ],
)
def test_toml_without_measure_is_a_value_error(text: str, words: str) -> None:
    with pytest.raises(ValueError, match=words):
        parse_toml(text, Decimal)


@pytest.mark.parametrize("path", ["~nobody_of_that_name/x.db", "a\0b"])
def test_a_path_that_cannot_be(path: str) -> None:
    for read in (owner_path, parse_url):
        with pytest.raises(SettingsError):
            read(path)
