"""An NVML child that is out of its mind whenever a file says so; otherwise it is the real one.

Run as ``python sensor_mad_child.py CONTROL_FILE``; the file holds the name of what to do wrong and a number,
which is noted beside it when it was done.
"""

from __future__ import annotations

import json
import os
import random
import sys
import time
from pathlib import Path
from typing import Any

from heatdrift.daemon.sensors.nvml_child import Server
from heatdrift.daemon.sensors.nvml_getters import Getters
from heatdrift.fake_sensors import nvml_double

HANG_S = 3600.0
WILD: tuple[Any, ...] = (
    *(None, -1, 0, 1e308, float("nan"), float("inf"), 2**31, 2**63, 2**70, -(2**70)),
    *("40", True, [], [3, 4], [999], {}, ""),
)


def main() -> int:
    """Serve until standard input ends."""
    control = Path(sys.argv[1])
    server = Server(Getters(nvml_double))
    for line in sys.stdin:
        answer = server.answer(json.loads(line))
        fault, _, seed = control.read_text().rpartition(" ") if control.exists() else ("", "", "")
        if fault:
            with control.with_name("met").open("a") as met:
                met.write(f"{seed}\n")
            misbehave(fault, answer, random.Random(f"{seed} {time.monotonic_ns()}"))
        else:
            say(json.dumps(answer) + "\n")
    return 0


def misbehave(fault: str, answer: dict[str, Any], rng: random.Random) -> None:
    """Answer as no child should."""
    whole = json.dumps(answer)
    if fault == "hangs":
        time.sleep(HANG_S)
    elif fault == "dies in the middle":
        say(whole[: rng.randrange(len(whole))])
        os._exit(rng.choice((0, 1, 139)))
    elif fault == "talks garbage":
        junk = rng.choice(
            (
                "garbage\n",
                "[1]\n",
                "null\n",
                "{}\n",
                '{"gpus": 5}\n',
                '{"gpus": {}}\n',
                "\x00\n",
                "9" * 5000 + "\n",
            )
        )
        say(rng.choice((junk, whole[: rng.randrange(len(whole))] + "\n", '{"gpus": {"x": [1, 2]}}\n')))
    elif fault == "talks without end":
        say("x" * (2 << 20))
    elif fault == "wild numbers":
        say(json.dumps(_wild(answer, rng)) + "\n")


def say(text: str) -> None:
    """Write, whether anybody still listens or not."""
    try:
        sys.stdout.write(text)
        sys.stdout.flush()
    except BrokenPipeError:
        os._exit(0)


def _wild(answer: dict[str, Any], rng: random.Random) -> dict[str, Any]:
    """One to three readings of each card replaced by what no card can say."""
    gpus = answer.get("gpus")
    if not isinstance(gpus, dict):
        return answer
    for raw in gpus.values():
        if isinstance(raw, list):
            for index in rng.sample(range(len(raw)), min(len(raw), rng.randint(1, 3))):
                raw[index] = rng.choice(WILD)
    return answer


if __name__ == "__main__":
    sys.exit(main())
