"""Which machine a record is of; by itself, so that who only reads a record need not load the service."""

from __future__ import annotations

from ..store.database import parse_url, sqlite_path
from .fake_machine import Fake
from .places import fake_machine_uuid, machine_uuid, user_folder
from .settings import Settings


def identity(settings: Settings, fake: Fake | None = None) -> str:
    """UUID of the machine that is recorded."""
    if fake is not None:
        return fake_machine_uuid(fake.kind, fake.seed)
    path = sqlite_path(parse_url(settings.database))
    return machine_uuid(path.absolute().parent if path else user_folder())
