"""One table at the end: what was measured, what is promised."""

from __future__ import annotations

import os
import platform
from collections.abc import Callable, Iterator

import pytest

Tell = Callable[[str, str, str], None]


@pytest.fixture(scope="session")
def tell() -> Iterator[Tell]:
    """Adds a line (what, measured, goal) to the table that is printed when the bench is over."""
    lines: list[tuple[str, str, str]] = []
    yield lambda what, measured, goal: lines.append((what, measured, goal))
    print(f"\n\nmeasured on {os.cpu_count()} cores, {platform.machine()}, Python {platform.python_version()}")
    print(f"{'what':<58} {'measured':>26} {'goal':>22}")
    for what, measured, goal in lines:
        print(f"{what:<58} {measured:>26} {goal:>22}")
