"""``heatdrift import``: whose rows they become, what is said, and what is left out."""

from __future__ import annotations

import json
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path

import pytest
from click.testing import CliRunner, Result

from heatdrift.cli.main import heatdrift
from heatdrift.store.database import open_reader, open_writer
from heatdrift.store.machines import machines
from heatdrift.store.reader import Reader
from heatdrift.store.writer import Writer

GOOD = "time,gpu0.temperature_c,gpu0.power_w\n2025-03-01T00:00:00Z,50,99.5\n2025-03-01T00:00:05Z,51,100\n"


def run(*arguments: str | Path) -> Result:
    return CliRunner().invoke(heatdrift, [str(argument) for argument in arguments])


def said(stderr: str) -> list[str]:
    """What was said to people, without the log."""
    return [line for line in stderr.splitlines() if line.startswith("heatdrift: ")]


@pytest.fixture
def table(tmp_path: Path) -> Path:
    path = tmp_path / "2025.csv"
    path.write_text(GOOD)
    return path


def machine_names(database: Path) -> list[str]:
    opened = open_reader(str(database))
    found = [entry.name for entry in machines(opened)]
    opened.close()
    return found


def test_into_a_new_record_of_this_machine(tmp_path: Path, table: Path) -> None:
    database = tmp_path / "r.sqlite"
    done = run("import", table, "--database", database)
    assert done.exit_code == 0, done.stderr
    assert done.stdout.splitlines() == [
        f"{table}  2 rows read, 2025-03-01 00:00:00Z to 2025-03-01 00:00:05Z",
        "  added      2 rows of sources and probes",
    ]
    assert len(machine_names(database)) == 1
    out = tmp_path / "out.csv"
    assert run("export", out, "--database", database).exit_code == 0
    assert out.read_text().splitlines()[1] == "2025-03-01T00:00:00.000Z,50.0,99.5"


def test_as_a_process_of_its_own(tmp_path: Path, table: Path) -> None:
    """In a fresh interpreter, which has loaded nothing that the command would need."""
    command = [sys.executable, "-m", "heatdrift", "import", str(table), "--database", str(tmp_path / "r")]
    done = subprocess.run(command, capture_output=True, text=True, check=False)
    assert (done.returncode, said(done.stderr)) == (0, [])
    again = subprocess.run(command, capture_output=True, text=True, check=False)
    assert again.stdout.splitlines()[1:] == [
        "  added      0 rows of sources and probes",
        "  there      2 rows already",
    ]


def test_bad_rows_are_named_and_the_good_ones_kept(tmp_path: Path) -> None:
    table, database = tmp_path / "bad.csv", tmp_path / "r.sqlite"
    table.write_text(GOOD + "soon,50,10\n2025-03-01T00:00:10Z,52\n2025-03-01T00:00:15Z,1e308,77\n")
    done = run("import", table, "--database", database)
    assert done.exit_code == 1
    assert said(done.stderr) == [
        f"heatdrift: {table}:4: 'soon' is no time",
        f"heatdrift: {table}:5: has 2 cells, the headings are 3",
        f"heatdrift: {table}:6: gpu0.temperature_c: '1e308' is outside 1 to 130 °C",
        f"heatdrift: {table}: left out 2 rows and 1 cell of other rows",
    ]
    frame = Reader(open_reader(str(database))).source_frame("gpu0")
    assert frame["power_w"].to_list() == [99.5, 100, 77]


def test_a_flood_of_bad_rows_is_counted_not_listed(tmp_path: Path) -> None:
    table = tmp_path / "bad.csv"
    table.write_text(GOOD + "2025-03-01,50,10\n" * 1000)
    done = run("import", table, "--database", tmp_path / "r.sqlite")
    lines = said(done.stderr)
    assert len(lines) == 22  # twenty rows, how often, and the sum
    assert "1,000 times: has no offset" in lines[-2]
    assert lines[-1].endswith("left out 1,000 rows and 0 cells of other rows")


def test_json_for_programs(tmp_path: Path, table: Path) -> None:
    with table.open("a") as file:
        file.write("2025-03-01T00:00:10Z,x,77\n")
    done = run("import", table, table, "--json", "--database", tmp_path / "r.sqlite")
    assert done.exit_code == 1
    first, second = json.loads(done.stdout)["files"]
    assert (first["rows"], first["added"], second["added"], second["already"]) == (3, 3, 0, 3)
    assert first["first_left_out"] == [
        {"line": 4, "column": "gpu0.temperature_c", "reason": "'x' is no number"}
    ]
    assert first["from"] == "2025-03-01T00:00:00.000Z"


def test_a_mapping_file_says_what_is_what(tmp_path: Path) -> None:
    table, mapping, database = tmp_path / "log.csv", tmp_path / "log.toml", tmp_path / "r.sqlite"
    table.write_bytes(
        'Datum;Zeit;"GPU [°F]";Leistung;Bemerkung\r\n'
        "29.03.2026;01:30:00;140;61500,5;ja\r\n"
        "29.03.2026;02:30:00;140;61500,5;gab es nicht\r\n"
        "29.03.2026;03:30:00;N/A;62000;\r\n".encode("cp1252")
    )
    mapping.write_text(
        '[columns]\n"GPU [°F]" = {to = "gpu0.temperature_c", unit = "f"}\n'
        'Leistung = {to = "gpu0.power_w", scale = 0.001}\n'
        '[time]\ncolumns = ["Datum", "Zeit"]\nformat = "%d.%m.%Y %H:%M:%S"\nzone = "Europe/Berlin"\n'
        '[file]\ndelimiter = ";"\ndecimal = ","\nencoding = "cp1252"\nmissing = ["N/A"]\n'
    )
    done = run("import", table, "--mapping", mapping, "--database", database)
    assert done.exit_code == 1
    assert "  not meant  Bemerkung" in done.stdout.splitlines()
    assert ":3: '29.03.2026 02:30:00' never was" in done.stderr
    frame = Reader(open_reader(str(database))).source_frame("gpu0")
    assert [str(at) for at in frame.index] == ["2026-03-29 00:30:00+00:00", "2026-03-29 01:30:00+00:00"]
    assert frame["temperature_c"].iloc[0] == 60.0  # 140 F
    assert frame["power_w"].to_list() == [61.5, 62.0]  # 61.5005 to the nearest thousandth, half to even


def test_machine_by_name_and_uuid(tmp_path: Path, table: Path) -> None:
    database = tmp_path / "r.sqlite"
    done = run("import", table, "--machine", "attic", "--database", database)
    assert "attic is a new machine" in done.stderr
    again = run("import", table, "--machine", "attic", "--database", database)
    assert (again.exit_code, again.stderr) == (0, "")
    assert "  there      2 rows already" in again.stdout
    assert machine_names(database) == ["attic"]
    # The only machine there is needs no name.
    assert "already" in run("import", table, "--database", database).stdout


def test_several_machines_and_none_named(tmp_path: Path, table: Path) -> None:
    database = tmp_path / "r.sqlite"
    opened = open_writer(str(database))
    for uuid, name in (("u", "desk"), ("v", "lap"), ("w", "lap")):
        Writer(opened, uuid, name)
    opened.close()
    done = run("import", table, "--database", database)
    assert done.exit_code == 2
    assert "desk (u), lap (v), lap (w): name one with --machine" in done.stderr
    assert "by its UUID" in run("import", table, "--machine", "lap", "--database", database).stderr
    assert run("import", table, "--machine", "w", "--database", database).exit_code == 0


def test_a_recorder_at_work_is_no_hindrance(
    tmp_path: Path, table: Path, record: Callable[..., str], now_utc_ms: int,
    running_state: Callable[[int], dict[str, str]],
) -> None:  # fmt: skip
    database = record(tmp_path / "r.sqlite", now_utc_ms, running_state(now_utc_ms))
    assert run("import", table, "--database", database).exit_code == 0
    assert machine_names(Path(database)) == ["dove"]


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        ((), "Missing argument"),
        (("none.csv",), "there is no file none.csv"),
        (("none.csv", "--mapping", "none.toml"), "none.toml cannot be read"),
    ],
)
def test_wrong_calls_are_refused(tmp_path: Path, arguments: tuple[str, ...], words: str) -> None:
    done = run("import", *arguments, "--database", tmp_path / "r.sqlite")
    assert done.exit_code == 2
    assert words in done.output
    assert not (tmp_path / "r.sqlite").exists()
