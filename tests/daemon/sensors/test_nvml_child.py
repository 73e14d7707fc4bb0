"""The child process: only reads, ends with its parent, speaks only its protocol."""

from __future__ import annotations

import json
import os
import select
import signal
import subprocess
import sys
from pathlib import Path
from typing import Any

import pynvml
import pytest

from heatdrift.daemon.sensors.nvml_facts import EnergyCheck
from heatdrift.daemon.sensors.nvml_getters import ALLOWED, Getters
from heatdrift.fake_sensors import nvml_double
from heatdrift.fake_sensors.nvml_double import STATE_VARIABLE, GpuState, write_state

ROOT = Path(__file__).resolve().parents[3]
COMMAND = [sys.executable, "-m", "heatdrift.daemon.sensors.nvml_child", "--library"]
DOUBLE = "heatdrift.fake_sensors.nvml_double"
ROOMS = ("store", "daemon", "reports", "fake_sensors", "cli")
CHANGING = (
    "Set",
    "Clear",
    "Reset",
    "Create",
    "Delete",
    "Register",
    "Enable",
    "Disable",
    "Modify",
    "Validate",
)


@pytest.fixture
def environment(tmp_path: Path) -> dict[str, str]:
    write_state(tmp_path / "nvml.json", "580.1", [GpuState()])
    return {**os.environ, STATE_VARIABLE: str(tmp_path / "nvml.json")}


def ask(library: str, environment: dict[str, str], *questions: dict[str, Any]) -> list[dict[str, Any]]:
    """Ask a fresh child, close its input and take what it said until it ended by itself."""
    lines = "".join(json.dumps(question) + "\n" for question in questions)
    done = subprocess.run(
        [*COMMAND, library], input=lines, capture_output=True, text=True, check=False, env=environment
    )
    return [json.loads(line) for line in done.stdout.splitlines()]


@pytest.mark.parametrize("name", sorted(ALLOWED))
def test_allowed_function_is_offered_by_the_binding_and_its_double(name: str) -> None:
    assert callable(getattr(pynvml, name))
    assert callable(getattr(nvml_double, name))


def test_allowed_functions_only_read() -> None:
    assert not [n for n in ALLOWED for word in CHANGING if n.startswith(f"nvmlDevice{word}")]
    assert {n for n in ALLOWED if "Get" not in n} == {"nvmlInit", "nvmlShutdown"}


def test_every_changing_function_of_the_binding_is_refused() -> None:
    getters = Getters(pynvml)
    changing = [n for n in dir(pynvml) if n.startswith("nvml") and any(word in n for word in CHANGING)]
    assert len(changing) > 50  # the binding has dozens; none of them found would mean a blind test
    for name in changing:
        with pytest.raises(AttributeError):
            getattr(getters, name)


def test_no_changing_function_is_named_anywhere() -> None:
    words = [
        n
        for n in dir(pynvml)
        if n.startswith("nvml") and any(word in n for word in ("Set", "Clear", "Reset"))
    ]
    for path in (p for room in ROOMS for p in (ROOT / room).rglob("*.py")):
        text = path.read_text(encoding="utf-8")
        assert not [word for word in words if word in text], path


def test_binding_is_imported_by_the_child_alone() -> None:
    for path in (p for room in ROOMS for p in (ROOT / room).rglob("*.py")):
        assert "import pynvml" not in path.read_text(encoding="utf-8"), path


def test_child_ends_when_its_input_closes(environment: dict[str, str]) -> None:
    child = subprocess.Popen(
        [*COMMAND, DOUBLE], stdin=subprocess.PIPE, stdout=subprocess.PIPE, env=environment
    )
    assert child.stdin is not None and child.stdout is not None
    child.stdin.write(b'{"ask": "open", "methods": {}, "may_count": true}\n')
    child.stdin.flush()
    assert b"580.1" in child.stdout.readline()
    child.stdin.close()
    assert child.wait(30.0) == 0
    child.stdout.close()


def test_child_ends_when_its_parent_is_killed(environment: dict[str, str]) -> None:
    code = (
        "import subprocess, sys, time\n"
        f"child = subprocess.Popen({[*COMMAND, DOUBLE]!r}, stdin=subprocess.PIPE, stdout=subprocess.PIPE)\n"
        "print(child.pid, flush=True)\n"
        "time.sleep(3600)\n"
    )
    parent = subprocess.Popen([sys.executable, "-c", code], stdout=subprocess.PIPE, env=environment)
    assert parent.stdout is not None
    pid = int(parent.stdout.readline())
    watch = os.pidfd_open(pid)
    parent.send_signal(signal.SIGKILL)
    parent.wait()
    parent.stdout.close()
    ready, _, _ = select.select([watch], [], [], 30.0)
    os.close(watch)
    assert ready


def test_binding_that_is_not_there_is_named(environment: dict[str, str]) -> None:
    (answer,) = ask("no_such_binding", environment)
    assert "no_such_binding" in answer["trouble"]


def test_real_binding_without_a_driver_gives_a_code(environment: dict[str, str]) -> None:
    (answer,) = ask("pynvml", environment, {"ask": "open", "methods": {}, "may_count": True})
    assert "gpus" in answer or isinstance(answer["code"], int)


def test_reading_before_opening_is_trouble(environment: dict[str, str]) -> None:
    (answer,) = ask(DOUBLE, environment, {"ask": "read"})
    assert "not open" in answer["trouble"]


def test_gpu_whose_every_getter_fails_is_lost(environment: dict[str, str], tmp_path: Path) -> None:
    names = [n for n in ALLOWED if n.startswith("nvmlDeviceGet") and "Handle" not in n and "UUID" not in n]
    write_state(tmp_path / "nvml.json", "580.1", [GpuState(errors=dict.fromkeys(names, 15))])
    (answer,) = ask(DOUBLE, environment, {"ask": "open", "methods": {}, "may_count": True})
    assert answer["code"] == 15


def test_dear_counter_of_lost_time_is_read_seldom(environment: dict[str, str], tmp_path: Path) -> None:
    # Every field takes ten times what is allowed, so that the machine that runs the test does not matter.
    dear = GpuState(thermal_limited_ns=7, delays_s={"nvmlDeviceGetFieldValues": 0.003})
    write_state(tmp_path / "nvml.json", "580.1", [dear])
    opening = {"ask": "open", "methods": {}, "may_count": True}
    _, first, second = ask(DOUBLE, environment, opening, {"ask": "read"}, {"ask": "read"})
    uuid = GpuState().uuid
    assert (first["gpus"][uuid][9], second["gpus"][uuid][9]) == (7, [0])


@pytest.mark.parametrize(("energy_w", "verdict"), [(100.0, "agree"), (170.0, "disagree")])
def test_energy_is_held_against_power_and_time(energy_w: float, verdict: str) -> None:
    check = EnergyCheck()
    for at_s in range(0, 700, 10):
        check.add(float(at_s), 100_000)
        if at_s % 60 == 0:
            check.compare(round(at_s * energy_w * 1000))
    assert check.verdict == verdict


def test_energy_is_not_judged_across_a_silence() -> None:
    check = EnergyCheck()
    for at_s in range(0, 7000, 100):
        check.add(float(at_s), 100_000)
        check.compare(at_s * 170_000)
    assert check.verdict == "unknown"
