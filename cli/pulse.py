"""Whether a recorder is alive, from what it last said about itself."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import psutil

from ..store.database import open_reader
from ..store.errors import DatabaseBusyError, HeatdriftError
from ..store.summary import summary
from .wording import span_text

# The recorder leaves a sign of life every five minutes, but not while the nightly child has the pen (30 min).
FRESH_S = 45 * 60.0
MOST_MOMENT_DIGITS = 15
MOST_DIGITS = 9  # of the number of a process


@dataclass(frozen=True, slots=True)
class Pulse:
    """What is known about the recorder.

    Attributes
    ----------
    is_recording
        Its process lives, and it spoke lately.
    pid
        Its process, None where none lives.
    words
        The same for people.
    """

    is_recording: bool
    pid: int | None
    words: str


def recorder_pid(state: Mapping[str, str]) -> int | None:
    """The recorder's process, None where it stopped, died or was never heard of."""
    text = state.get("pid", "")
    if not text.isdecimal() or len(text) > MOST_DIGITS or state.get("state") != "running":
        return None
    try:
        process = psutil.Process(int(text))
        # Numbers of processes are given again after a while: another program is not the recorder.
        is_ours = "heatdrift" in " ".join(process.cmdline()) and process.status() != psutil.STATUS_ZOMBIE
    except psutil.AccessDenied:
        return int(text)
    except psutil.Error:
        return None
    return int(text) if is_ours else None


def refuse_beside_a_recorder(url: str, machine_uuid: str, allowed_pid: int) -> None:
    """Only one process may write: with two, everything would stand there twice.

    Parameters
    ----------
    url
        The database; it need not exist.
    machine_uuid
        The machine that is, or would be, recorded.
    allowed_pid
        The process that may have the database.

    Raises
    ------
    DatabaseBusyError
        Another recorder is at work on it.
    """
    try:
        database = open_reader(url)
    except HeatdriftError:
        return  # whoever opens it next says what is wrong with it
    try:
        # A file has one writer whatever machine it records; a server has one for each.
        wanted = None if database.is_sqlite else machine_uuid
        state = summary(database, 0, wanted).state
    except HeatdriftError:
        return  # nothing of this machine was ever recorded
    finally:
        database.close()
    refuse_beside(state, allowed_pid)


def refuse_beside(state: Mapping[str, str], allowed_pid: int) -> None:
    """Refuse beside the recorder that left this state, if it lives.

    Raises
    ------
    DatabaseBusyError
        It does, and is another process than the one that is allowed.
    """
    pid = recorder_pid(state)
    if pid is not None and pid != allowed_pid:
        raise DatabaseBusyError(
            f"a recorder (process {pid}) is at work on this database and does all that is due",
            remedy="leave it to its work, or stop it first",
        )


def pulse(state: Mapping[str, str], heard_utc_ms: int | None, now_utc_ms: int) -> Pulse:
    """Judge the recorder's state.

    Parameters
    ----------
    state
        What it left in the database.
    heard_utc_ms
        When it left it [ms since 1970], None where it never did.
    now_utc_ms
        Now [ms since 1970].
    """
    if heard_utc_ms is None:
        return Pulse(False, None, "no, and it never was here")
    ago_s = (now_utc_ms - heard_utc_ms) / 1000
    ago = f"{span_text(ago_s)} ago" if ago_s >= 0 else f"on a clock {span_text(-ago_s)} ahead of this one"
    pid = recorder_pid(state)
    if pid is not None and ago_s <= FRESH_S:
        started = state.get("started_utc_ms", "")
        started_utc_ms = (
            int(started) if started.isdecimal() and len(started) < MOST_MOMENT_DIGITS else heard_utc_ms
        )
        since_s = (heard_utc_ms - started_utc_ms) / 1000 + max(0.0, ago_s)
        return Pulse(
            True, pid, f"yes, process {pid}, for {span_text(since_s)}, mode {state.get('mode', '?')}"
        )
    if pid is not None:
        return Pulse(False, pid, f"no: process {pid} is there, but was last heard {ago}")
    if state.get("state") == "stopped":
        return Pulse(False, None, f"no, it was stopped {ago}")
    return Pulse(False, None, f"no: it ended without a word, last heard {ago}")
