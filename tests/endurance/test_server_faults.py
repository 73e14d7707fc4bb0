"""A database on a server that is restarted, away for a day, or slow: nothing is lost, the looks go on."""

from __future__ import annotations

import os
import random
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest
from sqlalchemy import create_engine
from sqlalchemy.engine import make_url

from heatdrift.store.database import open_reader, open_writer
from heatdrift.store.delivery import open_patiently
from heatdrift.store.errors import NewerSchemaError, StoreError
from heatdrift.store.reader import Reader
from heatdrift.store.records import Batch, GapReason, SourceSample
from heatdrift.store.schema import REVISIONS, alembic_version
from heatdrift.store.spool import waiting
from heatdrift.store.spool_entries import draft
from heatdrift.store.units import SOURCE_QUANTITIES

from .process_ledger import CAMPAIGN, Ledger, n_injections
from .server_campaign import Campaign, Server
from .server_child import START_UTC_MS
from .server_proxy import Wire
from .server_rig import PATIENCE_S, ServerRig, reckon

DAY_S = 86_400.0
HOUR_S = 3600.0
SEED = 20261126
SHORT = 4  # injections of each fault in the ordinary suite


@pytest.fixture
def wire(postgres_server: str) -> Iterator[Wire]:
    folder = make_url(postgres_server).query["host"]
    found = Wire(Path(str(folder)) / ".s.PGSQL.5432")
    found.mend()
    yield found
    found.close()


@pytest.fixture
def folder() -> Iterator[Path]:
    """In memory where there is one: a spool that is written a thousand times a second is none for a disk."""
    memory = Path("/dev/shm")
    with tempfile.TemporaryDirectory(prefix="heatdrift-", dir=memory if memory.is_dir() else None) as name:
        yield Path(name)


@pytest.fixture
def rig(wire: Wire, postgres_url: str, folder: Path) -> Iterator[ServerRig]:
    rig = ServerRig(folder, through(wire, postgres_url))
    yield rig
    wire.delay_s, wire.is_silent = 0.0, False
    rig.leave()


def through(wire: Wire, url: str) -> str:
    """The same database, reached through the wire."""
    parsed = make_url(url)
    query = {key: value for key, value in parsed.query.items() if key != "host"}
    there = parsed.set(host="127.0.0.1", port=wire.port, query=query)
    return there.render_as_string(hide_password=False)


def n_looks(rig: ServerRig) -> int:
    return sum(row.n_looks for batch in rig.given for row in batch.sources)


def test_server_that_is_away_for_a_day(rig: ServerRig, wire: Wire, caplog: pytest.LogCaptureFixture) -> None:
    caplog.set_level("INFO")
    rig.at(HOUR_S, wire.cut)
    rig.at(HOUR_S + DAY_S, wire.mend)
    assert rig.run(2 * HOUR_S + DAY_S) == 0
    rig.bring_home()
    found = reckon(rig.url, rig.given)
    assert found[1:] == (0, 0, 0)
    assert found.n_written > 5000
    assert [gap for batch in rig.given for gap in batch.gaps] == []
    assert caplog.text.count("rows wait in") == 1
    assert caplog.text.count("the server takes rows again") == 1
    assert rig.spool.path.stat().st_size < 400_000  # what waited for a day has left the file again


def test_server_that_takes_connections_and_says_nothing(
    rig: ServerRig, wire: Wire, caplog: pytest.LogCaptureFixture
) -> None:
    """It speaks again only after hours of the service's own clock: waiting for it would be for ever."""
    rig.deadline_s = 0.2
    rig.at(HOUR_S, lambda: setattr(wire, "is_silent", True))
    rig.at(6 * HOUR_S, lambda: setattr(wire, "is_silent", False))
    assert rig.run(7 * HOUR_S) == 0
    rig.bring_home()
    assert reckon(rig.url, rig.given)[1:] == (0, 0, 0)
    assert n_looks(rig) == rig.card.n_looks


def test_start_without_the_server(rig: ServerRig, wire: Wire, caplog: pytest.LogCaptureFixture) -> None:
    """Neither tables nor numbers of channels are there yet; all of it arrives when the server does."""
    wire.cut()
    rig.at(3 * HOUR_S, wire.mend)
    assert rig.run(4 * HOUR_S) == 0
    rig.bring_home()
    found = reckon(rig.url, rig.given)
    assert found[1:] == (0, 0, 0)
    assert n_looks(rig) == rig.card.n_looks
    assert "cannot be reached" in caplog.text


def test_start_that_knows_nothing_of_a_long_record(rig: ServerRig, wire: Wire) -> None:
    """Spool lost, server away, kernel changed meanwhile: the silence and the change are told all the same."""
    assert rig.run(2 * HOUR_S) == 0
    rig.bring_home()
    rig.leave()
    rig.spool.path.unlink()
    last_ms = max(row.time_utc_ms for batch in rig.given for row in batch.sources)
    rig.clock.turn(DAY_S)
    start_ms = rig.clock.wall_utc_ms()
    rig.card.kernel = "6.2"
    wire.cut()
    rig.at(HOUR_S, wire.mend)
    assert rig.run(2 * HOUR_S) == 0
    rig.bring_home()
    database = open_reader(rig.url)
    reader = Reader(database)
    gaps, changes = reader.gaps(), reader.identity_changes()
    database.close()
    assert [(gap.from_utc_ms, gap.to_utc_ms, gap.reason) for gap in gaps] == [
        (last_ms, start_ms, GapReason.STOPPED)
    ]
    assert [(one.before, one.after) for one in changes] == [(None, "6.1"), ("6.1", "6.2")]


def test_every_start_tells_of_the_time_before_it(rig: ServerRig, wire: Wire) -> None:
    """Also where rows of the life before still wait, so that the server knows less than the spool."""
    assert rig.run(HOUR_S) == 0
    wire.cut()
    for _ in range(3):
        rig.clock.turn(600.0)
        assert rig.run(HOUR_S) == 0
    wire.mend()
    rig.bring_home()
    assert reckon(rig.url, rig.given)[1:] == (0, 0, 0)
    gaps = [gap for batch in rig.given for gap in batch.gaps]
    assert [gap.reason for gap in gaps] == [GapReason.STOPPED] * 3
    # From the newest row to the start: ten minutes, and what a mean of the last minute reaches back.
    assert all(600 <= (gap.to_utc_ms - gap.from_utc_ms) / 1000 < 700 for gap in gaps)


def test_tables_of_an_earlier_version_met_only_later(rig: ServerRig, wire: Wire, postgres_url: str) -> None:
    """The courier asks for the upkeep by itself, and then everything arrives."""
    assert rig.run(HOUR_S) == 0
    rig.bring_home()
    engine = create_engine(postgres_url)

    def set_revision(revision: str) -> None:
        with engine.begin() as connection:
            connection.execute(alembic_version.update().values(version_num=revision))

    set_revision(REVISIONS[0])
    n_upkeeps = []

    def migrate() -> None:
        n_upkeeps.append(1)
        set_revision(REVISIONS[-1])

    wire.cut()
    rig.at(HOUR_S, wire.mend)
    assert rig.run(2 * HOUR_S, migrate=migrate) == 0
    rig.bring_home()
    engine.dispose()
    assert n_upkeeps == [1]
    assert reckon(rig.url, rig.given)[1:] == (0, 0, 0)


def test_row_that_the_server_does_not_take(
    rig: ServerRig, wire: Wire, caplog: pytest.LogCaptureFixture
) -> None:
    """It is kept in the spool and stops nobody: everything before and after it arrives."""
    odd = SourceSample(START_UTC_MS, "gpu0", (2**40,) + (None,) * (len(SOURCE_QUANTITIES) - 1), None, 0, 1, 0)

    def slip_in() -> None:
        rig.spool.append([draft(Batch((odd,)), START_UTC_MS)])

    rig.at(HOUR_S, wire.cut)
    rig.at(2 * HOUR_S, slip_in)
    rig.at(3 * HOUR_S, wire.mend)
    assert rig.run(4 * HOUR_S) == 0
    rig.bring_home()
    assert reckon(rig.url, rig.given)[1:] == (0, 0, 0)
    assert rig.spool.backlog().n_set_aside == 1
    assert "is kept in the spool, because the server does not take it" in caplog.text


def test_server_that_needs_long_to_take_a_connection(wire: Wire, postgres_url: str) -> None:
    """Its answers come so late that what is usual would never get a connection at all."""
    wire.delay_s = 6.0
    url = through(wire, postgres_url)
    with pytest.raises(StoreError, match="cannot be reached"):
        open_writer(url)
    database = open_patiently(url, lambda _connection: setattr(wire, "delay_s", 0.0))
    with database.begin() as connection:
        assert connection.exec_driver_sql("SELECT 1").scalar() == 1
    database.close()


def test_tables_of_a_later_version_at_the_start(rig: ServerRig, postgres_url: str) -> None:
    """Waiting cannot help: said at once, as with a file."""
    open_writer(postgres_url).close()
    engine = create_engine(postgres_url)
    with engine.begin() as connection:
        connection.execute(alembic_version.update().values(version_num="9999"))
    engine.dispose()
    with pytest.raises(NewerSchemaError, match="update heatdrift"):
        rig.run(60.0)
    assert rig.card.n_looks == 0


def test_process_that_stops_in_front_of_a_silent_server(
    rig: ServerRig, wire: Wire, folder: Path, tmp_path: Path
) -> None:
    """A thread that waits for an answer keeps nobody from ending; the next start delivers."""
    wire.is_silent = True
    environment = {**os.environ, "XDG_DATA_HOME": str(folder)}
    command = [sys.executable, "-m", "heatdrift", "run", "--fake", "laptop", "--speed", "600"]
    command += ["--database", rig.url]

    def run(until: Callable[[Path], bool]) -> str:
        with (tmp_path / "log").open("w+") as log:
            process = subprocess.Popen(command, env=environment, stderr=log)
            until_s = time.monotonic() + PATIENCE_S
            while not until(next(iter(folder.rglob("waiting-*.sqlite")), folder / "none")):
                assert process.poll() is None and time.monotonic() < until_s, log.seek(0) or log.read()
                time.sleep(0.05)
            process.terminate()
            assert process.wait(PATIENCE_S) == 0
            log.seek(0)
            return log.read()

    assert "every row is written" in run(lambda path: path.exists() and waiting(path)[0].n_rows > 100)
    wire.is_silent = False
    said = run(lambda path: waiting(path)[0].since_utc_ms is None)
    assert "recording into postgresql" in said
    database = open_reader(rig.url)
    frame = Reader(database).source_frame("cpu0")
    database.close()
    assert len(frame) > 5
    assert frame.index.is_unique


@pytest.mark.parametrize("fault", ["restarted", "unreachable", "slow", "silent", "deaf"])
def test_campaign(fault: str, wire: Wire, postgres_server: str, postgres_url: str, folder: Path) -> None:
    """The recorder is killed in half of all injections, and lives a day of its clock in some five seconds."""
    server = Server(postgres_server)
    ledger = Ledger(f"a server that is {fault}", SEED)
    campaign = Campaign(
        fault, wire, server, through(wire, postgres_url), folder, random.Random(f"{SEED} {fault}")
    )
    n = n_injections(SHORT)
    campaign.run(n, ledger)
    ledger.show()
    print(
        f"{campaign.n_written} rows written, {campaign.n_doubled} doubled, {campaign.n_kills} kills, "
        f"{server.n_restarts} restarts, {server.n_ended} sessions ended, {wire.n_cut} connections cut, "
        f"{wire.n_delayed} answers delayed"
    )
    count = ledger.of(fault)
    assert (count.injected, count.survived) == (n, n)
    assert (count.rows_lost, count.invented) == (0, 0)
    assert campaign.n_written > 50 * n
    if fault in ("unreachable", "silent") and CAMPAIGN:
        assert (
            count.said > 0
        )  # what costs a second try or some patience is not worth a word, so a few say nothing
