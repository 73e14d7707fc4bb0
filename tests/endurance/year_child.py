"""``heatdrift`` with the time of a turned clock: ``year_child MOMENT_FILE judge``."""

from __future__ import annotations

import sys
import time
from pathlib import Path

from heatdrift.cli.main import main


def turn(path: Path) -> None:
    """Let this process live by the clock in a file [ms since 1970, eight bytes]."""

    def now_ms() -> int:
        return int.from_bytes(path.read_bytes(), sys.byteorder, signed=True)

    time.time_ns = lambda: now_ms() * 1_000_000
    time.time = lambda: now_ms() / 1000


if __name__ == "__main__":
    turn(Path(sys.argv.pop(1)))
    main()
