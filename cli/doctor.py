"""``heatdrift doctor``: whether all is in place to be watched for years, and what to do where it is not."""

from __future__ import annotations

import time
from collections.abc import Iterator
from dataclasses import asdict

import click

from ..store.errors import HeatdriftError
from . import wiring
from .damage_checks import check_damage
from .doctor_checks import Check, check_record, check_sensors, check_settings
from .doctor_unit import check_unit
from .fake_machine import Fake
from .options import exit_code_option, fake_options, json_option, settings_options
from .run import settings_for
from .settings import Settings
from .speech import say, say_json
from .tables import columns, labelled
from .wording import counted

EXIT_ACT = 1
MARKS = {"fine": "", "note": "note", "act": "DO"}
EPILOG = """\b
Example:
  heatdrift doctor
"""


@click.command("doctor", epilog=EPILOG)
@click.option("--thorough", is_flag=True, help="Read every packed table as well; takes seconds to minutes.")
@exit_code_option("something has to be done")
@fake_options
@json_option
@settings_options
@click.pass_context
def command(
    ctx: click.Context,
    *,
    settings: Settings,
    fake: Fake | None,
    as_json: bool,
    thorough: bool,
    wants_exit_code: bool,
) -> None:
    """Check permissions, sensors, record, room, clock, service, messages and baselines; say what to do.

    It reads and changes nothing.
    """
    if fake is not None:
        settings = settings_for(fake, settings)
    found = list(_checks(settings, fake, is_thorough=thorough))
    if as_json:
        say_json({"checks": [asdict(one) for one in found]})
    else:
        for line in as_lines(found):
            say(line)
    if wants_exit_code:
        ctx.exit(EXIT_ACT if any(one.state == "act" for one in found) else 0)


def as_lines(found: list[Check]) -> Iterator[str]:
    """Everything that was looked at, and below it what to do."""
    yield from columns([(one.name, MARKS[one.state], one.said) for one in found])
    to_do = [one for one in found if one.state != "fine" and one.remedy]
    urgent = [one for one in found if one.state == "act"]
    yield ""
    if not to_do:
        yield "nothing has to be done"
        return
    yield f"{counted(len(urgent), 'thing')} to do, {counted(len(to_do) - len(urgent), 'hint')}"
    for one in sorted(to_do, key=lambda check: check.state != "act"):
        yield from labelled(f"  {one.name}", one.remedy)


def _checks(settings: Settings, fake: Fake | None, *, is_thorough: bool) -> Iterator[Check]:
    now_utc_ms = time.time_ns() // 1_000_000
    yield from check_settings(settings)
    try:
        with wiring.open_doors(fake, now_utc_ms) as doors:
            layout = wiring.layout_factory(doors, settings)()
            try:
                yield from check_sensors(layout)
            finally:
                layout.close()
    except HeatdriftError as error:
        yield Check("sensors", "act", error.message, error.remedy)
    yield from check_damage(settings)
    yield from check_record(settings, now_utc_ms, is_thorough=is_thorough)
    if fake is None:
        yield from check_unit()
