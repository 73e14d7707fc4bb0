"""``backtest``: alerts night by night, none from later days, and nothing is stored."""

from __future__ import annotations

import json
import sqlite3
from contextlib import closing
from pathlib import Path
from typing import Any

import pandas as pd
import pytest
from click.testing import CliRunner, Result

from heatdrift.cli.main import heatdrift as cli
from heatdrift.fake_sensors.machine import START_UTC_MS

from .nightly_world import CHANGED_ON_DAY, DAY_MS, change, copy_of_world

# Just before the first alert: earlier nights cost a judgement each and say nothing.
FROM = "2026-01-19"
KEPT = ("verdict", "message", "message_delivery", "journal_entry")


def run(*arguments: str) -> Result:
    return CliRunner().invoke(cli, ["backtest", *arguments], catch_exceptions=False)


def alerts(database: str, *arguments: str) -> dict[str, Any]:
    done = run("--json", "-", "--database", database, "--from", FROM, *arguments)
    assert done.exit_code == 0, done.output
    document: dict[str, Any] = json.loads(done.stdout)
    return document


@pytest.fixture(scope="module")
def database(tmp_path_factory: pytest.TempPathFactory) -> str:
    return copy_of_world(tmp_path_factory.mktemp("backtest"))


@pytest.fixture(scope="module")
def whole(database: str) -> dict[str, Any]:
    return alerts(database)


def test_alerts_come_in_order_and_after_the_change(whole: dict[str, Any]) -> None:
    assert (whole["schema"], whole["from"], whole["to"]) == ("heatdrift-backtest/1", FROM, "2026-01-24")
    assert whole["nights"] == 6
    raised = [pd.Timestamp(one["raised"]) for one in whole["alerts"]]
    assert raised == sorted(raised)
    changed = pd.Timestamp(START_UTC_MS + CHANGED_ON_DAY * DAY_MS, unit="ms", tz="UTC")
    assert changed < raised[0]
    gpu = [one for one in whole["alerts"] if one["source"] == "gpu0"]
    assert [(one["cause"], one["shape"], one["state"]) for one in gpu] == [("interface", "step", "act")]
    for one in whole["alerts"]:
        assert pd.Timestamp(one["raised"]) == pd.Timestamp(one["night"], tz="UTC") + pd.Timedelta(days=1)
        assert pd.Timestamp(one["onset"]) < pd.Timestamp(one["raised"])


def test_what_came_later_moves_no_alert(whole: dict[str, Any], database: str, tmp_path: Path) -> None:
    last = whole["alerts"][-1]["night"]
    before = [one for one in whole["alerts"] if one["night"] < last]
    assert before  # else this would say nothing
    shorter = alerts(database, "--to", last)  # up to the midnight before
    assert shorter["alerts"] == before
    assert pd.Timestamp(shorter["to"]) + pd.Timedelta(days=1) == pd.Timestamp(last)
    # The same where the later days were never recorded.
    cut = copy_of_world(tmp_path)
    end_ms = round(pd.Timestamp(last, tz="UTC").timestamp() * 1000)
    for table in ("source_sample", "probe_sample"):
        change(cut, f"DELETE FROM {table} WHERE time_utc_ms >= {end_ms}")
    again = alerts(cut)["alerts"]
    assert len(again) == len(before)
    for one, other in zip(again, before, strict=True):
        # One day fewer was worked through in one go: sums differ in their last digits.
        numbers = one.pop("change_pct"), *one.pop("change_ci95_pct")
        assert numbers == pytest.approx((other.pop("change_pct"), *other.pop("change_ci95_pct")), rel=1e-9)
        assert one == other


def test_nothing_is_stored(whole: dict[str, Any], database: str) -> None:
    assert whole["alerts"]
    with closing(sqlite3.connect(database)) as connection:
        for table in KEPT:
            assert connection.execute(f"SELECT count(*) FROM {table}").fetchone() == (0,), table


def test_people_see_a_table(database: str) -> None:
    quiet = run("--database", database, "--to", "2026-01-04")
    assert quiet.stdout == "no alert in 3 nights\n"


def test_a_period_that_ends_before_it_begins(database: str) -> None:
    done = run("--database", database, "--from", "2026-01-10", "--to", "2026-01-05")
    assert done.exit_code == 2
    assert "the period ends before it begins: correct --from and --to" in done.stderr
