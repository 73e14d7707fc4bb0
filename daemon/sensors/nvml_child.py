"""The process in which NVML lives: it may hang, leak or die here without taking the service along.

Run as ``python -m heatdrift.daemon.sensors.nvml_child --library pynvml``. It answers one line for each
line it is asked, and ends when its standard input closes, that is also when its parent was killed.
"""

from __future__ import annotations

import importlib
import json
import os
import select
import sys
import time

from .nvml_device import Device, FailedError
from .nvml_facts import EnergyCheck, bus_id, lasting_facts
from .nvml_getters import Getters
from .nvml_sentry import BELL_VARIABLE, Sentry, own_clocks

TYPE_CHECKING = False  # importing `typing` for it would cost the child half a megabyte
if TYPE_CHECKING:
    from collections.abc import Callable, Iterator
    from typing import Any

    from .nvml_device import Answer

OPEN_FILES = "/proc/self/fd"
LARGEST_PIECE = 65536
SIDE_QUESTIONS = ("peek", "facts", "open")  # asked between looks; what is looked out for stays the same


class Server:
    """Answers the parent's questions with one binding of NVML."""

    def __init__(self, getters: Getters) -> None:
        self._nvml = getters
        self._devices: dict[str, Device] = {}
        self._lasting: dict[str, dict[str, str]] = {}
        self._checks: dict[str, EnergyCheck] = {}
        self._is_open = False
        self._trim = _trimmer()

    def answer(self, question: dict[str, Any]) -> dict[str, Any]:
        """Answer one question, whatever goes wrong in it."""
        try:
            ask = question["ask"]
            if ask == "open":
                return self._open(question["methods"], question["may_count"])
            if ask == "shut":
                return self._shut()
            if not self._is_open:
                return {"trouble": "NVML is not open"}
            return {"read": self._read, "peek": self._peek, "facts": self._facts}[ask]()
        except FailedError as error:
            return {"code": error.code, "where": error.where}
        except self._nvml.error as error:
            return {"code": int(error.value), "where": str(question.get("ask"))}  # type: ignore[attr-defined]

    def peek(self, uuid: str) -> list[Answer]:
        """What one GPU says at a peek."""
        return self._devices[uuid].peek()

    def _open(self, methods: dict[str, str], may_count: bool) -> dict[str, Any]:
        if not self._is_open:
            self._nvml.nvmlInit()
            self._is_open = True
        self._devices.clear()
        driver = self._nvml.nvmlSystemGetDriverVersion()
        driver = driver.decode() if isinstance(driver, bytes) else str(driver)
        gpus, failure = [], None
        for index in range(self._nvml.nvmlDeviceGetCount()):
            # One GPU that fell off the bus must not cost the others' readings.
            try:
                gpus.append(self._open_one(index, methods, may_count))
            except FailedError as error:
                failure = {"code": error.code, "where": f"GPU {index}"}
            except self._nvml.error as error:
                failure = {"code": int(error.value), "where": f"GPU {index}"}  # type: ignore[attr-defined]
        if failure and not gpus:
            return failure
        self._trim()
        return {"driver": driver, "gpus": gpus, "lost": failure}

    def _open_one(self, index: int, methods: dict[str, str], may_count: bool) -> dict[str, Any]:
        handle = self._nvml.nvmlDeviceGetHandleByIndex(index)
        uuid = self._nvml.nvmlDeviceGetUUID(handle)
        uuid = uuid.decode() if isinstance(uuid, bytes) else str(uuid)
        device = Device(self._nvml, handle, uuid, methods.get(uuid, ""), may_count)
        self._devices[uuid] = device
        self._checks.setdefault(uuid, EnergyCheck())
        self._lasting[uuid] = lasting_facts(self._nvml, device, handle)
        return {
            "uuid": uuid,
            "bus_id": bus_id(self._nvml, handle),
            "method": device.method,
            "energy_cost_s": device.energy_cost_s,
            "offered": device.offered,
            "facts": self._lasting[uuid],
        }

    def _read(self) -> dict[str, Any]:
        readings = {uuid: [time.monotonic(), *device.read()] for uuid, device in self._devices.items()}
        for uuid, device in self._devices.items():
            power_mw = device.power_mw()
            if isinstance(power_mw, int):
                self._checks[uuid].add(time.monotonic(), power_mw)
        return {"gpus": readings}

    def _peek(self) -> dict[str, Any]:
        return {"gpus": {uuid: device.peek() for uuid, device in self._devices.items()}}

    def _facts(self) -> dict[str, Any]:
        facts = {}
        for uuid, device in self._devices.items():
            energy_mj = device.energy_mj()
            if isinstance(energy_mj, int):
                self._checks[uuid].compare(energy_mj)
            facts[uuid] = {**self._lasting[uuid], "energy_and_power": self._checks[uuid].verdict}
            limit_mw = device.ask("nvmlDeviceGetEnforcedPowerLimit")
            if isinstance(limit_mw, int):
                facts[uuid]["enforced_limit_w"] = f"{limit_mw / 1000:g}"
        return {"gpus": facts}

    def _shut(self) -> dict[str, Any]:
        """Let go of every GPU; ``held`` tells the parent that only ending this process will do."""
        if self._is_open:
            self._is_open = False
            self._devices.clear()
            self._nvml.nvmlShutdown()
        return {"held": _holds_a_gpu()}


def _trimmer() -> Callable[[], object]:
    """The C library's way to give freed memory back: 9 MB on a real driver, which needs them only to open."""
    ctypes = sys.modules.get("ctypes")  # the real binding has loaded it; nothing else here is worth its size
    try:
        trim = ctypes.CDLL(None).malloc_trim if ctypes else None
    except (AttributeError, OSError, TypeError):  # not the GNU library
        trim = None
    return (lambda: trim(0)) if trim else (lambda: None)


def _holds_a_gpu() -> bool:
    try:
        numbers = os.listdir(OPEN_FILES)  # noqa: PTH208 - pathlib would cost the child a megabyte
    except OSError:
        return False
    for number in numbers:
        try:
            target = os.readlink(f"{OPEN_FILES}/{number}")  # noqa: PTH115 - as above
            if target.startswith("/dev/nvidia"):
                return True
        except OSError:
            continue
    return False


def main(arguments: list[str]) -> int:
    """Serve until standard input ends."""
    library = arguments[arguments.index("--library") + 1]
    # What a driver library prints must not be taken for an answer: it gets the error stream.
    answers = os.fdopen(os.dup(1), "w", encoding="utf-8")
    os.dup2(2, 1)
    try:
        server = Server(Getters(importlib.import_module(library)))
    except ImportError as error:
        answers.write(json.dumps({"trouble": f"cannot import {library}: {error}"}) + "\n")
        return 1
    bell = os.environ.get(BELL_VARIABLE, "")
    sentry = Sentry(int(bell) if bell.isdigit() else None, server.peek, own_clocks)
    for line in _lines(sentry):
        question = json.loads(line)
        answers.write(json.dumps(server.answer(question)) + "\n")
        answers.flush()
        if question.get("ask") not in SIDE_QUESTIONS:
            sentry.post(question.get("orders"))
    return 0


def _lines(sentry: Sentry) -> Iterator[bytes]:
    """What is asked, line by line, until standard input ends; the sentry looks out meanwhile."""
    held = b""
    while True:
        if not select.select([0], [], [], sentry.rest_s())[0]:
            sentry.look()
            continue
        piece = os.read(0, LARGEST_PIECE)
        if not piece:
            return
        *lines, held = (held + piece).split(b"\n")
        yield from lines


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
