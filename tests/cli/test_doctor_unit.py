"""A service that was installed without network cannot send; ``doctor`` says so."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import pytest

from heatdrift.cli import doctor_unit
from heatdrift.cli.doctor_unit import check_unit
from heatdrift.cli.service import unit_facts
from heatdrift.daemon import unit
from heatdrift.store.errors import SettingsError


@pytest.fixture
def facts() -> unit.UnitFacts:
    """Of a service without channels."""
    return replace(unit_facts(False, None, None), needs_network=False)


@pytest.mark.parametrize(
    ("had", "needs", "is_told"), [(False, True, True), (False, False, False), (True, True, False)]
)
def test_a_channel_named_later_needs_a_new_unit(
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
    facts: unit.UnitFacts,
    had: bool,
    needs: bool,
    is_told: bool,
) -> None:
    monkeypatch.setattr(doctor_unit, "unit_facts", lambda *_: replace(facts, needs_network=needs))
    assert list(check_unit(tmp_path)) == []  # none is installed
    folder = tmp_path / "etc/systemd/system"
    folder.mkdir(parents=True)
    (folder / unit.UNIT_NAME).write_text(unit.system_unit(replace(facts, needs_network=had)))
    found = list(check_unit(tmp_path))
    assert [one.state for one in found] == ["act"] * is_told
    assert all("service install" in one.remedy for one in found)


def test_settings_that_cannot_be_read_are_said(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, facts: unit.UnitFacts
) -> None:
    def wrong(*_: object) -> unit.UnitFacts:
        raise SettingsError("the room is no number", remedy="write one")

    folder = tmp_path / "etc/systemd/system"
    folder.mkdir(parents=True)
    (folder / unit.UNIT_NAME).write_text(unit.system_unit(facts))
    monkeypatch.setattr(doctor_unit, "unit_facts", wrong)
    assert [(one.said, one.remedy) for one in check_unit(tmp_path)] == [
        ("the room is no number", "write one")
    ]
