"""Makes the databases that this folder lacks: one stretch of history, written by the code of earlier commits.

Run from the root of a clone: ``python tests/recordings/schemas/make.py``. The machine is invented today; its
rows go unchanged to the store of each commit, which makes the file, writes and seals them.
"""

from __future__ import annotations

import hashlib
import json
import lzma
import os
import sqlite3
import subprocess
import sys
import tempfile
from collections.abc import Iterator
from dataclasses import asdict
from pathlib import Path
from typing import Any

from heatdrift.fake_sensors.history import record_history
from heatdrift.fake_sensors.machine import START_UTC_MS, FakeMachine
from heatdrift.store.records import Batch, Channel

FOLDER = Path(__file__).parent
# Name of the file, the commit that wrote it, days of history, and what that commit could do with it.
WRITERS = (
    ("0001-unsealed", "b820402", 1.1, ()),
    ("0001", "c8dd0fd", 2.3, ("seal",)),
    ("0002", "db60e41", 2.3, ("seal",)),
    ("0003-early", "e9d06be", 2.3, ("seal",)),
    ("0003", "81b3cf0", 2.3, ("seal",)),
    ("0003-judged", "63f2d34", 2.3, ("seal", "judge")),
    ("0005", "21590dd", 2.3, ("seal",)),
)
UUID, NAME = "3f0f9d0e-3c1b-5a54-8d7c-0d2f6b1c7a55", "wren"


class Tape:
    """Stands where the writer stands and keeps what it is told."""

    def __init__(self) -> None:
        self.calls: list[list[Any]] = []

    def register_source(self, *words: object) -> None:
        self.calls.append(["source", *words])

    def register_channel(self, found: Channel, *words: object) -> None:
        self.calls.append(["channel", asdict(found), *words])

    def write(self, batch: Batch) -> None:
        parts = {name: [plain(row) for row in getattr(batch, name)] for name in PARTS}
        self.calls.append(["batch", parts])


PARTS = ("sources", "probes", "boots", "changes")


def plain(row: Any) -> list[Any]:
    return list(row) if isinstance(row, tuple) else list(asdict(row).values())


def history(days: float) -> list[list[Any]]:
    """Everything that the recorder says of a laptop with a third of an hour of load a day."""
    tape = Tape()
    machine = FakeMachine.of("laptop", 3, load_hours_a_day=0.3)
    record_history(tape, machine, START_UTC_MS, days)  # type: ignore[arg-type]
    return tape.calls


def digests(calls: list[list[Any]]) -> dict[str, str]:
    """SHA-256 of the rows of each source and of all probes, as whole numbers in lines of text."""
    rows: dict[str, list[str]] = {"probes": []}
    for parts in (call[1] for call in calls if call[0] == "batch"):
        for at, source, values, limits, cadence, n_looks, missing in parts["sources"]:
            line = [at, *values, limits, cadence, n_looks, missing]
            rows.setdefault(source, []).append(",".join(map(str, line)))
        for at, owner, quantity, value, reason in parts["probes"]:
            rows["probes"].append(f"{at},{owner}.{quantity},{value},{reason}")
    return {name: digest(lines) for name, lines in rows.items()}


def digest(lines: list[str]) -> str:
    return hashlib.sha256("\n".join(sorted(lines)).encode()).hexdigest()


# Runs under the code of the commit, so that it names only what stands there since the first of them.
WRITE = """
import json, sys
from pathlib import Path
from heatdrift.store import records as r, schema
from heatdrift.store.database import open_writer
from heatdrift.store.writer import Writer
calls, to, uuid, name, start = json.load(open(sys.argv[1])), sys.argv[2], *sys.argv[3:5], int(sys.argv[5])
database = open_writer(to)
writer = Writer(database, uuid, name)
kinds = dict(sources=r.SourceSample, probes=r.ProbeSample, boots=r.Boot, changes=r.IdentityChange)
for kind, *words in calls:
    if kind == "source":
        writer.register_source(*words)
    elif kind == "channel":
        writer.register_channel(r.Channel(**words[0]), *words[1:])
    else:
        rows = {part: tuple(kinds[part](*row) for row in rows) for part, rows in words[0].items()}
        rows["sources"] = tuple(r.SourceSample(a, b, tuple(c), *d) for a, b, c, *d in words[0]["sources"])
        writer.write(r.Batch(**rows))
entry = dict(machine_id=writer.machine_id, at_utc_ms=start + 3_600_000, kind="other", source="gpu0",
             details='{"interface": "", "numbers": {}}', cost_milli=12_500, currency="EUR",
             note="looked at, nothing done", photo_path="")
with database.begin() as connection:
    connection.execute(schema.journal_entry.insert(), entry)
if "seal" in sys.argv[6:]:
    from heatdrift.store.sealing import seal_finished_days
    seal_finished_days(database, start + 3 * 86_400_000, 1)
database.close()
"""


def write(commit: str, calls: list[list[Any]], abilities: tuple[str, ...], scratch: Path) -> bytes:
    """The file as that commit writes it, packed."""
    tree, tape, to = scratch / commit / "heatdrift", scratch / "tape.json", scratch / f"{commit}.sqlite"
    subprocess.run(["git", "worktree", "add", "--detach", "--quiet", tree, commit], check=True)
    try:
        tape.write_text(json.dumps(calls))
        environment = {**os.environ, "PYTHONPATH": str(tree.parent)}
        words: list[str | Path] = [tape, to, UUID, NAME, str(START_UTC_MS), *abilities]
        subprocess.run([sys.executable, "-c", WRITE, *words], check=True, env=environment, cwd=scratch)
        if "judge" in abilities:
            command: list[str | Path] = [sys.executable, "-m", "heatdrift", "judge", "--database", to]
            subprocess.run(command, check=True, env=environment, cwd=scratch)
    finally:
        subprocess.run(["git", "worktree", "remove", "--force", tree], check=True)
    with sqlite3.connect(to) as plain:  # free pages still hold what was sealed
        plain.execute("VACUUM")
        plain.execute("PRAGMA wal_checkpoint(TRUNCATE)")
    plain.close()
    return lzma.compress(to.read_bytes(), preset=9)


def made() -> Iterator[tuple[str, dict[str, str]]]:
    """Makes every file that is missing; gives its name and the digests of its rows."""
    with tempfile.TemporaryDirectory() as scratch:
        for name, commit, days, abilities in WRITERS:
            if (FOLDER / f"{name}.sqlite.xz").exists():
                continue
            calls = history(days)
            (FOLDER / f"{name}.sqlite.xz").write_bytes(write(commit, calls, abilities, Path(scratch)))
            yield name, digests(calls)


if __name__ == "__main__":
    known = json.loads((FOLDER / "digests.json").read_text())
    (FOLDER / "digests.json").write_text(json.dumps(known | dict(made()), indent=2) + "\n")
