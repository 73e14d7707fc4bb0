"""Datagrams to the service manager, read from a socket of our own."""

from __future__ import annotations

import socket
from collections.abc import Iterator
from pathlib import Path

import pytest

from heatdrift.daemon.notify import SilentNotifier, SystemdNotifier, notifier_of


@pytest.fixture
def manager(tmp_path: Path) -> Iterator[socket.socket]:
    with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as listener:
        listener.bind(str(tmp_path / "notify"))
        listener.setblocking(False)
        yield listener


def heard(manager: socket.socket) -> list[str]:
    lines = []
    while True:
        try:
            lines.append(manager.recv(4096).decode())
        except BlockingIOError:
            return lines


def test_manager_hears_the_whole_life(manager: socket.socket) -> None:
    notifier = notifier_of({"NOTIFY_SOCKET": manager.getsockname()})
    assert isinstance(notifier, SystemdNotifier)
    notifier.ready()
    notifier.status("recording 2 sources")
    for now_s in range(100, 160):
        notifier.alive(float(now_s))
    notifier.stopping()
    notifier.close()
    assert heard(manager) == [
        "READY=1",
        "STATUS=recording 2 sources",
        *["WATCHDOG=1"] * 3,  # a minute of ticks, one ping every 20 s
        "STOPPING=1",
    ]


def test_abstract_address_is_understood() -> None:
    with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as listener:
        listener.bind("")  # the kernel picks an abstract name
        address = "@" + listener.getsockname()[1:].decode()
        notifier = SystemdNotifier(address)
        notifier.ready()
        notifier.close()
        assert listener.recv(100) == b"READY=1"


def test_manager_that_is_gone_is_told_once(tmp_path: Path, caplog: pytest.LogCaptureFixture) -> None:
    notifier = SystemdNotifier(str(tmp_path / "nobody"))
    notifier.ready()
    notifier.alive(0.0)
    notifier.close()
    assert len(caplog.records) == 1


@pytest.mark.parametrize("environment", [{}, {"NOTIFY_SOCKET": ""}, {"NOTIFY_SOCKET": "relative"}])
def test_nobody_listens_outside_a_manager(environment: dict[str, str]) -> None:
    assert isinstance(notifier_of(environment), SilentNotifier)
