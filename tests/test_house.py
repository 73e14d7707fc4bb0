"""The arrows of the house: who may import whom, what the daemon never carries, what we never call."""

from __future__ import annotations

import ast
import re
import subprocess
import sys
import tomllib
from collections.abc import Iterator
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parents[1]
ROOMS = ("store", "daemon", "reports", "fake_sensors", "cli")
MAY_IMPORT = {
    "store": set(),
    "daemon": {"store"},
    "reports": {"store"},
    "fake_sensors": {"store", "daemon"},
    "cli": {"store", "daemon", "reports", "fake_sensors"},
}
HEAVY = (
    "numpy",
    "pandas",
    "pyarrow",
    "scipy",
    "matplotlib",
    "alembic",
    "rich",
    "jinja2",
    "psycopg",
    "pynvml",
)
MODULE_LINES = 300  # at 300 look for a second idea: the style's limit


def modules(*rooms: str) -> Iterator[Path]:
    for room in rooms:
        yield from sorted((ROOT / room).rglob("*.py"))


def imported_rooms(path: Path) -> Iterator[str]:
    package = ("heatdrift", *path.relative_to(ROOT).parts[:-1])
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
        if isinstance(node, ast.ImportFrom) and node.level:
            base = package[: len(package) - node.level + 1]
            full = [*base, *(node.module.split(".") if node.module else [])]
            targets = [full] if len(full) > 1 else [[*full, alias.name] for alias in node.names]
            for target in targets:
                if len(target) > 1 and target[1] in ROOMS:
                    yield target[1]
        elif isinstance(node, ast.ImportFrom) and node.module and node.module.startswith("heatdrift"):
            raise AssertionError(f"{path}: imports inside the package are relative")


@pytest.mark.parametrize("room", ROOMS)
def test_imports_follow_the_arrows(room: str) -> None:
    for path in modules(room):
        strangers = set(imported_rooms(path)) - MAY_IMPORT[room] - {room}
        assert not strangers, f"{path.relative_to(ROOT)} imports {strangers}"


def test_package_list_equals_the_disk() -> None:
    listed = tomllib.loads((ROOT / "pyproject.toml").read_text())["tool"]["setuptools"]["packages"]
    on_disk = {"heatdrift"} | {
        ".".join(("heatdrift", *init.parent.relative_to(ROOT).parts))
        for room in ROOMS
        for init in (ROOT / room).rglob("__init__.py")
    }
    assert set(listed) == on_disk


def test_service_carries_no_heavy_library() -> None:
    """In one fresh interpreter, so that nothing the tests imported can hide or fake it."""
    code = (
        "import sys, heatdrift.daemon.service, heatdrift.daemon.discovery, heatdrift.store.writer\n"
        "import heatdrift.cli.main, heatdrift.cli.wiring\n"
        f"print(','.join(m for m in {HEAVY!r} if m in sys.modules))"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stdout.strip() == ""


CHANGES_FILES = {
    *("O_WRONLY", "O_RDWR", "O_CREAT", "O_APPEND", "O_TRUNC"),
    *(
        "write_text",
        "write_bytes",
        "chmod",
        "chown",
        "unlink",
        "rename",
        "replace_file",
        "truncate",
        "pwrite",
    ),
}


@pytest.mark.parametrize("path", list(modules("daemon")), ids=lambda p: str(p.relative_to(ROOT)))
def test_the_service_changes_no_file_of_the_machine(path: Path) -> None:
    """It reads sensors and leaves writing to the store; a number written to hwmon could stop a fan."""
    tree = ast.parse(path.read_text(encoding="utf-8"))
    used = {node.attr for node in ast.walk(tree) if isinstance(node, ast.Attribute)}
    assert not used & CHANGES_FILES
    modes = [
        argument.value
        for node in ast.walk(tree)
        if isinstance(node, ast.Call) and isinstance(node.func, ast.Name) and node.func.id == "open"
        for argument in [*node.args[1:], *(k.value for k in node.keywords if k.arg == "mode")]
        if isinstance(argument, ast.Constant) and isinstance(argument.value, str)
    ]
    assert not [mode for mode in modes if set(mode) & set("wax+")]


def test_no_setter_of_nvml_is_named_anywhere() -> None:
    for path in modules(*ROOMS):
        named = re.findall(r"nvml\w*(?:Set|Clear|Reset|Freeze)[A-Z]\w*", path.read_text(encoding="utf-8"))
        assert not named, f"{path.relative_to(ROOT)}: {named}"


@pytest.mark.parametrize("path", list(modules(*ROOMS)), ids=lambda p: str(p.relative_to(ROOT)))
def test_module_fits_one_head(path: Path) -> None:
    assert len(path.read_text(encoding="utf-8").splitlines()) <= MODULE_LINES
