"""What the service itself costs: processor time, memory, bytes written."""

from __future__ import annotations

import os
import re
from pathlib import Path

PROC = Path("/proc")
KIB = 1024
# An invented machine is what is measured, not who measures.
NOT_COUNTED = b"heatdrift.fake_sensors.live"


def own_cost(proc_root: Path = PROC, pid: int | None = None) -> dict[str, str]:
    """Processor time, memory and disk writes of this process and its children so far.

    Keys are ``cpu_s`` and ``children_cpu_s`` [s], ``rss_bytes``, ``pss_bytes``, ``children_pss_bytes`` and
    ``written_bytes``; what the system does not tell is left out.

    Parameters
    ----------
    proc_root
        Where the kernel shows processes.
    pid
        Process, our own by default.
    """
    pid = os.getpid() if pid is None else pid
    times = os.times()
    cost = {"cpu_s": f"{times.user + times.system:.2f}"}
    children = _children(proc_root, pid)
    running_s = sum(_cpu_s(proc_root / str(child)) for child in children)
    cost["children_cpu_s"] = f"{times.children_user + times.children_system + running_s:.2f}"
    own = proc_root / str(pid)
    _put(cost, "rss_bytes", _number(own / "status", r"^VmRSS:\s+(\d+)"), KIB)
    _put(cost, "pss_bytes", _number(own / "smaps_rollup", r"^Pss:\s+(\d+)"), KIB)
    _put(cost, "written_bytes", _number(own / "io", r"^write_bytes:\s+(\d+)"), 1)
    shares = [_number(proc_root / str(child) / "smaps_rollup", r"^Pss:\s+(\d+)") for child in children]
    if None not in shares:
        _put(cost, "children_pss_bytes", sum(share or 0 for share in shares), KIB)
    return cost


def _put(cost: dict[str, str], key: str, value: int | None, factor: int) -> None:
    if value is not None:
        cost[key] = str(value * factor)


def _number(path: Path, pattern: str) -> int | None:
    try:
        found = re.search(pattern, path.read_text(encoding="ascii", errors="replace"), re.MULTILINE)
    except OSError:
        return None
    return int(found[1]) if found else None


def _children(proc_root: Path, pid: int) -> list[int]:
    found: list[int] = []
    try:
        for listing in (proc_root / str(pid) / "task").glob("*/children"):
            found += [int(child) for child in listing.read_text(encoding="ascii").split()]
    except OSError:
        return []
    return [child for child in found if not _is_invented(proc_root / str(child))]


def _is_invented(folder: Path) -> bool:
    try:
        return NOT_COUNTED in (folder / "cmdline").read_bytes().split(b"\0")
    except OSError:
        return False


def _cpu_s(folder: Path) -> float:
    try:
        # The name, in brackets, may hold spaces: count from behind it.
        fields = (folder / "stat").read_text(encoding="utf-8", errors="replace").rpartition(")")[2].split()
        ticks = int(fields[11]) + int(fields[12])
    except (OSError, IndexError, ValueError):
        return 0.0
    return ticks / os.sysconf("SC_CLK_TCK")
