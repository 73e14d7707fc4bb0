"""What waits for a server, as bytes that outlive the process and say what they mean without it.

Each kind of entry is one call of the pen. Rows name their source, or their probe and quantity, never a number
that the server gives: an entry can be written before the server was ever met.
"""

from __future__ import annotations

import json
import re
import zlib
from collections.abc import Mapping
from dataclasses import asdict, dataclass
from enum import Enum
from typing import Any, NamedTuple

from .errors import DamagedDataError
from .message import Lane, Message, Severity
from .records import Batch, Boot, Channel, Gap, GapReason, IdentityChange, ProbeSample, SourceSample

NO_CHARACTER = "\ufffd"
NUL_IN_JSON = re.compile(
    r"(?<!\\)((?:\\\\)*)\\u0000"
)  # not what only looks like it: a backslash before u0000
LEVEL = 1  # zlib's quickest: a batch shrinks to a fifth, the next level buys little


class Kind(Enum):
    """Which call of the pen an entry stands for."""

    SIGHTING = "sighting"
    BATCH = "batch"
    STATE = "state"
    TASK = "task"
    MESSAGE = "message"


class Draft(NamedTuple):
    """An entry before it has its number."""

    at_utc_ms: int
    kind: Kind
    n_rows: int
    body: bytes


class Entry(NamedTuple):
    """Something that waits.

    Attributes
    ----------
    number
        Order of delivery.
    life
        Names the time for which the spool was open when it was written: numbers of one life are given once.
    """

    number: int
    life: str
    at_utc_ms: int
    kind: str
    body: bytes


@dataclass(frozen=True, slots=True)
class Sighting:
    """Sources and channels that were found; each channel with the source or probe it is read for."""

    at_utc_ms: int
    sources: tuple[tuple[str, str], ...]  # name, kind
    channels: tuple[tuple[str, Channel], ...]  # owner, channel


@dataclass(frozen=True, slots=True)
class TaskNote:
    """That a scheduled task ran."""

    task: str
    at_utc_ms: int
    ok: bool
    detail: str


@dataclass(frozen=True, slots=True)
class StateNote:
    """What the service said about itself."""

    values: Mapping[str, str]
    at_utc_ms: int


Content = Sighting | Batch | StateNote | TaskNote | Message


def draft(content: Content, at_utc_ms: int) -> Draft:
    """Write something down.

    Parameters
    ----------
    at_utc_ms
        Now, UTC [ms since 1970].
    """
    kind, cells = _cells(content)
    n_rows = len(content) if isinstance(content, Batch) else 0
    words = json.dumps(cells, separators=(",", ":"), ensure_ascii=False)
    words = NUL_IN_JSON.sub(lambda found: f"{found[1]}{NO_CHARACTER}", words)
    return Draft(at_utc_ms, kind, n_rows, zlib.compress(clean(words).encode(), LEVEL))


def clean(text: str) -> str:
    """Text as every database takes it: what is no character became one that says so."""
    return text.encode("utf-8", "replace").decode().replace("\0", NO_CHARACTER)


def content(entry: Entry) -> Content:
    """Undo `draft`.

    Raises
    ------
    DamagedDataError
        These bytes say nothing.
    """
    try:
        return _content(Kind(entry.kind), json.loads(zlib.decompress(entry.body)))
    except (zlib.error, ValueError, TypeError, KeyError, IndexError) as error:
        raise DamagedDataError(f"entry {entry.number} of the spool cannot be read ({error})") from error


def _cells(found: Content) -> tuple[Kind, Any]:
    match found:
        case Batch():
            gaps = [
                (gap.from_utc_ms, gap.to_utc_ms, gap.reason.value, gap.source, gap.detail)
                for gap in found.gaps
            ]
            boots = [(boot.boot_id, boot.first_seen_utc_ms) for boot in found.boots]
            changes = [(one.at_utc_ms, one.subject, one.before, one.after) for one in found.changes]
            return Kind.BATCH, [found.sources, found.probes, gaps, boots, changes]
        case Sighting():
            channels = [(owner, asdict(channel)) for owner, channel in found.channels]
            return Kind.SIGHTING, [found.at_utc_ms, found.sources, channels]
        case StateNote():
            return Kind.STATE, [dict(found.values), found.at_utc_ms]
        case TaskNote():
            return Kind.TASK, [found.task, found.at_utc_ms, found.ok, found.detail]
        case Message():
            words = asdict(found)
            return Kind.MESSAGE, words | {"lane": found.lane.value, "severity": found.severity.value}


def _content(kind: Kind, cells: Any) -> Content:
    match kind:
        case Kind.BATCH:
            sources, probes, gaps, boots, changes = cells
            return Batch(
                tuple(SourceSample(at, name, tuple(values), *rest) for at, name, values, *rest in sources),
                tuple(ProbeSample(*row) for row in probes),
                tuple(Gap(from_ms, to_ms, GapReason(why), *rest) for from_ms, to_ms, why, *rest in gaps),
                tuple(Boot(*row) for row in boots),
                tuple(IdentityChange(*row) for row in changes),
            )
        case Kind.SIGHTING:
            at_utc_ms, sources, channels = cells
            return Sighting(
                at_utc_ms,
                tuple((name, kind) for name, kind in sources),
                tuple((owner, Channel(**words)) for owner, words in channels),
            )
        case Kind.STATE:
            return StateNote(*cells)
        case Kind.TASK:
            return TaskNote(*cells)
        case Kind.MESSAGE:
            lane, severity = Lane(cells.pop("lane")), Severity(cells.pop("severity"))
            return Message(lane=lane, severity=severity, **cells)
