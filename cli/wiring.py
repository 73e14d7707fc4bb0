"""Joins the rooms: settings and doors in, a service that can run out."""

from __future__ import annotations

import logging
import os
import socket
import stat
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import replace
from pathlib import Path

from ..daemon import unit
from ..daemon.cadence import CadenceSettings
from ..daemon.children import Child
from ..daemon.clock import Clock, SystemClock
from ..daemon.discovery import Doors, discover
from ..daemon.errands import DATABASE_VARIABLE, StartWork
from ..daemon.freed_memory import give_back
from ..daemon.guard import Guard, Past
from ..daemon.guard_settings import GuardSettings
from ..daemon.layout import Layout
from ..daemon.message_settings import MessageSettings
from ..daemon.messages import MessageDesk
from ..daemon.notify import Notifier
from ..daemon.pen import Pen
from ..daemon.sensors.nvml import NvmlLink
from ..daemon.sensors.patience import PATIENCE_S, PatientFiles
from ..daemon.service import Service
from ..daemon.service_settings import ServiceSettings
from ..daemon.vigil import Vigil
from ..daemon.watch import Watch
from ..store.damage import need_whole
from ..store.database import open_reader, open_writer, parse_url, sqlite_path
from ..store.errors import StoreError
from ..store.shown_url import has_password
from ..store.summary import summary
from ..store.upkeep_settings import UpkeepSettings
from ..store.writer import Writer
from .fake_machine import DOUBLE_LIBRARY, Fake, fake_machine
from .identity import identity as identity  # noqa: PLC0414 - who asks the wiring gets it here
from .knobs import built
from .outbox_door import OutboxDoor
from .pulse import refuse_beside_a_recorder
from .server_side import ServerSide, refuse_beside_a_courier, server_side
from .settings import Settings

log = logging.getLogger(__name__)

# The recorder looks and writes in one thread: beside a locked file it goes on looking and tries again later.
BUSY_TIMEOUT_MS = 500
# It appends at the end of two tables; the usual cache would slowly fill with pages it never asks for again.
CACHE_KIB = 256


@contextmanager
def open_doors(fake: Fake | None, start_utc_ms: int) -> Iterator[Doors]:
    """The doors to this machine, or to an invented one that lives as long as the block.

    Parameters
    ----------
    fake
        None for the real machine.
    start_utc_ms
        When the invented one's time begins [ms since 1970].
    """
    if fake is None:
        link = NvmlLink(patience_s=PATIENCE_S)
        try:
            yield Doors(nvml=link, use_portable=True, files=PatientFiles().door)
        finally:
            link.close()
        return
    with fake_machine(fake, start_utc_ms) as roots:
        link = NvmlLink(library=DOUBLE_LIBRARY, patience_s=PATIENCE_S)
        try:
            files = PatientFiles().door
            yield Doors(roots.sys_root, roots.proc_root, nvml=link, use_portable=False, files=files)
        finally:
            link.close()


def service(
    settings: Settings,
    doors: Doors,
    clock: Clock,
    notifier: Notifier,
    fake: Fake | None = None,
    *,
    start_work: StartWork = Child,
) -> Service:
    """A service that is ready to run; no file and no sensor is touched before it does.

    Parameters
    ----------
    settings
        In force.
    doors
        What the sensors are read through.
    clock
        Time.
    notifier
        Who is told that all is well.
    fake
        The invented machine behind the doors, None for the real one.
    start_work
        Starts the child processes of the service.
    """
    server = server_side(settings.database, identity(settings, fake), machine_name(settings, fake), clock)
    return Service(
        layout_factory=layout_factory(doors, settings),
        pen_factory=server.pen_factory if server else pen_factory(settings, clock, fake),
        clock=clock,
        settings=service_settings(settings, fake),
        notifier=notifier,
        has_news=lambda: doors.nvml is not None and doors.nvml.has_news,
        rest=Vigil(clock, doors.nvml) if doors.nvml is not None and isinstance(clock, SystemClock) else None,
        start_work=start_work,
        watch=watch(settings, clock, fake, start_work, server),
    )


def watch(
    settings: Settings,
    clock: Clock,
    fake: Fake | None,
    start_work: StartWork = Child,
    server: ServerSide | None = None,
) -> Watch:
    """What guards hard limits and sends messages; an invented machine's owner hears nothing of it."""
    chosen = message_settings(settings)
    guard_settings = replace(GuardSettings(), **settings.sections["guard"])
    door = server or OutboxDoor(settings.database, identity(settings, fake), BUSY_TIMEOUT_MS, CACHE_KIB)
    desk = MessageDesk(
        door,
        clock,
        has_channels=fake is None and bool(chosen.message_urls),
        environment={DATABASE_VARIABLE: settings.database},
        start=start_work,
    )
    guard = Guard(guard_settings, clock, desk.post, chosen.repeat_days)

    def read_past(layout: Layout, with_fans: bool) -> Past:
        return door.past(layout, guard_settings, clock.wall_utc_ms(), with_fans=with_fans)

    return Watch(guard, desk, read_past, clock)


def message_settings(settings: Settings) -> MessageSettings:
    """The settings of the messages, as the sender wants them."""
    return replace(MessageSettings(), **settings.sections["messages"])


def layout_factory(doors: Doors, settings: Settings) -> Callable[[], Layout]:
    """What finds the sensors, as often as it is called."""
    return lambda: discover(doors, settings.overrides)


def pen_factory(settings: Settings, clock: Clock, fake: Fake | None) -> Callable[[], Pen]:
    """What opens the store for writing, under the identity of this machine."""

    def open_pen() -> Pen:
        path = sqlite_path(parse_url(settings.database))
        was_cut_short = path is not None and need_whole(path, backup_folder(settings, path))
        database = open_writer(settings.database, busy_timeout_ms=BUSY_TIMEOUT_MS, cache_kib=CACHE_KIB)
        log.info("recording into %s", database.url_for_people)
        name = machine_name(settings, fake)
        writer = Writer(database, identity(settings, fake), name, clock.wall_utc_ms())
        if was_cut_short:
            writer.checkpoint()  # the end of a log that was cut short must not lie behind what comes next
        give_back()  # everything is loaded now: what that needed, a year of looking will not
        return writer

    return open_pen


def backup_folder(settings: Settings, path: Path) -> Path:
    """Where the backups of a database file lie."""
    return upkeep_settings(settings).folder_for(path.absolute())


def refuse_beside_another(url: str, machine_uuid: str, allowed_pid: int) -> None:
    """Only one recorder may write; a server is not waited for to tell of another.

    Raises
    ------
    DatabaseBusyError
        Another recorder is at work.
    """
    if sqlite_path(parse_url(url)) is None:
        refuse_beside_a_courier(url, machine_uuid, allowed_pid)
    else:
        refuse_beside_a_recorder(url, machine_uuid, allowed_pid)


def machine_name(settings: Settings, fake: Fake | None = None) -> str:
    """What the machine that is recorded is called."""
    return settings.machine_name or (fake.name if fake else socket.gethostname())


def service_settings(settings: Settings, fake: Fake | None = None) -> ServiceSettings:
    """The settings of the service, as it wants them."""
    chosen = dict(settings.sections["service"])
    if fake is not None and fake.speed > 1:
        # What is a hiccup of the real machine lasts `speed` times as long on the invented one's clock.
        chosen["overload_s"] = chosen["overload_s"] * fake.speed
    return ServiceSettings(
        database_url=settings.database, cadence=CadenceSettings(**settings.sections["looking"]), **chosen
    )


def upkeep_settings(settings: Settings) -> UpkeepSettings:
    """The settings of the nightly work."""
    return UpkeepSettings(**built("keeping", settings.sections["keeping"]))


def start_of_fake_time(database: str) -> int:
    """When an invented machine's fast clock begins: now, or after what was recorded of it before.

    Parameters
    ----------
    database
        Its database; it need not exist.

    Returns
    -------
    int
        UTC [ms since 1970].
    """
    now_utc_ms = SystemClock().wall_utc_ms()
    try:
        reading = open_reader(database)
    except StoreError:
        return now_utc_ms
    try:
        last = summary(reading, now_utc_ms).last_sample_utc_ms
    finally:
        reading.close()
    return now_utc_ms if last is None else max(now_utc_ms, last + 1000)


def cure_for_readers(settings: Settings) -> str:
    """What takes the secrets in the settings file out of everyone's sight; empty where that is so."""
    has_secrets = settings.sections["messages"]["message_urls"] or has_password(settings.database)
    if settings.file is None or not has_secrets:
        return ""
    if os.name != "posix" or not settings.file.stat().st_mode & stat.S_IROTH:
        return ""
    is_of_service = settings.file == Path(unit.SETTINGS_FILE)
    first = f"chgrp {unit.SERVICE_USER} and then " if is_of_service else ""  # the service must read it
    return f"{first}chmod o-r"
