"""The tree as a process of its own: ready, moving, and gone when its owner is."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

import pytest


def start(root: Path, *more: str) -> subprocess.Popen[str]:
    command = [
        sys.executable,
        "-m",
        "heatdrift.fake_sensors.live",
        "--root",
        str(root),
        "--speed",
        "600",
        *more,
    ]
    return subprocess.Popen(command, stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True)


def energy_uj(root: Path) -> int:
    return int((root / "sys/class/powercap/intel-rapl:0/energy_uj").read_text())


def test_tree_stands_when_ready_and_ends_with_standard_input(tmp_path: Path) -> None:
    process = start(tmp_path)
    assert process.stdout is not None and process.stdin is not None
    assert process.stdout.readline() == "ready\n"
    before = energy_uj(tmp_path)
    while energy_uj(tmp_path) == before:  # ends, because the process runs: else its exit status fails below
        assert process.poll() is None
    process.stdin.close()
    assert process.wait(timeout=30) == 0
    process.stdout.close()


def test_terminate_ends_it_cleanly(tmp_path: Path) -> None:
    process = start(tmp_path, "--kind", "desktop", "--seed", "3")
    assert process.stdout is not None and process.stdin is not None
    assert process.stdout.readline() == "ready\n"
    process.terminate()
    assert process.wait(timeout=30) == 0
    process.stdin.close()
    process.stdout.close()


@pytest.mark.parametrize("wrong", [["--speed", "0"], ["--kind", "tablet"]])
def test_wrong_arguments_are_refused(tmp_path: Path, wrong: list[str]) -> None:
    process = start(tmp_path, *wrong)
    process.communicate()
    assert process.returncode == 2
