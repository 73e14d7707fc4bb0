"""A file is whole or not there, and what is no file is written to as it is."""

from __future__ import annotations

import os
import threading
import time
from pathlib import Path

import pytest

from heatdrift.store.whole_file import LEFT_S, write_whole


def test_a_failure_leaves_the_old_file_and_nothing_else(tmp_path: Path) -> None:
    path = tmp_path / "report.html"
    write_whole(path, lambda whole: whole.write_text("old"))

    def half(whole: Path) -> None:
        whole.write_text("ha")
        raise OSError("no room")

    with pytest.raises(OSError, match="no room"):
        write_whole(path, half)
    assert path.read_text() == "old" and [one.name for one in tmp_path.iterdir()] == ["report.html"]


def test_what_a_killed_writer_left_goes_with_the_next_one_and_nothing_else(tmp_path: Path) -> None:
    names = {
        "left": ".heatdrift-abcdefgh.html",
        "of one who writes now": ".heatdrift-hgfedcba.html",
        "the owner's": "heatdrift-abcdefgh.html",
    }
    for kind, name in names.items():
        (tmp_path / name).touch()
        if kind != "of one who writes now":
            os.utime(tmp_path / name, (time.time() - LEFT_S - 60.0,) * 2)
    write_whole(tmp_path / "report.html", lambda whole: whole.write_text("new"))
    kept = {name for kind, name in names.items() if kind != "left"}
    assert {one.name for one in tmp_path.iterdir()} == {*kept, "report.html"}


def test_a_pipe_is_written_to_and_stays_one(tmp_path: Path) -> None:
    pipe = tmp_path / "pipe"
    os.mkfifo(pipe)
    got: list[str] = []
    reader = threading.Thread(target=lambda: got.append(pipe.read_text()))
    reader.start()
    write_whole(pipe, lambda whole: whole.write_text("figures"))
    reader.join(timeout=10.0)
    assert got == ["figures"] and pipe.is_fifo()
