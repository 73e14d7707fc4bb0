"""A database on a server that is restarted, away for a day, or slow: nothing is lost, the looks go on."""

from __future__ import annotations

import random
import tempfile
from collections.abc import Iterator
from pathlib import Path

import pytest
from sqlalchemy.engine import make_url

from .process_ledger import Ledger, n_injections
from .server_campaign import Campaign, Server
from .server_proxy import Wire
from .server_rig import ServerRig, reckon

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


@pytest.mark.parametrize("fault", ["restarted", "unreachable", "slow", "silent"])
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
    if fault in ("unreachable", "silent"):  # what costs a second try or some patience is not worth a word
        assert count.said > 0
