"""Who may read what we write: every file its owner's alone, whatever the mask, and no link is followed."""

from __future__ import annotations

import os
import stat
import subprocess
import sys
from collections.abc import Iterator
from contextlib import closing
from pathlib import Path

import pytest
from click.testing import CliRunner, Result

from heatdrift.cli.installation import Installation
from heatdrift.cli.main import heatdrift as cli
from heatdrift.daemon.unit import UnitFacts
from heatdrift.fake_sensors.history import record_history
from heatdrift.fake_sensors.machine import START_UTC_MS, FakeMachine
from heatdrift.store.backup import backup
from heatdrift.store.database import open_writer
from heatdrift.store.errors import ReadOnlyDatabaseError
from heatdrift.store.whole_file import write_whole
from heatdrift.store.writer import Writer

FILE, FOLDER = 0o600, 0o700


def modes(top: Path) -> dict[str, int]:
    return {str(path.relative_to(top)): stat.S_IMODE(path.lstat().st_mode) for path in sorted(top.rglob("*"))}


def wrong_modes(top: Path) -> dict[str, str]:
    """What below a folder others may read, write or enter."""
    return {
        name: oct(mode)
        for name, mode in modes(top).items()
        if mode != (FOLDER if (top / name).is_dir() else FILE)
    }


def run(*words: str) -> Result:
    done = CliRunner().invoke(cli, words)
    assert done.exit_code == 0, f"{words}: {done.output}"
    return done


@pytest.fixture
def no_mask() -> Iterator[None]:
    """The most careless mask: what is not closed on purpose is open to everyone."""
    before = os.umask(0)
    yield
    os.umask(before)


@pytest.fixture
def home(tmp_path: Path, monkeypatch: pytest.MonkeyPatch, no_mask: None) -> Path:
    """A user without anything, in a folder of their own."""
    place = tmp_path / "home"
    place.mkdir(mode=FOLDER)
    for name in ("HOME", "XDG_DATA_HOME", "XDG_CONFIG_HOME", "MPLCONFIGDIR"):
        monkeypatch.setenv(name, str(tmp_path / "libraries" if name == "MPLCONFIGDIR" else place))
    monkeypatch.delenv("STATE_DIRECTORY", raising=False)
    monkeypatch.chdir(place)
    return place


def test_everything_that_commands_write_is_for_its_owner_alone(home: Path) -> None:
    record = home / "a" / "b" / "record.sqlite"
    database = open_writer(str(record))
    machine = FakeMachine.of("laptop", 3, load_hours_a_day=0.5)
    record_history(Writer(database, "uuid", "wren"), machine, START_UTC_MS, 1.2)
    at = ("--database", str(record))
    run("journal", "add", "cleaning", "--source", "gpu0", "--time", "2026-01-01T12:00:00Z", *at)
    while_open = set(modes(home))
    database.close()
    assert {f"a/b/record.sqlite{tail}" for tail in ("", "-wal", "-shm")} <= while_open
    assert not wrong_modes(home)
    run("journal", "save", "journal.toml", *at)
    run("export", "table.csv", *at)
    run("export", "table.parquet", *at)
    run("backup", "copies/of/mine", *at)
    run("judge", *at)
    run("fit", "--json", "fit.json", *at)
    run("compare", "1", "--html", "compare.html", "--json", "compare.json", *at)
    for kind in ("html", "pdf", "markdown", "csv", "json"):
        run("report", f"--{kind}", f"report.{kind}", *at)
    run("report", "--monthly", *at)
    run("upkeep", *at)
    run("rebuild", *at)
    found = set(modes(home))
    assert all(any(name.startswith(f"{top}/") for name in found) for top in ("copies/of/mine", "a/b/backups"))
    assert any(name.endswith("index.html") for name in found), found
    assert len(found) > 20
    assert not wrong_modes(home)


def test_a_running_service_writes_for_its_owner_alone(home: Path) -> None:
    words = [
        "run",
        "--fake",
        "laptop",
        "--speed",
        "60",
        "--for",
        "90s",
        "--database",
        str(home / "s" / "r.sqlite"),
    ]
    done = subprocess.run(
        [sys.executable, "-m", "heatdrift", *words], capture_output=True, text=True, check=False, timeout=300
    )
    assert done.returncode == 0, done.stderr
    assert (home / "s" / "r.sqlite").stat().st_size > 4096
    assert not wrong_modes(home)


def test_the_identity_of_a_machine_without_one_is_its_owner_s(home: Path) -> None:
    from heatdrift.cli.places import machine_uuid

    first = machine_uuid(home / "new", home / "no-machine-id")
    assert machine_uuid(home / "new", home / "no-machine-id") == first
    assert not wrong_modes(home)


def test_a_file_that_the_journal_names_is_never_opened(home: Path) -> None:
    """A journal may come from anybody: its photo is a text on a page, not a way to another file."""
    record, photo = home / "record.sqlite", home / "photo.jpg"
    photo.write_text("what stands in another file")
    photo.chmod(FILE)
    with closing(open_writer(str(record))) as database:
        machine = FakeMachine.of("laptop", 3, load_hours_a_day=0.5)
        record_history(Writer(database, "uuid", "wren"), machine, START_UTC_MS, 1.2)
    at = ("--database", str(record))
    moment = ("--time", "2026-01-01T12:00:00Z")
    run("journal", "add", "cleaning", "--source", "gpu0", "--photo", str(photo), *moment, *at)
    said = run("journal", "list", *at).output
    run("compare", "1", "--html", "compare.html", *at)
    run("report", "--html", "report.html", *at)
    run("journal", "save", "journal.toml", *at)
    pages = [(home / name).read_text() for name in ("compare.html", "report.html", "journal.toml")]
    assert "photo.jpg" in said and "photo.jpg" in pages[2]
    assert not [page for page in (said, *pages) if "what stands in another file" in page]


def links(folder: Path, victim: Path, name: str) -> None:
    (folder / name).symlink_to(victim)


def test_a_report_is_not_led_through_a_link(tmp_path: Path) -> None:
    """In a folder that others may write, a link under the name of the report leads to a file of its owner."""
    victim = tmp_path / "victim"
    victim.write_text("precious")
    links(tmp_path, victim, "report.html")
    write_whole(tmp_path / "report.html", lambda whole: whole.write_text("page"))
    assert victim.read_text() == "precious"
    assert not (tmp_path / "report.html").is_symlink() and (tmp_path / "report.html").read_text() == "page"


@pytest.mark.parametrize("name", ["heatdrift-20260101T000000Z.part", "heatdrift-20260101T000000Z.db"])
def test_a_backup_is_not_led_through_a_link(name: str, tmp_path: Path) -> None:
    victim = tmp_path / "victim"
    victim.touch()  # an empty file is what SQLite would take for a new database
    folder = tmp_path / "open-to-all"
    folder.mkdir()
    links(folder, victim, name)
    with closing(open_writer(str(tmp_path / "r.sqlite"))) as database:
        made = backup(database, folder, START_UTC_MS)
    assert made.is_file() and not made.is_symlink()
    assert victim.read_bytes() == b""


def test_a_link_that_comes_back_at_once_stops_the_backup(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """In a folder where nobody may remove another's link, or one is laid again in the same moment."""
    victim = tmp_path / "victim"
    victim.touch()
    links(tmp_path, victim, "heatdrift-20260101T000000Z.part")
    monkeypatch.setattr("heatdrift.store.backup._remove", lambda _part: None)
    with (
        closing(open_writer(str(tmp_path / "r.sqlite"))) as database,
        pytest.raises(ReadOnlyDatabaseError, match="no backup can be written"),
    ):
        backup(database, tmp_path, START_UTC_MS)
    assert victim.read_bytes() == b""


def test_what_a_killed_backup_left_is_taken_away_a_day_later(tmp_path: Path) -> None:
    left, young = tmp_path / "heatdrift-20251230T000000Z.part", tmp_path / "heatdrift-20251231T235900Z.part"
    for path, age_s in ((left, 2 * 86_400), (young, 60)):
        path.touch()
        os.utime(path, (START_UTC_MS / 1000 - age_s,) * 2)
    with closing(open_writer(str(tmp_path / "r.sqlite"))) as database:
        backup(database, tmp_path, START_UTC_MS)
    assert not left.exists() and young.exists()


def test_installing_as_root_follows_no_link_of_a_user(tmp_path: Path, no_mask: None) -> None:
    """The settings may lie in a user's folder: what root gives away there must be what root made."""
    root, victim = tmp_path / "root", tmp_path / "shadow"
    (root / "run/systemd/system").mkdir(parents=True)
    (root / "home/ann").mkdir(parents=True)
    victim.write_text("secret")
    victim.chmod(FILE)
    links(root / "home/ann", victim, "settings.toml.new")
    given: list[Path] = []
    made = Installation(
        facts=UnitFacts(python=Path("/opt/python"), settings_file=Path("/home/ann/settings.toml")),
        for_user=False,
        with_power_rule=False,
        is_root=True,
        root=root,
        home=tmp_path,
        say=lambda _line: None,
        run=lambda _argv: "",
        give=lambda path, _user, _group: given.append(path.resolve()),
    )
    made.install()
    assert victim.read_text() == "secret" and stat.S_IMODE(victim.stat().st_mode) == FILE
    assert victim not in given
    settings = root / "home/ann/settings.toml"
    assert settings.is_file() and not settings.is_symlink() and stat.S_IMODE(settings.stat().st_mode) == 0o640
    assert stat.S_IMODE(made.unit_path.stat().st_mode) == 0o644
