"""The folder of monthly reports: every finished month once, none missed, an index over all."""

from __future__ import annotations

from datetime import UTC, datetime
from pathlib import Path

import pytest
from click.testing import CliRunner

from heatdrift.cli import monthly_reports
from heatdrift.cli.history import open_history
from heatdrift.cli.main import heatdrift
from heatdrift.cli.monthly_reports import (
    finished_months,
    month_span_utc_ms,
    report_folder,
    write_missing_months,
)
from heatdrift.cli.report_making import MadeReport
from heatdrift.cli.report_writing import write_report
from heatdrift.cli.settings import load
from heatdrift.reports.monthly_settings import MonthlySettings
from heatdrift.reports.reference_conditions import ReferenceConditions
from heatdrift.store.errors import SettingsError, StoreError
from heatdrift.store.message import Lane
from heatdrift.store.outbox import Outbox

from .nightly_world import copy_of_world


def utc_ms(text: str) -> int:
    return round(datetime.fromisoformat(text).replace(tzinfo=UTC).timestamp() * 1000)


def test_only_months_that_are_over_and_have_readings_are_due() -> None:
    record = utc_ms("2025-11-30T23:00"), utc_ms("2026-02-02T08:00")
    assert finished_months(record, utc_ms("2026-02-28T23:59")) == ["2025-11", "2025-12", "2026-01"]
    assert finished_months(record, utc_ms("2026-03-01T00:00"))[-1] == "2026-02"
    assert finished_months(record, utc_ms("2027-01-01T00:00"))[-1] == "2026-02"
    assert finished_months(record, utc_ms("2025-11-30T23:30")) == []


def test_a_month_ends_where_the_next_begins() -> None:
    assert month_span_utc_ms("2025-12") == (utc_ms("2025-12-01"), utc_ms("2026-01-01"))
    assert month_span_utc_ms("2024-02") == (utc_ms("2024-02-01"), utc_ms("2024-03-01"))
    for wrong in ("2026-13", "2026-1", "26-01", "march", "1969-12", "9999-12", "2026-01-01"):
        with pytest.raises(SettingsError, match="2026-03"):
            month_span_utc_ms(wrong)


def test_the_folder_lies_beside_the_database_unless_it_is_named(tmp_path: Path) -> None:
    assert report_folder(MonthlySettings(), str(tmp_path / "record.sqlite")) == tmp_path / "reports"
    assert report_folder(MonthlySettings(tmp_path / "x"), "postgresql://h/d") == tmp_path / "x"


def test_each_month_is_written_once_with_an_index_and_told_where_asked(tmp_path: Path) -> None:
    database = copy_of_world(tmp_path)
    settings = MonthlySettings(tmp_path / "reports", is_sent=True)
    conditions = ReferenceConditions()
    with open_history(load(database=database, environment={}), None) as history:
        outbox = Outbox(history.writing, history.reader.machine_id)
        during, after = utc_ms("2026-01-30"), utc_ms("2026-02-03")
        assert write_missing_months(history, database, conditions, settings, during) == []
        (page,) = write_missing_months(history, database, conditions, settings, after)
        assert page.name == "2026-01.html" and "2026-01" in page.read_text(encoding="utf-8")
        assert "2026-01.html" in (page.parent / "index.html").read_text(encoding="utf-8")
        assert page.parent.parent == tmp_path / "reports"
        assert write_missing_months(history, database, conditions, settings, after) == []
        (told,) = [one.message for one in outbox.messages() if one.message.lane is Lane.REPORT]
        assert "2026-01" in told.subject and "gpu0: interface part up" in told.body
        # A page that was lost is made again, and what was told is not told twice.
        page.unlink()
        assert write_missing_months(history, database, conditions, settings, after) == [page]
        assert len([one for one in outbox.messages() if one.message.lane is Lane.REPORT]) == 1


def test_a_writer_that_is_killed_at_the_page_or_the_index_is_made_good(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The message is queued before the page says that the month is done, and the index is looked at anew."""
    database = copy_of_world(tmp_path)
    settings = MonthlySettings(tmp_path / "reports", is_sent=True)
    after = utc_ms("2026-02-03")
    with open_history(load(database=database, environment={}), None) as history:
        arguments = history, database, ReferenceConditions(), settings, after
        outbox = Outbox(history.writing, history.reader.machine_id)

        def write(made: MadeReport, name: str, path: Path) -> None:
            if name == "html":
                raise KeyboardInterrupt
            write_report(made, name, path)

        with monkeypatch.context() as patched:
            patched.setattr(monthly_reports, "write_report", write)
            with pytest.raises(KeyboardInterrupt):
                write_missing_months(*arguments)
        (page,) = write_missing_months(*arguments)
        assert len([one for one in outbox.messages() if one.message.lane is Lane.REPORT]) == 1
        index = page.parent / "index.html"
        whole = index.read_text(encoding="utf-8")
        for harm in (index.unlink, lambda: index.write_text(whole[:100], encoding="utf-8")):
            harm()
            assert write_missing_months(*arguments) == []
            assert index.read_text(encoding="utf-8") == whole


def test_a_folder_that_cannot_be_made_is_said(tmp_path: Path) -> None:
    database = copy_of_world(tmp_path)
    (tmp_path / "file").write_text("")
    with open_history(load(database=database, environment={}), None) as history:
        settings = MonthlySettings(tmp_path / "file")
        with pytest.raises(StoreError, match="cannot be written"):
            write_missing_months(history, database, ReferenceConditions(), settings, utc_ms("2026-02-03"))


def test_the_command_of_the_service_writes_what_is_missing_and_says_so(tmp_path: Path) -> None:
    database = copy_of_world(tmp_path)
    words = ["report", "--monthly", "--database", database]
    first = CliRunner().invoke(heatdrift, words, catch_exceptions=False)
    folder = tmp_path / "reports"
    (page,) = folder.rglob("2026-01.html")
    assert first.exit_code == 0 and first.stdout == f"written: {page}\n"
    assert {path.name for path in page.parent.iterdir()} == {"2026-01.html", "2026-01.json", "index.html"}
    again = CliRunner().invoke(heatdrift, words, catch_exceptions=False)
    assert again.exit_code == 0 and again.stdout == "no finished month is missing\n"
