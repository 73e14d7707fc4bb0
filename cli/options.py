"""Options that several commands share."""

from __future__ import annotations

import functools
import os
import re
from collections.abc import Callable
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import click

from ..store.shown_url import has_password
from .fake_machine import Fake
from .settings import load
from .speech import complain

SEEN_BY_ALL = (
    "everyone here can see the password in the list of processes: leave it out and write it into ~/.pgpass, "
    "or put the whole URL into the settings or HEATDRIFT_DATABASE"
)
Command = Callable[..., Any]
SPAN = re.compile(r"^\s*(\d+(?:\.\d+)?)\s*(s|min|h|d)\s*$")
SPAN_S = {"s": 1.0, "min": 60.0, "h": 3600.0, "d": 86_400.0}


def settings_options(command: Command) -> Command:
    """Add --database and --settings; the command receives the `Settings` in force as ``settings``."""

    @functools.wraps(command)
    def with_settings(database: str | None, settings_file: Path | None, **others: Any) -> Any:
        settings = load(database=database, settings_file=settings_file, environment=os.environ)
        if database and has_password(database):
            complain(SEEN_BY_ALL)
        return command(settings=settings, **others)

    return place_options(with_settings)


def place_options(command: Command) -> Command:
    """Add --database and --settings as they are, None where not given."""
    database = click.option(
        "--database",
        metavar="URL",
        help="The database, a file or postgresql://..., instead of the one in the settings.",
    )
    settings_file = click.option(
        "--settings",
        "settings_file",
        metavar="FILE",
        type=click.Path(path_type=Path),
        help="The settings file, instead of the usual one.",
    )
    return database(settings_file(command))


def json_option(command: Command) -> Command:
    """Add --json, given to the command as ``as_json``."""
    return click.option("--json", "as_json", is_flag=True, help="Print for programs instead of people.")(
        command
    )


def exit_code_option(when: str = "a heat path does not hold") -> Callable[[Command], Command]:
    """Add --exit-code, given to the command as ``wants_exit_code``; ``when`` says what it tells of."""
    return click.option(
        "--exit-code",
        "wants_exit_code",
        is_flag=True,
        help=f"End with status 1 where {when}, for scripts.",
    )


def json_file_option(what: str) -> Callable[[Command], Command]:
    """Add --json FILE, given to the command as ``json_file``; ``what`` begins its help."""
    return click.option(
        "--json",
        "json_file",
        metavar="FILE",
        type=click.Path(path_type=Path, dir_okay=False, allow_dash=True),
        help=f"{what} for programs; - for standard output.",
    )


def fake_options(command: Command) -> Command:
    """Add --fake and --seed; the command receives ``fake``, None for the real machine."""

    @functools.wraps(command)
    def with_fake(fake_kind: str | None, seed: int | None, **others: Any) -> Any:
        if fake_kind is None and seed is not None:
            raise click.UsageError("--seed needs --fake: a real machine is what it is")
        fake = None if fake_kind is None else Fake(fake_kind, 1 if seed is None else seed)
        return command(fake=fake, **others)

    kind = click.option(
        "--fake",
        "fake_kind",
        type=click.Choice(["laptop", "desktop"]),
        help="An invented machine instead of this one.",
    )
    seed = click.option(
        "--seed", type=click.IntRange(0), help="With --fake: which of them; the default is 1."
    )
    return kind(seed(with_fake))


def machine_option(command: Command) -> Command:
    """Add --machine, None where the database holds one machine or the latest is meant."""
    return click.option("--machine", metavar="NAME", help="Which machine, by name or UUID.")(command)


class Moment(click.ParamType[datetime]):
    """A moment: RFC 3339, or a date, which means its first moment in UTC."""

    name = "time"

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> datetime:
        if isinstance(value, datetime):
            return value
        try:
            moment = datetime.fromisoformat(str(value))
        except ValueError:
            self.fail(f"{value!r} is no date; write 2026-03-01 or 2026-03-01T18:30:00Z", param, ctx)
        if moment.tzinfo is None:
            if len(str(value)) > len("2026-03-01"):
                self.fail(f"{value!r} has no time zone; end it with Z or +02:00", param, ctx)
            return moment.replace(tzinfo=UTC)
        try:
            return moment.astimezone(UTC)
        except OverflowError:
            self.fail(f"{value!r} lies outside every calendar", param, ctx)


class Span(click.ParamType[float]):
    """A length of time such as 90s, 10min, 8h or 2d, in seconds."""

    name = "span"

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> float:
        if isinstance(value, float):
            return value
        match = SPAN.match(str(value))
        if match is None or not float(match[1]):
            self.fail(f"{value!r} is no length of time; write 90s, 10min, 8h or 2d", param, ctx)
        return float(match[1]) * SPAN_S[match[2]]
