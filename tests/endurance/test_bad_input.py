"""Bad input by the thousand: an answer or one line with a remedy, never a traceback, never a hang.

``HEATDRIFT_CAMPAIGN=100000`` is the long form, ``HEATDRIFT_SEED`` another seed; both are printed.
"""

from __future__ import annotations

import json
import random
import shutil
import sqlite3
import tempfile
from collections.abc import Iterator
from contextlib import closing
from datetime import UTC, datetime
from decimal import Decimal
from functools import partial
from pathlib import Path

import pyarrow as pa
import pyarrow.parquet as pq
import pytest

from heatdrift.store.errors import EXIT_DAMAGED
from heatdrift.store.import_mapping import load_mapping

from . import bad_input_records as records
from . import bad_input_tables as tables
from . import bad_input_texts as texts
from .bad_input_ledger import SEED, Ledger, no_hang, run_campaign, share, table
from .bad_input_mutations import HOSTILE_TEXTS, bad_bytes, bad_toml, hostile_value

LEDGERS: list[Ledger] = []


@pytest.fixture(scope="module", autouse=True)
def printed(request: pytest.FixtureRequest) -> Iterator[None]:
    """Print the table at the end, also where nothing failed."""
    yield
    capture = request.config.pluginmanager.getplugin("capturemanager")
    with capture.global_and_fixture_disabled():
        print(f"\nbad input, seed {SEED}\n{table(LEDGERS)}")


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    return tmp_path


def settle(ledger: Ledger) -> None:
    LEDGERS.append(ledger)
    assert not ledger.faults, ledger.report()
    assert ledger.n_answered, "everything was refused: the mutations are too coarse to reach anything"
    assert ledger.n_refused, "nothing was refused: the mutations are too fine to hurt anything"


def test_settings_files(folder: Path) -> None:
    path = folder / "settings.toml"
    uncommented = "\n".join(
        line.removeprefix("#") if " = " in line else line for line in texts.EXAMPLE.splitlines()
    )

    def one(ledger: Ledger, rng: random.Random, _number: int) -> None:
        good = rng.choice([texts.GOOD_SETTINGS, texts.GOOD_SETTINGS, uncommented])
        raw = bad_toml(rng, good, texts.SETTING_KEYS)
        path.write_bytes(raw)
        ledger.count(raw, lambda: texts.check_settings_file(path, {}))

    settle(run_campaign("settings file", share(0.2, 200), one))


def test_environments_and_options(folder: Path) -> None:
    names = ["HEATDRIFT_DATABASE", "HEATDRIFT_SETTINGS", "STATE_DIRECTORY"]

    def one(ledger: Ledger, rng: random.Random, _number: int) -> None:
        values = {
            name: rng.choice([*HOSTILE_TEXTS, texts.bad_url(rng)]) for name in names if rng.random() < 0.6
        }
        if rng.random() < 0.7:
            values.pop("HEATDRIFT_SETTINGS", None)
        given = json.dumps(values).encode()
        ledger.count(given, lambda: texts.check_environment(values, folder))

    settle(run_campaign("environment", share(0.076, 200), one))


def test_journal_files(folder: Path) -> None:
    path = folder / "journal.toml"

    def one(ledger: Ledger, rng: random.Random, _number: int) -> None:
        raw = bad_toml(rng, texts.GOOD_JOURNAL, texts.JOURNAL_KEYS)
        path.write_bytes(raw)
        ledger.count(raw, lambda: texts.check_journal_file(path))

    settle(run_campaign("journal file", share(0.2, 200), one))


def test_mapping_files(folder: Path) -> None:
    path, measured = folder / "mapping.toml", folder / "table.csv"
    measured.write_bytes(texts.MAPPED_TABLE.encode("cp1252"))

    def one(ledger: Ledger, rng: random.Random, _number: int) -> None:
        good = texts.GOOD_MAPPING
        if rng.random() < 0.4:
            lines = good.splitlines()
            place = rng.randrange(len(lines))
            key, equals, _ = lines[place].partition(" = ")
            if equals:
                word = rng.choice(texts.MAPPING_WORDS)
                lines[place] = (
                    f"{key} = {json.dumps(word) if rng.random() < 0.8 else json.dumps([word, word])}"
                )
            good = "\n".join(lines) + "\n"
        raw = good.encode() if rng.random() < 0.2 else bad_toml(rng, good, texts.MAPPING_KEYS)
        path.write_bytes(raw)
        ledger.count(raw, lambda: tables.dry_import(measured, load_mapping(path)))

    settle(run_campaign("mapping file", share(0.2, 200), one))


def test_csv_tables(folder: Path) -> None:
    path = folder / "table.csv"

    def one(ledger: Ledger, rng: random.Random, _number: int) -> None:
        raw = tables.bad_csv(rng)
        path.write_bytes(raw)
        ledger.count(raw, lambda: tables.dry_import(path))

    settle(run_campaign("exchange table, CSV", share(0.15, 120), one))


def test_parquet_tables(folder: Path) -> None:
    path = folder / "table.parquet"

    def one(ledger: Ledger, rng: random.Random, _number: int) -> None:
        given = tables.bad_parquet(rng, path)
        ledger.count(given, lambda: tables.dry_import(path))

    settle(run_campaign("exchange table, Parquet", share(0.05, 100), one))


@pytest.mark.parametrize(
    "column",
    [
        pa.array([1_794_900_000, None], pa.timestamp("s")),  # moments where watts are meant
        pa.array([2**62, None], pa.timestamp("ms", "Nowhere/Land")),
        pa.array([50.5, None]).dictionary_encode(),
        pa.array([Decimal("9" * 70), None], pa.decimal256(76, 4)),
    ],
    ids=["moments", "moments beyond every calendar", "dictionary of numbers", "endless decimals"],
)
def test_a_column_that_holds_no_power(column: pa.Array, folder: Path) -> None:
    path = folder / "table.parquet"
    moments = pa.array([1_794_900_000_000, 1_794_900_001_000], pa.timestamp("ms", "UTC"))
    for names in (["time", "gpu0.power_w"], ["gpu0.power_w", "time"]):
        pq.write_table(pa.table([moments, column], names), path)
        ledger = Ledger("one column")
        ledger.count(b"", lambda: tables.dry_import(path))
        assert not ledger.faults, ledger.report()


def test_addresses_of_channels(monkeypatch: pytest.MonkeyPatch) -> None:
    # The name of a channel is made slow on purpose; what is tried here is the address behind it.
    monkeypatch.setattr("heatdrift.daemon.channels.SLOW_HASH", {"n": 2, "r": 1, "p": 1, "dklen": 4})

    def one(ledger: Ledger, rng: random.Random, _number: int) -> None:
        url = texts.bad_url(rng)
        ledger.count(url.encode("utf-8", "surrogatepass"), lambda: texts.check_urls([url]))

    ledger = run_campaign("channel address", share(0.05, 100), one)
    LEDGERS.append(ledger)
    assert not ledger.faults, ledger.report()
    assert ledger.n_answered == ledger.n_injected  # a bad address becomes a channel that says so


def test_documents_beside_monthly_reports(folder: Path) -> None:
    good = {
        "schema": "heatdrift-report/1",
        "machine": {"uuid": "u", "name": "wren"},
        "state": "watch",
        "finding": "f",
    }
    page = folder / "2026-03.html"
    page.write_text("<p>a report</p>")
    document = page.with_suffix(".json")

    def one(ledger: Ledger, rng: random.Random, _number: int) -> None:
        changed = json.loads(json.dumps(good))
        place = rng.choice([changed, changed, changed["machine"]])
        place[rng.choice([*place, "more"])] = hostile_value(rng)
        raw = json.dumps(changed if rng.random() < 0.9 else hostile_value(rng)).encode()
        if rng.random() < 0.1:
            raw = rng.choice([b"[" * 100_000, b'{"a":' * 50_000, b"9" * 5_000, b"NaN", b"", b"\xff"])
        document.write_bytes(bad_bytes(rng, raw) if rng.random() < 0.3 else raw)
        ledger.count(raw, partial(texts.check_reports_folder, folder))

    ledger = run_campaign("report document", share(0.05, 100), one)
    LEDGERS.append(ledger)
    assert not ledger.faults, ledger.report()
    assert ledger.n_answered == ledger.n_injected  # whatever lies beside a page, the index is made
    shutil.rmtree(folder)


def test_records(tmp_path: Path) -> None:
    weights, commands = zip(*records.COMMANDS, strict=True)
    with tempfile.TemporaryDirectory(prefix="hd-bad-", dir=records.memory_folder(tmp_path)) as name:
        folder = Path(name)

        def one(ledger: Ledger, rng: random.Random, _number: int) -> None:
            path, said = records.spoiled(rng, folder)
            command = rng.choices(commands, weights)[0]
            if rng.random() < 0.05:
                ledger.count(f"guard after {said}".encode(), lambda: records.check_guard(path))
                return
            if rng.random() < 0.1:
                is_thorough = rng.random() < 0.5
                given = f"doctor after {said}".encode()
                ledger.count(given, lambda: records.check_doctor(path, folder, is_thorough=is_thorough))
                return
            given = f"{' '.join(command)} after {said}".encode()
            ledger.count(given, lambda: records.check_command(path, folder, command))

        settle(run_campaign("database content", share(0.02, 40), one))


@pytest.mark.parametrize("year", [1970, 2100, 9990])
@pytest.mark.parametrize("table", ["source_sample", "probe_sample"])
def test_a_row_of_a_clock_that_was_wrong_by_years(table: str, year: int, tmp_path: Path) -> None:
    """One row centuries away is one row: nothing goes through the weeks and nights between."""
    path = tmp_path / "copy.sqlite"
    shutil.copyfile(records.good_record(), path)
    moment_ms = round(datetime(year, 1, 1, tzinfo=UTC).timestamp() * 1000)
    with closing(sqlite3.connect(path)) as connection, connection:
        newest = f"SELECT max(time_utc_ms) FROM {table}"
        last_ms = connection.execute(newest).fetchone()[0]
        key = connection.execute(f"SELECT * FROM {table} WHERE time_utc_ms = ?", (last_ms,)).fetchone()
        name, number = ("source_id", key[0]) if table == "source_sample" else ("channel_id", key[1])
        statement = f"UPDATE {table} SET time_utc_ms = ? WHERE time_utc_ms = ? AND {name} = ?"
        assert connection.execute(statement, (moment_ms, last_ms, number)).rowcount == 1
    for command in (("export", "{folder}/table.csv"), ("backtest",)):
        with no_hang():
            done = records.invoke(path, tmp_path, command)
        assert done.exit_code == 0, done.output
    years = {line[:4] for line in (tmp_path / "table.csv").read_text().splitlines()[1:]}
    assert str(year) in years
    assert len(years) == 2


@pytest.mark.parametrize(
    "command", [("export", "{folder}/table.csv"), ("verdict",)], ids=["export", "verdict"]
)
def test_a_sealed_table_that_claims_millennia_is_none(command: tuple[str, ...], tmp_path: Path) -> None:
    path = tmp_path / "copy.sqlite"
    shutil.copyfile(records.good_record(), path)
    with closing(sqlite3.connect(path)) as connection, connection:
        connection.execute("UPDATE sealed_day SET last_day = '9999-12-31'")
    with no_hang():
        done = records.invoke(path, tmp_path, command)
    assert done.exit_code == EXIT_DAMAGED
    assert "reaches from" in done.stderr


def test_options_and_arguments(tmp_path: Path) -> None:
    with tempfile.TemporaryDirectory(prefix="hd-bad-", dir=records.memory_folder(tmp_path)) as name:
        folder = Path(name)

        def one(ledger: Ledger, rng: random.Random, _number: int) -> None:
            path = folder / "copy.sqlite"
            shutil.copyfile(records.good_record(), path)
            words = records.hostile_words(rng)
            given = json.dumps(words).encode()
            ledger.count(given, lambda: records.check_command(path, folder, words))

        settle(run_campaign("option, argument", share(0.004, 20), one))
