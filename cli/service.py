"""``heatdrift service``: show, install and remove the background service."""

from __future__ import annotations

import os
import sys
from pathlib import Path

import click

from ..daemon import unit
from ..store.database import parse_url, sqlite_path
from ..store.errors import SettingsError
from ..store.shown_url import has_password
from .installation import Installation
from .options import place_options
from .settings import Settings, load
from .speech import say

EPILOG = """\b
Example:
  heatdrift service show
"""
SHOW_EPILOG = """\b
Example:
  heatdrift service show
"""
INSTALL_EPILOG = """\b
Example:
  sudo "$(command -v heatdrift)" service install
"""
REMOVE_EPILOG = """\b
Example:
  sudo "$(command -v heatdrift)" service remove
"""

user_option = click.option(
    "--user",
    "for_user",
    is_flag=True,
    help="A service of your own, without root: no processor power where that needs a group, "
    "fewer walls, and it stops when you log out unless lingering is enabled.",
)


@click.group("service", epilog=EPILOG)
def command() -> None:
    """Show, install or remove the background service.

    The system service runs as a user of its own that can write nothing but its record.
    """


@command.command("show", epilog=SHOW_EPILOG)
@user_option
@place_options
def show(for_user: bool, database: str | None, settings_file: Path | None) -> None:
    """Print the service file; change nothing."""
    say(_installation(for_user, database, settings_file).unit_text, nl=False)


@command.command("install", epilog=INSTALL_EPILOG)
@user_option
@click.option(
    "--without-power-rule",
    is_flag=True,
    help="Leave out the udev rule that lets the service read the processor's power.",
)
@place_options
def install(
    for_user: bool, without_power_rule: bool, database: str | None, settings_file: Path | None
) -> None:
    """Install the service and start it, step by step."""
    installation = _installation(for_user, database, settings_file)
    installation.with_power_rule = not without_power_rule
    installation.install()


@command.command("remove", epilog=REMOVE_EPILOG)
@user_option
def remove(for_user: bool) -> None:
    """Stop it and take it away; the record stays.

    The settings and the service's user stay too."""
    _installation(for_user, None, None).remove()


def _installation(for_user: bool, database: str | None, settings_file: Path | None) -> Installation:
    return Installation(
        facts=unit_facts(for_user, database, settings_file),
        for_user=for_user,
        with_power_rule=not for_user,
        is_root=os.geteuid() == 0,
        root=Path("/"),
        home=Path.home(),
        say=say,
    )


def unit_facts(for_user: bool, database: str | None, settings_file: Path | None) -> unit.UnitFacts:
    """What the unit text depends on, as this heatdrift is installed.

    Parameters
    ----------
    for_user
        The service is one user's own.
    database, settings_file
        From options; None leaves them to the settings and to the usual place.

    Raises
    ------
    SettingsError
        The settings are wrong, or the database URL holds a password that everyone could read in the unit.
    """
    chosen = settings_file.absolute() if settings_file else None
    settings = _settings_of_the_service(for_user, database, chosen)
    url = parse_url(settings.database)
    if database and has_password(database):
        raise SettingsError(
            "everyone can read a service file, so a password has no place in it",
            remedy="put it in ~/.pgpass of the service's user",
        )
    record = sqlite_path(url)
    folder = record.absolute().parent if record else None
    is_elsewhere = folder is not None and not folder.is_relative_to(unit.STATE_FOLDER)
    return unit.UnitFacts(
        python=Path(sys.executable),
        code_folders=code_folders(),
        needs_network=record is None or bool(settings.sections["messages"]["message_urls"]),
        database=(str(record.absolute()) if record else database) if database else "",
        settings_file=chosen or (None if for_user else unit.SETTINGS_FILE),
        record_folder=folder if is_elsewhere and not for_user else None,
    )


def _settings_of_the_service(for_user: bool, database: str | None, chosen: Path | None) -> Settings:
    if for_user:
        return load(database=database, settings_file=chosen, environment=os.environ)
    # The system service never sees the variables and the home of whoever installs it.
    environment = {"STATE_DIRECTORY": str(unit.STATE_FOLDER)}
    file = Path(unit.SETTINGS_FILE)
    return load(database=database, settings_file=chosen, environment=environment, default_file=file)


def code_folders() -> tuple[Path, ...]:
    """Every folder that this interpreter reads its own and heatdrift's code from."""
    package = Path(__file__).resolve().parents[1]
    environment, base = Path(sys.prefix).resolve(), Path(sys.base_prefix).resolve()
    python = Path(sys.executable).resolve().parent
    inside = package.is_relative_to(environment)
    return (environment, base, python) if inside else (environment, base, python, package)
