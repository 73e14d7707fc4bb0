"""Reads a write-ahead log as it lies on the disk, and tells a write that was cut short from damage.

SQLite takes a log up to the first frame that does not check, and says nothing about what follows. After a
power cut that is right: what follows was never promised. Where a bit turned it loses committed rows.

References
----------
.. [1] https://www.sqlite.org/fileformat2.html#the_write_ahead_log
"""

from __future__ import annotations

import struct
from dataclasses import dataclass, replace
from pathlib import Path

HEADER_BYTES = 32
FRAME_HEADER_BYTES = 24
MAGIC = 0x377F0682  # its last bit says that checksums are made of big-endian words
MASK = 0xFFFFFFFF
PAGE_BYTES = 4096  # of our files, where the log's own header cannot be read

Sums = tuple[int, int]


@dataclass(frozen=True, slots=True)
class Frame:
    """One page in the log.

    Attributes
    ----------
    page
        Number of the page, from 1.
    n_pages
        Size of the database after the commit that this frame ends [pages], 0 where it ends none.
    offset
        Of the page in the log [bytes].
    is_good
        Whether its content checks.
    is_new
        Whether it was written since the log was last begun anew; what follows the first old one is history.
    """

    page: int
    n_pages: int
    offset: int
    is_good: bool
    is_new: bool


@dataclass(frozen=True, slots=True)
class Wal:
    """The frames of a log, up to the last good one that ends a commit.

    Attributes
    ----------
    n_taken
        So many of them SQLite takes: up to the last commit before the first one that does not check.
    """

    page_bytes: int
    frames: tuple[Frame, ...]
    n_taken: int

    @property
    def is_damaged(self) -> bool:
        """Whether SQLite would leave out what was committed.

        A commit is on the disk before the next one begins. So what a power cut spoils is one commit, the
        last; where two follow the last frame that is taken, the first of them had been promised.
        """
        left_out = self.frames[self.n_taken :]
        return sum(frame.n_pages > 0 and frame.is_new for frame in left_out) > 1

    def newest(self) -> tuple[dict[int, Frame], int]:
        """The newest good frame of each page, and the size of the database after them [pages].

        Without the pages whose newest frame does not check: see `spoiled`.
        """
        frames = self.frames if self.is_damaged else self.frames[: self.n_taken]
        found = {frame.page: frame for frame in frames if frame.is_good}
        sizes = [frame.n_pages for frame in frames if frame.is_good and frame.n_pages]
        return found, sizes[-1] if sizes else 0

    def spoiled(self) -> list[Frame]:
        """Frames that do not check, and whose page is not written again by a good one."""
        if not self.is_damaged:
            return []
        good_until = {frame.page: number for number, frame in enumerate(self.frames) if frame.is_good}
        return [
            frame
            for number, frame in enumerate(self.frames)
            if not frame.is_good and good_until.get(frame.page, -1) < number
        ]


def read_wal(path: Path) -> Wal | None:
    """Read a log; None where there is none, or nothing of it can be told.

    Each checksum is held against what the frame before says its own is, and against what it should have been,
    so that one broken frame does not hide the good ones after it.
    """
    try:
        content = path.read_bytes()
    except FileNotFoundError:
        return None
    if len(content) < HEADER_BYTES + FRAME_HEADER_BYTES:
        return None
    magic, _, page_bytes, _, *salts = struct.unpack(">6I", content[:24])
    order = ">" if magic == MAGIC | 1 else "<"
    stated: Sums = struct.unpack(">2I", content[24:HEADER_BYTES])
    is_whole = magic in (MAGIC, MAGIC | 1) and _checksum(content[:24], order, (0, 0)) == stated
    if not is_whole:  # SQLite would take nothing at all
        page_bytes = PAGE_BYTES
        salts = list(struct.unpack(">2I", content[HEADER_BYTES + 8 : HEADER_BYTES + 16]))
        order = "<"  # every processor that we know of
    frames, are_taken = _frames(content, page_bytes, order, salts, stated)
    n_taken = 0
    for number, (frame, is_taken) in enumerate(zip(frames, are_taken, strict=True), 1):
        if not (is_taken and is_whole):
            break
        n_taken = number if frame.n_pages else n_taken
    last = max((n for n, frame in enumerate(frames, 1) if frame.is_good and frame.n_pages), default=0)
    return Wal(page_bytes, tuple(frames[:last]), n_taken)


def _frames(
    content: bytes, page_bytes: int, order: str, salts: list[int], first: Sums
) -> tuple[list[Frame], list[bool]]:
    """Every frame, and whether SQLite could take it were all before it taken."""
    frames: list[Frame] = []
    are_taken: list[bool] = []
    stated = computed = first
    whole = FRAME_HEADER_BYTES + page_bytes
    for start in range(HEADER_BYTES, len(content) - whole + 1, whole):
        page, n_pages, *others = struct.unpack(">6I", content[start : start + FRAME_HEADER_BYTES])
        own = (others[2], others[3])
        body = content[start : start + 8] + content[start + FRAME_HEADER_BYTES : start + whole]
        from_stated = _checksum(body, order, stated)
        is_good = from_stated == own
        if not is_good and computed != stated:
            is_good = _checksum(body, order, computed) == own
            if is_good:  # then only the stated checksum of the frame before had been wrong
                frames[-1] = replace(frames[-1], is_good=True)
        is_new = others[:2] == salts
        frames.append(Frame(page, n_pages, start + FRAME_HEADER_BYTES, is_good, is_new or is_good))
        are_taken.append(is_new and from_stated == own)
        stated, computed = own, own if is_good else from_stated
        if not is_new and not is_good and frames[-2:] and not any(one.is_new for one in frames[-2:]):
            break  # two in a row of an earlier time
    return frames, are_taken


def _checksum(content: bytes, order: str, before: Sums) -> Sums:
    first, second = before
    words = struct.unpack(f"{order}{len(content) // 4}I", content)
    for even, odd in zip(words[::2], words[1::2], strict=True):
        first = (first + even + second) & MASK
        second = (second + odd + first) & MASK
    return first, second
