"""What a disk, a cable or a careless hand does to the files of a record."""

from __future__ import annotations

import random
from collections.abc import Callable
from pathlib import Path

PAGE_BYTES = 4096
SECTOR_BYTES = 512
FRAME_BYTES = PAGE_BYTES + 24
WAL_HEADER_BYTES = 32

Injury = Callable[[Path, random.Random], None]


def turn_a_bit(path: Path, rng: random.Random) -> None:
    """Turn one bit, anywhere that is not in a page of zeros: those hold nothing."""
    content = bytearray(path.read_bytes())
    while True:
        place = rng.randrange(len(content))
        page = place // PAGE_BYTES * PAGE_BYTES
        if any(content[page : page + PAGE_BYTES]):
            break
    content[place] ^= 1 << rng.randrange(8)
    path.write_bytes(content)


def cut_off(path: Path, rng: random.Random) -> None:
    """Cut a file off, anywhere."""
    with path.open("r+b") as file:
        file.truncate(rng.randrange(path.stat().st_size))


def blank_a_sector(path: Path, rng: random.Random) -> None:
    """Zeros in place of a sector that was not empty."""
    content = bytearray(path.read_bytes())
    while True:
        start = rng.randrange(len(content) // SECTOR_BYTES) * SECTOR_BYTES
        if any(content[start : start + SECTOR_BYTES]):
            break
    content[start : start + SECTOR_BYTES] = bytes(SECTOR_BYTES)
    path.write_bytes(content)


def scramble_a_page(path: Path, rng: random.Random) -> None:
    """Noise in place of a page that was not empty."""
    content = bytearray(path.read_bytes())
    while True:
        start = rng.randrange(len(content) // PAGE_BYTES) * PAGE_BYTES
        if any(content[start : start + PAGE_BYTES]):
            break
    content[start : start + PAGE_BYTES] = rng.randbytes(PAGE_BYTES)
    path.write_bytes(content)


def tear_last_commit(wal: Path, rng: random.Random) -> bool:
    """Let a power cut tear the last commit of a log: its end is on the disk, one of its first pages is not.

    Returns
    -------
    bool
        Whether it has more than one page, so that there was something to tear.
    """
    content = bytearray(wal.read_bytes())
    salts = content[16:24]
    starts = range(WAL_HEADER_BYTES, len(content) - FRAME_BYTES + 1, FRAME_BYTES)
    frames = [start for start in starts if content[start + 8 : start + 16] == salts]
    ends = [number for number, start in enumerate(frames) if any(content[start + 4 : start + 8])]
    if len(ends) < 2 or ends[-1] - ends[-2] < 2:
        return False
    torn = frames[rng.randrange(ends[-2] + 1, ends[-1])]
    content[torn : torn + FRAME_BYTES] = bytes(FRAME_BYTES)
    wal.write_bytes(content)
    return True


def add_unfinished_write(wal: Path, rng: random.Random) -> None:
    """Append what a write leaves that was never finished: frames of which nothing but the heads arrived."""
    content = wal.read_bytes()
    if len(content) < WAL_HEADER_BYTES:
        return
    whole = WAL_HEADER_BYTES + (len(content) - WAL_HEADER_BYTES) // FRAME_BYTES * FRAME_BYTES
    n_frames = rng.randrange(1, 5)
    heads = [
        rng.randrange(1, 400).to_bytes(4, "big")
        + (400 if number == n_frames - 1 else 0).to_bytes(4, "big")
        + content[16:24]
        + rng.randbytes(8)
        for number in range(n_frames)
    ]
    wal.write_bytes(content[:whole] + b"".join(head + bytes(PAGE_BYTES) for head in heads))


def tear_pages_under_log(database: Path, wal: Path, rng: random.Random) -> None:
    """Tear pages of the file that lie in its log as well, as a power cut in a checkpoint does."""
    content = wal.read_bytes()
    if len(content) < WAL_HEADER_BYTES + FRAME_BYTES:
        return
    salts = content[16:24]
    pages = []
    committed: list[int] = []
    for start in range(WAL_HEADER_BYTES, len(content) - FRAME_BYTES + 1, FRAME_BYTES):
        if content[start + 8 : start + 16] != salts:
            break
        pages.append(int.from_bytes(content[start : start + 4], "big"))
        if any(content[start + 4 : start + 8]):
            committed = list(pages)
    with database.open("r+b") as file:
        size = database.stat().st_size
        for page in {page for page in committed if rng.random() < 0.3}:
            if page > 1 and page * PAGE_BYTES <= size:
                file.seek((page - 1) * PAGE_BYTES + rng.randrange(8) * SECTOR_BYTES)
                file.write(rng.randbytes(SECTOR_BYTES))
