"""The running service: nobody can speak to it, and without addresses it speaks to nobody."""

from __future__ import annotations

import socket
import time
from pathlib import Path

import psutil

from .running_service import DEADLINE_S, internet_sockets, listening, recorded, service, started


def test_the_service_listens_to_nobody_and_speaks_to_nobody(tmp_path: Path) -> None:
    """While it records, reads the graphics driver in a child and works at night in others."""
    settings, log = tmp_path / "settings.toml", tmp_path / "log.txt"
    settings.write_text(f'database = "{tmp_path / "record.sqlite"}"\n')
    recorded(str(tmp_path / "record.sqlite"))
    awaited: set[str] = {"upkeep", "judge", "nvml_child"}
    seen: set[str] = set()
    with service(settings, log) as process:
        until_s = time.monotonic() + DEADLINE_S
        while not awaited <= seen and time.monotonic() < until_s:
            assert not internet_sockets(process)
            assert not listening(process)
            seen |= started(process, awaited)
            time.sleep(0.02)
    assert awaited <= seen, log.read_text()[-3000:]


def test_the_search_for_listeners_finds_them(tmp_path: Path) -> None:
    mine = psutil.Process()
    before = len(listening(mine))
    with socket.create_server(("127.0.0.1", 0)):
        assert len(listening(mine)) == before + 1 and internet_sockets(mine)
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as udp:
        udp.bind(("127.0.0.1", 0))
        assert len(listening(mine)) == before + 1
    with socket.socket(socket.AF_UNIX) as unix:
        unix.bind(str(tmp_path / "s"))
        unix.listen()
        assert len(listening(mine)) == before + 1
