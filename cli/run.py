"""``heatdrift run``: record in the foreground until stopped."""

from __future__ import annotations

import os
import threading
from dataclasses import replace

import click

from ..daemon.clock import Clock, FastClock, SystemClock
from ..daemon.notify import notifier_of
from ..daemon.signals import stop_on_signals
from ..store.shown_url import without_password
from . import wiring
from .fake_machine import Fake
from .options import Span, fake_options, settings_options
from .places import fake_database
from .settings import SETTINGS_VARIABLE, Settings
from .speech import mention

EPILOG = """\b
Example:
  heatdrift run --fake laptop --speed 60 --for 10min
"""


@click.command("run", epilog=EPILOG)
@fake_options
@click.option(
    "--speed",
    type=click.FloatRange(1, 3600),
    default=1.0,
    show_default=True,
    help="With --fake: how many of its seconds pass in one of ours.",
)
@click.option(
    "--for",
    "for_s",
    type=Span(),
    metavar="SPAN",
    help="Stop after this long on the recorded machine's clock: 90s, 10min, 8h, 2d.",
)
@settings_options
def command(settings: Settings, fake: Fake | None, speed: float, for_s: float | None) -> None:
    """Record in the foreground; Ctrl-C or SIGTERM writes what is held and stops.

    On a machine without any sensor this says so and ends with exit status 2.
    """
    if fake is None and speed != 1:
        raise click.UsageError("--speed needs --fake: a real machine has its own time")
    if fake is not None:
        fake = replace(fake, speed=speed)
        settings = settings_for(fake, settings)
    if settings.file is not None:
        os.environ[SETTINGS_VARIABLE] = str(settings.file.absolute())  # the nightly child follows them too
    stop = threading.Event()
    stop_on_signals(stop)
    wiring.refuse_beside_another(settings.database, wiring.identity(settings, fake), os.getpid())
    start_utc_ms = wiring.start_of_fake_time(settings.database) if fake else 0
    with wiring.open_doors(fake, start_utc_ms) as doors:
        is_fast = fake is not None and fake.speed != 1
        clock: Clock = FastClock(speed, start_utc_ms) if is_fast else SystemClock()
        if for_s is not None:
            threading.Thread(target=_stop_after, args=(clock, for_s, stop), daemon=True).start()
        wiring.service(settings, doors, clock, notifier_of(os.environ), fake).run(stop)
    if fake is not None:
        mention(f"see it with: heatdrift status --database {without_password(settings.database)}")


def settings_for(fake: Fake, settings: Settings) -> Settings:
    """Settings under which invented rows never lie among real ones.

    Only an explicit --database is followed; none of the owner's overrides fits an invented machine.
    """
    from_option = settings.origins.get("database") == "--database"
    return replace(
        settings,
        database=settings.database if from_option else fake_database(fake.kind, fake.seed),
        machine_name="",
        overrides=type(settings.overrides)(),
    )


def _stop_after(clock: Clock, span_s: float, stop: threading.Event) -> None:
    if not clock.wait(span_s, stop):
        stop.set()
