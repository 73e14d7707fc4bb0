"""What ``heatdrift doctor`` looks at: each check says what it found and what to do about it."""

from __future__ import annotations

import shutil
import stat
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Literal

from ..daemon.layout import Layout
from ..reports.baseline import MOST_DAYS
from ..store.database import Database, open_reader
from ..store.errors import HeatdriftError
from ..store.keeping import check_integrity
from ..store.machines import machines
from ..store.outbox import Outbox
from ..store.packing import DAY_MS
from ..store.records import GapReason
from ..store.spool import Backlog
from ..store.summary import StoreSummary, summary
from ..store.verdicts import VerdictBook
from .identity import identity
from .pulse import pulse
from .server_side import found_waiting, fresher, spool_path, waiting_text
from .settings import Settings
from .wiring import cure_for_readers
from .wording import counted, moment_text, size_text, span_text

State = Literal["fine", "note", "act"]

YEAR_BYTES = 60_000_000  # what a year may add, twice what was measured
HOUR_MS = 3_600_000
NIGHTLY = ("upkeep", "judge")
# Parts of the nightly work are noted under names of their own.
BY_HAND = dict.fromkeys(("seal", "check", "backup"), "upkeep") | {
    "repair": "upkeep --repair",
    "report": "report --monthly",
}
LATE_DAYS = 3  # a laptop may be off over a weekend


@dataclass(frozen=True, slots=True)
class Check:
    """One thing that was looked at; ``remedy`` is what to do, empty where nothing is."""

    name: str
    state: State
    said: str
    remedy: str = ""


def check_settings(settings: Settings) -> Iterator[Check]:
    """The settings file and the channels in it."""
    if settings.file is None:
        yield Check("settings", "fine", "no file: every setting is as it comes")
    else:
        cure = cure_for_readers(settings)
        if cure:
            yield Check(
                "settings",
                "act",
                f"{settings.file} holds addresses and passwords, and everyone here may read it",
                f"{cure} {settings.file}",
            )
        else:
            yield Check("settings", "fine", str(settings.file))


def check_sensors(layout: Layout) -> Iterator[Check]:
    """What is read of each source, and what is missing and costs the verdict."""
    names = [source.name for source in layout.sources]
    yield Check(
        "sensors", "fine" if names else "act", f"read: {', '.join(names) or 'no source of heat at all'}"
    )
    for lack in layout.lacks:
        state: State = "act" if lack.what.startswith("no permission") else "note"
        yield Check("sensors", state, f"{lack.what}: {lack.cost}", lack.remedy)


def check_record(settings: Settings, now_utc_ms: int, *, is_thorough: bool) -> Iterator[Check]:
    """The database and all that it tells: clock, service, nightly work, messages, baselines."""
    spooled = None
    try:
        spooled = found_waiting(settings.database, identity(settings))
    except HeatdriftError as error:
        yield Check("waiting", "note", error.message, error.remedy)
    if spooled is not None:
        yield from _waiting(*spooled, identity(settings))
    try:
        database = open_reader(settings.database)
    except HeatdriftError as error:
        yield Check("record", "act", error.message, error.remedy or "start the service")
        return
    try:
        yield from _file(database, settings, is_thorough=is_thorough)
        known = {one.uuid: one for one in machines(database)}
        own = identity(settings)
        if own not in known and len(known) != 1:
            yield Check(
                "record",
                "act",
                f"nothing of this machine is recorded here, {counted(len(known), 'other machine')} are",
                "start the service, or name another database",
            )
            return
        mine = known.get(own) or next(iter(known.values()))
        found = summary(database, now_utc_ms, mine.uuid)
        if spooled is not None and mine.uuid == own:
            found = fresher(found, spooled[1])
        yield from _clock(found, now_utc_ms)
        yield from _service(found, now_utc_ms)
        yield from _messages(Outbox(database, mine.number), settings)
        yield from _baselines(found, VerdictBook(database, mine.number))
    except HeatdriftError as error:  # whatever stands further down than this could not be looked at
        yield Check("record", "act", error.message, error.remedy)
    finally:
        database.close()


def _waiting(backlog: Backlog, known: Mapping[str, str], machine_uuid: str) -> Iterator[Check]:
    """What waits on this computer for a database on a server."""
    said = waiting_text(backlog, known)
    if said:
        yield Check(
            "waiting", "act", said, "see to the server; nothing is lost, it is all sent once it answers"
        )
    else:
        yield Check("waiting", "fine", "every row is on the server")
    if backlog.n_set_aside:
        yield Check(
            "waiting",
            "act",
            f"{counted(backlog.n_set_aside, 'piece')} of what waited could not be read and stayed here",
            f"check the disk; keep {spool_path(machine_uuid)}",
        )


def _file(database: Database, settings: Settings, *, is_thorough: bool) -> Iterator[Check]:
    where = database.url_for_people
    if is_thorough:
        try:
            check_integrity(database)
        except HeatdriftError as error:
            yield Check("record", "act", error.message, error.remedy)
        else:
            yield Check("record", "fine", f"{where}: every packed table is whole")
    else:
        yield Check("record", "fine", f"{where}: opens, and its tables are those of this version")
    if database.path is None:
        return
    free = shutil.disk_usage(database.path.parent).free
    needed = max(int(settings.sections["keeping"]["min_free_bytes"]), YEAR_BYTES)
    said = f"{size_text(free)} free beside the record"
    if free < needed:
        yield Check("room", "act", said, "make room: a full disk stops the record")
    else:
        yield Check("room", "fine", said)
    yield from _strangers(Path(database.path))


def _strangers(path: Path) -> Iterator[Check]:
    """Who else may read the record, or lay another in its place."""
    file, folder = path.stat().st_mode, path.absolute().parent.stat().st_mode
    writable = stat.S_IWGRP | stat.S_IWOTH
    if folder & writable and not folder & stat.S_ISVTX:
        said = f"others may write into {path.absolute().parent}, and lay another record there"
        yield Check("record", "act", said, f"chmod go-w {path.absolute().parent}")
    if file & writable:
        yield Check("record", "act", "others may write the record", f"chmod go-rwx {path}")
    elif file & (stat.S_IRGRP | stat.S_IROTH):
        who = "everyone on this machine" if file & stat.S_IROTH else "the group of its owner"
        yield Check("record", "note", f"{who} may read the record", f"chmod go-r {path}")


def _clock(found: StoreSummary, now_utc_ms: int) -> Iterator[Check]:
    last = found.last_sample_utc_ms
    if last is not None and last > now_utc_ms + HOUR_MS:
        yield Check(
            "clock",
            "act",
            f"the newest row is of {moment_text(last)}, in the future",
            "set this computer's clock right, and let it be kept by NTP",
        )
        return
    steps = [gap for gap in found.gaps if gap.reason is GapReason.CLOCK_STEP]
    if steps:
        last_set = moment_text(steps[-1].to_utc_ms)
        yield Check(
            "clock",
            "note",
            f"it was set {counted(len(steps), 'time')} in the last week, last on {last_set}",
            "let it be kept by NTP; after a dead battery that is all one can do",
        )
    else:
        yield Check("clock", "fine", "no jump in the last week")


def _service(found: StoreSummary, now_utc_ms: int) -> Iterator[Check]:
    heart = pulse(found.state, found.state_at_utc_ms, now_utc_ms)
    yield Check(
        "service",
        "fine" if heart.is_recording else "act",
        f"recording: {heart.words}",
        "" if heart.is_recording else "heatdrift service install, or look into its log",
    )
    for name, task in found.tasks.items():
        if not task.ok:
            said = f"{name} failed {moment_text(task.at_utc_ms)}: {task.detail}"
            by_hand = BY_HAND.get(name, name)
            yield Check("service", "act", said, f"heatdrift {by_hand} -- by hand it says more")
    for name in NIGHTLY:
        done = found.tasks.get(name)
        late_s = 0.0 if done is None else (now_utc_ms - done.at_utc_ms) / 1000.0
        if done is not None and done.ok and late_s > LATE_DAYS * DAY_MS / 1000.0:
            yield Check("service", "note", f"{name} was done {span_text(late_s)} ago", f"heatdrift {name}")


def _messages(outbox: Outbox, settings: Settings) -> Iterator[Check]:
    n_channels = len(settings.sections["messages"]["message_urls"])
    messages = outbox.messages()
    unread = sum(one.reached_nobody for one in messages)
    waiting = sum(one.due_utc_ms is not None for one in messages)
    if not n_channels:
        said = "no channel: a warning would stay in the record"
        yield Check(
            "messages", "note", said, "name one: message_urls in [messages], then heatdrift messages test"
        )
    else:
        said = f"{counted(n_channels, 'channel')}, {counted(waiting, 'message')} on the way"
        yield Check("messages", "fine", said, "" if not waiting else "heatdrift messages list")
    if unread:
        said = f"{counted(unread, 'message')} reached nobody"
        yield Check("messages", "act", said, "heatdrift messages list, then heatdrift messages test")


def _baselines(found: StoreSummary, book: VerdictBook) -> Iterator[Check]:
    newest = book.newest()
    if not newest:
        sources = ", ".join(source.name for source in found.sources) or "no source yet"
        yield Check("baseline", "note", f"nothing was judged yet ({sources})", "wait for the first night")
        return
    for source, verdict in newest.items():
        days = verdict.days_in_era()
        if days < MOST_DAYS:
            said = f"{source}: {counted(days, 'day')} of {MOST_DAYS} with load"
            yield Check("baseline", "note", said, "go on as usual, with some minutes of load a day")
        else:
            yield Check("baseline", "fine", f"{source}: complete; {verdict.state} on {verdict.day}")
