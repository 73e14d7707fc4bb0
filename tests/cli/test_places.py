"""Where things lie, and who this machine is."""

from __future__ import annotations

import uuid
from pathlib import Path

import pytest

from heatdrift.cli.places import default_database, is_there, machine_uuid
from heatdrift.store.errors import StoreError

MACHINE_ID = "0123456789abcdef0123456789abcdef"


def test_identity_is_lasting_and_does_not_give_the_system_s_own_away(tmp_path: Path) -> None:
    file = tmp_path / "machine-id"
    file.write_text(MACHINE_ID + "\n")
    found = machine_uuid(tmp_path, file)
    assert found == machine_uuid(tmp_path / "elsewhere", file)
    assert uuid.UUID(found).version == 5
    assert uuid.UUID(found).hex != MACHINE_ID
    assert not (tmp_path / "machine.uuid").exists()


@pytest.mark.parametrize("text", [None, "", "uninitialized\n"])
def test_without_a_system_identity_one_is_kept(tmp_path: Path, text: str | None) -> None:
    file, state = tmp_path / "machine-id", tmp_path / "state"
    if text is not None:
        file.write_text(text)
    first = machine_uuid(state, file)
    assert machine_uuid(state, file) == first
    assert (state / "machine.uuid").read_text() == first + "\n"


def test_kept_identity_that_cannot_be_read_is_never_replaced(tmp_path: Path) -> None:
    kept = tmp_path / "machine.uuid"
    kept.write_text("rubbish")
    with pytest.raises(StoreError, match=r"machine\.uuid"):
        machine_uuid(tmp_path, tmp_path / "none")
    assert kept.read_text() == "rubbish"


def test_service_manager_says_where_the_record_is() -> None:
    found = default_database({"STATE_DIRECTORY": "/var/lib/heatdrift:/var/lib/other"})
    assert found == ("/var/lib/heatdrift/record.sqlite", "STATE_DIRECTORY")


def test_a_file_below_a_file_is_not_there(tmp_path: Path) -> None:
    (tmp_path / "file").touch()
    assert not is_there(tmp_path / "file" / "below")
    assert is_there(tmp_path / "file")
