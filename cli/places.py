"""Where things lie when nobody says otherwise: settings, database, identity of the machine."""

from __future__ import annotations

import os
import uuid
from collections.abc import Mapping
from pathlib import Path

import platformdirs

from ..daemon import unit
from ..store.errors import StoreError
from ..store.sqlite_file import FILE_MODE, make_folder

MACHINE_ID_FILE = Path("/etc/machine-id")
# machine-id(5): never hand the id itself out; a value derived under one's own name is safe to store.
APPLICATION = uuid.UUID("5f0cdb2e-43a5-5b0c-9a50-1f2b6d0a7c11")
UUID_FILE_NAME = "machine.uuid"
SYSTEM_UNIT = Path("/etc/systemd/system") / unit.UNIT_NAME


def default_settings_file(environment: Mapping[str, str]) -> Path:
    """The owner's settings file, else the one of the system service where it is installed.

    Parameters
    ----------
    environment
        Variables of the process.
    """
    own = platformdirs.user_config_path("heatdrift") / "settings.toml"
    system = Path(unit.SETTINGS_FILE)
    return system if not is_there(own) and is_service_installed() else own


def default_database(environment: Mapping[str, str]) -> tuple[str, str]:
    """Path of the database, and in words why it is there.

    Parameters
    ----------
    environment
        ``STATE_DIRECTORY`` is set by the service manager for the system service.
    """
    state = environment.get("STATE_DIRECTORY", "").split(":")[0]
    if state:
        return str(Path(state) / unit.DATABASE_NAME), "STATE_DIRECTORY"
    if is_service_installed():
        return str(unit.STATE_FOLDER / unit.DATABASE_NAME), "default of the system service"
    return str(user_folder() / unit.DATABASE_NAME), "default"


def user_folder() -> Path:
    """Folder of this user's records."""
    return platformdirs.user_data_path("heatdrift")


def fake_database(kind: str, seed: int) -> str:
    """Database of an invented machine, so that its rows never lie among real ones."""
    return str(user_folder() / f"fake-{kind}-{seed}.sqlite")


def is_there(path: Path) -> bool:
    """Whether a file exists; one in a folder that we may not enter counts as absent."""
    try:
        return path.exists()
    except OSError:
        return False


def is_service_installed() -> bool:
    """Whether the system service is installed, so that its files are the ones meant."""
    return is_there(SYSTEM_UNIT)


def machine_uuid(state_folder: Path, machine_id_file: Path = MACHINE_ID_FILE) -> str:
    """A lasting identity of this machine that does not give the system's own identity away.

    Parameters
    ----------
    state_folder
        Where an identity is kept on a system that has none.
    machine_id_file
        The system's own identity.

    Raises
    ------
    StoreError
        There is none, and none can be kept.
    """
    try:
        system_id = machine_id_file.read_text(encoding="ascii").strip()
    except (OSError, UnicodeDecodeError):
        system_id = ""
    if len(system_id) == 32:
        return str(uuid.uuid5(APPLICATION, system_id))
    return _kept_uuid(state_folder / UUID_FILE_NAME)


def fake_machine_uuid(kind: str, seed: int) -> str:
    """Identity of an invented machine: the same kind and seed are the same machine."""
    return str(uuid.uuid5(APPLICATION, f"fake {kind} {seed}"))


def _for_owner_alone(path: str, flags: int) -> int:
    return os.open(path, flags, FILE_MODE)


def _kept_uuid(path: Path) -> str:
    try:
        return str(uuid.UUID(path.read_text(encoding="ascii").strip()))
    except FileNotFoundError:
        pass
    except (OSError, ValueError) as error:
        raise StoreError(
            f"the identity of this machine in {path} cannot be read", remedy="make it readable, or restore it"
        ) from error
    new = str(uuid.uuid4())
    try:
        make_folder(path.parent)
        with open(path, "x", encoding="ascii", opener=_for_owner_alone) as file:
            file.write(new + "\n")
    except OSError as error:
        raise StoreError(
            f"the identity of this machine cannot be kept in {path}", remedy="make the folder writable"
        ) from error
    return new
