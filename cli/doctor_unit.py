"""Whether the installed service can reach what its settings name."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

from ..daemon import unit
from ..store.errors import HeatdriftError
from .doctor_checks import Check
from .service import unit_facts

ROOT = Path("/")


def check_unit(root: Path = ROOT) -> Iterator[Check]:
    """Find a service that was installed before its first channel was named: it was given no network.

    Parameters
    ----------
    root
        Where the file system begins.
    """
    path = root / "etc/systemd/system" / unit.UNIT_NAME
    try:
        installed = path.read_text(encoding="utf-8")
    except (OSError, ValueError):
        return  # none, or not ours to read
    try:
        needs_network = unit_facts(False, None, None).needs_network
    except HeatdriftError as error:
        yield Check("service", "act", error.message, error.remedy)
        return
    if needs_network and "PrivateNetwork=yes" in installed.splitlines():
        yield Check(
            "service",
            "act",
            "the installed service has no network, and its settings name a channel or a server",
            "sudo heatdrift service install",
        )
