"""Input that wants to exhaust, to lie or to be obeyed: bombs, endless files, and markup in what people write.

``HEATDRIFT_CAMPAIGN=100000`` brings in ten gigabytes; without it a smaller table stands for them.
"""

from __future__ import annotations

import csv
import gzip
import io
import json
import os
import re
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable, Iterator
from datetime import UTC, datetime
from html.parser import HTMLParser
from pathlib import Path

import pyarrow as pa
import pyarrow.parquet as pq
import pytest

from heatdrift.cli import speech
from heatdrift.fake_sensors.machine import START_UTC_MS
from heatdrift.store.database import Database, open_reader, open_writer
from heatdrift.store.errors import EXIT_DAMAGED, SettingsError, StoreError
from heatdrift.store.import_parquet import LONGEST_CELL, MOST_TEXT_BYTES
from heatdrift.store.journal import Journal
from heatdrift.store.journal_entry import EntryKind, JournalEntry
from heatdrift.store.reader import Reader

from . import bad_input_records as records
from . import bad_input_tables as tables
from .bad_input_ledger import CAMPAIGN, is_unsafe, no_hang

ROOT = Path(__file__).resolve().parents[2]
IMPORT = [sys.executable, "-m", "heatdrift", "import"]
FULL_BYTES, SHORT_BYTES = 10_000_000_000, 60_000_000
FILLED_BYTES = 2000  # a row as wide as loggers of forty columns write it
MARKS = (0.1, 0.5, 0.95)  # of the file, at which memory is looked at
# What the allocators keep between a small and a large batch, and the first caches: seen to be under 20 MB.
GROWTH_BYTES = 48_000_000
DEADLINE_S = 3600


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Path]:
    """Not on a disk where there is memory, but for what is large."""
    otherwise = tmp_path_factory.mktemp("hostile")
    with tempfile.TemporaryDirectory(prefix="hd-hostile-", dir=records.memory_folder(otherwise)) as name:
        yield Path(name)


# Exhausting


def write_wide_table(path: Path, n_bytes: int) -> int:
    """A gzip of a CSV table so large unpacked; gives its rows."""
    filler = ",".join(["0.123456789"] * (FILLED_BYTES // 12))
    n_columns = filler.count(",") + 1
    start_ms = tables.NOW_UTC_MS - 40 * 86_400_000
    n_rows = n_bytes // (FILLED_BYTES + 36)
    with gzip.open(path, "wt", compresslevel=1, encoding="ascii", newline="") as file:
        file.write("time,gpu0.temperature_c," + ",".join(f"other{i}" for i in range(n_columns)) + "\r\n")
        for row in range(n_rows):
            file.write(f"{(start_ms + row * 500) / 1000:.3f},{40 + row % 50},{filler}\r\n")
    return n_rows


def pss_bytes(pid: int) -> int:
    said = Path(f"/proc/{pid}/smaps_rollup").read_text()
    return 1024 * int(re.search(r"^Pss:\s+(\d+)", said, re.MULTILINE)[1])  # type: ignore[index]


def place_in(pid: int, path: Path) -> int:
    """How far a process has read a file [bytes]."""
    for link in Path(f"/proc/{pid}/fd").iterdir():
        try:
            if link.readlink() == path:
                return int(Path(f"/proc/{pid}/fdinfo/{link.name}").read_text().split()[1])
        except OSError:
            continue
    return 0


@pytest.mark.skipif(
    not Path("/proc/self/smaps_rollup").exists(), reason="memory of a process is not told here"
)
def test_a_huge_table_is_read_in_constant_memory(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    n_bytes = FULL_BYTES if CAMPAIGN else SHORT_BYTES
    table, mapping = tmp_path / "huge.csv.gz", tmp_path / "mapping.toml"
    n_rows = write_wide_table(table, n_bytes)
    mapping.write_text("")  # columns that are not ours are ignored
    settings = tmp_path / "settings.toml"
    settings.touch()
    words = [str(table), "--mapping", str(mapping), "--json", "--settings", str(settings)]
    size = table.stat().st_size
    seen: dict[float, int] = {}
    with subprocess.Popen(
        [*IMPORT, *words, "--database", str(tmp_path / "record.sqlite")],
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
    ) as process:
        try:
            deadline_s = time.monotonic() + DEADLINE_S
            while process.poll() is None and time.monotonic() < deadline_s:
                place = place_in(process.pid, table) / size
                try:
                    memory = pss_bytes(process.pid)
                except (OSError, TypeError):  # it ended meanwhile
                    break
                for mark in MARKS:
                    if place >= mark:
                        seen.setdefault(mark, memory)
                time.sleep(0.02)
        finally:
            process.kill() if process.poll() is None else None
        said, complained = process.communicate()
    assert process.returncode == 0, complained
    assert json.loads(said)["files"][0]["rows"] == n_rows
    assert set(seen) == set(MARKS), seen
    with capsys.disabled():
        shown = ", ".join(f"{memory / 1e6:.0f} MB at {mark:.0%}" for mark, memory in seen.items())
        print(f"\n{n_bytes / 1e9:.2f} GB of CSV in {size / 1e6:.0f} MB of gzip, {n_rows:,} rows: PSS {shown}")
    assert max(seen.values()) - seen[MARKS[0]] < GROWTH_BYTES, seen


PEAK = """
import sys
from pathlib import Path
sys.path.insert(0, sys.argv[2])
from heatdrift.store.errors import EXIT_DAMAGED, SettingsError, StoreError
from heatdrift.store.importing import import_table
from heatdrift.store.database import open_writer
from heatdrift.store.writer import Writer
def peak():
    return int(Path("/proc/self/status").read_text().split("VmHWM:")[1].split()[0])
database = open_writer(sys.argv[3])
machine_id = Writer(database, "u", "wren", 1).machine_id
before = peak()
for path in sorted(Path(sys.argv[1]).glob("*.parquet")):
    try:
        import_table(database, machine_id, path, 1_795_000_000_000)
    except SettingsError as error:
        print(error)
print(peak() - before)
"""


BOMBS = {
    "one word of a megabyte, said 262,144 times": "1,000,000 bytes long",
    "a column of long cells": "unpacks to 280 MB",
    "an endless decimal": "100,002 bytes long",
    "a column that lies about its size": "unpacks to 280 MB",
}


def bomb(path: Path, kind: str) -> None:
    """A small file that stands for much."""
    n = 65_536 * 4
    moments = pa.array([1_794_900_000_000 + 1000 * i for i in range(n)], pa.timestamp("ms", "UTC"))
    options: dict[str, object] = {"compression": "zstd", "row_group_size": n}
    is_lie = kind == "a column that lies about its size"
    if kind == "one word of a megabyte, said 262,144 times":
        one = pa.array(["9" * 1_000_000])
        column = pa.DictionaryArray.from_arrays(pa.array([0] * n, pa.int32()), one)
    elif is_lie or kind == "a column of long cells":
        column, moments = pa.array(["9" * 40_000_000] * 7), moments[:7]
        options["use_dictionary"] = False
    elif kind == "an endless decimal":
        column = pa.array(["0." + "9" * 100_000] * 100 + [None] * (n - 100))
    else:
        raise ValueError(kind)
    pq.write_table(pa.table([moments, column], ["time", "gpu0.power_w"]), path, **options)
    if is_lie:
        lie_about_size(path, 1000)


def lie_about_size(path: Path, wanted: int) -> None:
    """Let the end of a file say that its second column is so small unpacked."""
    raw = path.read_bytes()
    end = len(raw) - 8 - int.from_bytes(raw[-8:-4], "little")
    told = varint(2 * pq.read_metadata(path).row_group(0).column(1).total_uncompressed_size)
    assert raw.count(told, end) == 1
    path.write_bytes(raw[:end] + raw[end:].replace(told, varint(2 * wanted, len(told))))
    assert pq.read_metadata(path).row_group(0).column(1).total_uncompressed_size == wanted


def varint(value: int, n_bytes: int = 0) -> bytes:
    """A number as Thrift writes it, stretched to a length."""
    written = bytearray()
    while value or len(written) < n_bytes or not written:
        written.append(value & 0x7F | 0x80)
        value >>= 7
    written[-1] &= 0x7F
    return bytes(written)


def test_bombs_are_refused_before_they_go_off(tmp_path: Path) -> None:
    for number, kind in enumerate(BOMBS):
        bomb(tmp_path / f"{number}.parquet", kind)
        assert (tmp_path / f"{number}.parquet").stat().st_size < 3_000_000
    done = subprocess.run(
        [sys.executable, "-c", PEAK, str(tmp_path), str(ROOT), str(tmp_path / "record.sqlite")],
        capture_output=True,
        text=True,
        check=True,
        timeout=600,
    )
    *said, grown_kib = done.stdout.splitlines()
    assert len(said) == len(BOMBS)
    for line, words in zip(said, BOMBS.values(), strict=True):
        assert words in line
    assert int(grown_kib) < 200_000, f"{grown_kib} KiB"  # what they stand for is more than 260 GB


def test_the_limits_leave_room_for_every_honest_table(tmp_path: Path) -> None:
    path = tmp_path / "honest.parquet"
    n = 50_000
    moments = [datetime.fromtimestamp(1_794_900_000 + i, UTC).isoformat() for i in range(n)]
    pq.write_table(pa.table([moments, ["50.5"] * n], ["time", "gpu0.power_w"]), path)
    tables.dry_import(path)
    assert MOST_TEXT_BYTES > 40 * 1_000_000  # a million moments as text are the usual group of rows
    assert len(moments[0]) * 100 < LONGEST_CELL


def test_a_parquet_file_that_lies_is_refused(folder: Path) -> None:
    path = folder / "lies.parquet"
    good = pa.table(
        [pa.array([1_794_900_000_000], pa.timestamp("ms", "UTC")), [50.5]], ["time", "gpu0.power_w"]
    )
    pq.write_table(good, path)
    raw = path.read_bytes()
    for lie in (
        raw[:4] + raw[-8:],  # nothing between beginning and end
        raw[:-8] + (2**31 - 1).to_bytes(4, "little") + b"PAR1",  # a footer longer than the file
        raw[:-8] + (0).to_bytes(4, "little") + b"PAR1",
        raw[: len(raw) // 2],
        b"PAR1" * 3,
    ):
        path.write_bytes(lie)
        with no_hang(), pytest.raises(SettingsError):
            tables.dry_import(path)


@pytest.mark.parametrize(
    "content", [b"\x00" * 3_000_000, b"9" * 3_000_000, b"\n" * 3_000_000, b'"' + b"a,\n" * 10**6]
)
def test_a_table_without_structure_is_refused(content: bytes, folder: Path) -> None:
    path = folder / "formless.csv"
    for head in (b"", b"time,gpu0.power_w\n"):
        path.write_bytes(gzip.compress(head + content, 1))
        with no_hang():
            try:
                tables.dry_import(path)
            except SettingsError as error:
                assert error.remedy


@pytest.mark.parametrize("name", ["/dev/zero", "/dev/stdin", "pipe", "../record/../../dev/zero", "."])
def test_what_is_no_file_is_not_imported(name: str, tmp_path: Path) -> None:
    if name == "pipe":
        os.mkfifo(tmp_path / name)
    (tmp_path / "settings.toml").touch()
    with no_hang():
        done = records.invoke(tmp_path / "record.sqlite", tmp_path, ("import", str(tmp_path / name)))
    assert done.exit_code == 2
    assert not (tmp_path / "record.sqlite").exists()


@pytest.mark.parametrize("name", ["pipe", "/dev/zero", "/dev/null", "."])
@pytest.mark.parametrize("opened", [open_reader, open_writer])
def test_what_is_no_file_is_no_database(name: str, opened: Callable[[str], Database], tmp_path: Path) -> None:
    if name == "pipe":
        os.mkfifo(tmp_path / name)
    with no_hang(), pytest.raises(StoreError):
        opened(str(tmp_path / name))


# Wanting to be obeyed

HOSTILE = (
    "=cmd|' /C calc'!A0 <script>alert(1)</script> <img src=x onerror=alert(1)> $\\frac{1}{0$ "
    "![x](http://x.y/z) "
    "[click](javascript:alert(1)) **bold** `code` | a | b | \N{RIGHT-TO-LEFT OVERRIDE}desrever "
    "{{ 7 * 7 }} {% raw %} %s %n </svg></style></title> &lt;b&gt; \n# heading\n- item\n\n| --- |\n"
)
ESCAPES = "\x1b[31mred\x1b]0;title\x07\x9b2J"


class Tags(HTMLParser):
    """Every tag with its attributes."""

    def __init__(self) -> None:
        super().__init__()
        self.found: list[tuple[str, dict[str, str | None]]] = []

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.found.append((tag, dict(attrs)))


@pytest.fixture(scope="module")
def hostile_record(folder: Path) -> Path:
    """The record of the campaign with words in it that want to be obeyed."""
    good = records.good_record()
    path = folder / "hostile.sqlite"
    path.write_bytes(good.read_bytes())
    database = open_writer(str(path))
    journal = Journal(database, 1)
    with pytest.raises(SettingsError):  # what a terminal would obey is not even kept
        entry = JournalEntry(START_UTC_MS, EntryKind.COMPOUND, "gpu0", note=ESCAPES)
        journal.add([entry], records.END_UTC_MS)
    at = START_UTC_MS + 30 * 3_600_000
    entry = JournalEntry(
        at, EntryKind.COMPOUND, "gpu0", interface=HOSTILE[:200], note=HOSTILE, photo_path="../../x"
    )
    journal.add([entry], records.END_UTC_MS)
    with database.begin() as connection:
        connection.exec_driver_sql("UPDATE machine SET name = ?", (HOSTILE + ESCAPES,))
        connection.exec_driver_sql("UPDATE message SET subject = ?, body = ?", (HOSTILE, HOSTILE + ESCAPES))
        connection.exec_driver_sql("UPDATE gap SET detail = ?", (HOSTILE + ESCAPES,))
        connection.exec_driver_sql("UPDATE channel SET label = ?, driver = ?", (HOSTILE + ESCAPES, ESCAPES))
    database.close()
    return path


def run(record: Path, folder: Path, *words: str) -> str:
    done = records.invoke(record, folder, words)
    assert done.exit_code == 0, (words, done.output[-2000:])
    return done.stdout


@pytest.mark.parametrize(
    "words",
    [
        ("journal", "list"),
        ("journal", "list", "--json"),
        ("journal", "remove", "3"),
        ("messages", "list"),
        ("messages", "list", "--json"),
        ("verdict",),
        ("fit",),
        ("compare", "3"),
        ("report", "--json", "-"),
        ("report", "--markdown", "-"),
        ("report", "--csv", "-"),
        ("report", "--html", "-"),
    ],
    ids=" ".join,
)
def test_nothing_reaches_the_terminal_that_it_would_obey(
    words: tuple[str, ...], hostile_record: Path, folder: Path, tmp_path: Path
) -> None:
    copy = tmp_path / "copy.sqlite"
    copy.write_bytes(hostile_record.read_bytes())
    said = run(copy, folder, *words).replace("\r\n", "\n")
    assert said.strip()
    assert not [char for char in said if is_unsafe(char)]


def test_status_shows_hostile_names_harmlessly(hostile_record: Path, folder: Path) -> None:
    for words in (("status",), ("status", "--json")):
        said = records.invoke(hostile_record, folder, words).stdout
        assert "alert(1)" in said  # it is shown, as text
        assert not [char for char in said if is_unsafe(char)]


def test_pages_hold_no_script_and_fetch_nothing(hostile_record: Path, folder: Path) -> None:
    pages = [
        run(hostile_record, folder, "report", "--html", "-"),
        _written(hostile_record, folder, ("compare", "3", "--html", "{file}"), "compare.html"),
    ]
    for page in pages:
        parser = Tags()
        parser.feed(page)
        for tag, attributes in parser.found:
            assert tag not in {"script", "iframe", "object", "embed", "link", "base", "form", "img"}, tag
            assert not [name for name in attributes if name.startswith("on")]
            for name in ("href", "src", "xlink:href", "action"):
                address = attributes.get(name) or "#"
                assert address.startswith(("#", "data:image/")) or re.fullmatch(r"[\w.%-]+", address), address
        assert "{{" not in page.replace("{{ 7 * 7 }}", "")  # shown as it stands, not worked out


def _written(record: Path, folder: Path, words: tuple[str, ...], name: str) -> str:
    path = folder / name
    run(record, folder, *(word.format(file=path) for word in words))
    return path.read_text(encoding="utf-8")


def test_markdown_stays_text(hostile_record: Path, folder: Path) -> None:
    text = run(hostile_record, folder, "report", "--markdown", "-")
    assert not re.search(r"(?<!\\)<(script|img|/?svg|/?style)", text)
    assert not re.search(r"(?<!\\)\]\((http|javascript)", text)


def test_sheets_are_made_of_hostile_words(hostile_record: Path, folder: Path) -> None:
    """Formulas between dollar signs are for the drawing library, unless they are taken as text."""
    path = folder / "sheets.pdf"
    run(hostile_record, folder, "report", "--pdf", str(path))
    assert path.read_bytes().startswith(b"%PDF")
    assert b"/JavaScript" not in path.read_bytes()
    assert b"/URI" not in path.read_bytes()


def test_tables_hold_no_formula(hostile_record: Path, folder: Path) -> None:
    text = run(hostile_record, folder, "report", "--csv", "-")
    exported = _written(hostile_record, folder, ("export", "{file}"), "table.csv")
    for table in (text, exported):
        for row in csv.reader(io.StringIO(table)):
            for cell in row:
                is_number = re.fullmatch(r"[+-]?\d+(\.\d+)?(e[+-]?\d+)?", cell) is not None
                assert is_number or not cell.startswith(("=", "+", "-", "@", "\t", "\r")), cell


def test_a_source_that_is_a_formula_is_not_exported(tmp_path: Path, folder: Path) -> None:
    path = tmp_path / "formula.sqlite"
    path.write_bytes(records.good_record().read_bytes())
    database = open_writer(str(path))
    with database.begin() as connection:
        connection.exec_driver_sql("UPDATE source SET name = ? WHERE name = 'gpu0'", ("=1+1,x\r\ny",))
    database.close()
    done = records.invoke(path, folder, ("export", str(tmp_path / "table.csv")))
    assert done.exit_code == EXIT_DAMAGED
    assert len(done.stderr.strip().splitlines()) <= 2  # a warning about SQLite may stand above it
    assert not (tmp_path / "table.csv").exists()


def test_one_door_leads_to_the_terminal() -> None:
    """What does not go through it could hold anything."""
    outside = [
        path.name
        for path in sorted(Path(speech.__file__).parent.glob("*.py"))
        if path.name != "speech.py" and re.search(r"click\.echo|\bprint\(", path.read_text(encoding="utf-8"))
    ]
    assert not outside


def test_a_journal_goes_out_and_comes_back(hostile_record: Path, folder: Path, tmp_path: Path) -> None:
    path = tmp_path / "journal.toml"
    run(hostile_record, folder, "journal", "save", str(path))
    assert not [char for char in path.read_text(encoding="utf-8") if is_unsafe(char)]
    reading = open_reader(str(hostile_record))
    before = Journal(reading, Reader(reading).machine_id).entries()
    reading.close()
    assert "3 already there" in run(hostile_record, folder, "journal", "load", str(path))
    assert [one.note for one in before if one.note][-1] == HOSTILE
