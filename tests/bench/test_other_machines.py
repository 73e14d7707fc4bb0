"""How the public commands judge machines that other code invented, with other physics.

``HEATDRIFT_BENCH_OTHER`` is how many machines, ``HEATDRIFT_BENCH_OTHER_SEED`` which set, and
``HEATDRIFT_BENCH_OTHER_SET`` a folder that ``other_machines.py`` wrote, to judge instead of a new set.
"""

from __future__ import annotations

import json
import os
import subprocess
import sys
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from other_machines import write_one  # type: ignore[import-not-found]

Tell = Callable[[str, str, str], None]

N_MACHINES = int(os.environ.get("HEATDRIFT_BENCH_OTHER", "3"))
SEED = int(os.environ.get("HEATDRIFT_BENCH_OTHER_SEED", "1"))
WRITTEN = os.environ.get("HEATDRIFT_BENCH_OTHER_SET")
BASELINE_DAYS, LAST_DAYS = 14, 30


@dataclass(frozen=True)
class Verdict:
    """What was said of one machine, beside the truth; changes in % over ratios of days."""

    name: str
    truth: dict[str, Any]
    paths: dict[str, dict[str, Any]]
    error: str = ""

    @property
    def own(self) -> dict[str, Any]:
        return self.paths.get(self.truth["source"], {"cause": "absent", "state": "absent", "shape": None})

    def told(self, source: str) -> bool:
        one = self.paths[source]
        return bool(one["state"] in ("watch", "act") or one["cause"] not in ("none", None))

    @property
    def is_right(self) -> bool:
        return bool((self.own["cause"] or "none") == self.truth["expected_cause"])

    @property
    def is_missed(self) -> bool:
        own = self.truth["source"]
        return self.truth["expected_cause"] != "none" and not (own in self.paths and self.told(own))

    @property
    def false_alarms(self) -> list[str]:
        """Sources that were accused and are sound; fins, air and fan of a laptop belong to both."""
        expected = self.truth["expected_cause"]
        guilty = set() if expected == "none" else {self.truth["source"]}
        if expected in ("airflow", "fan"):
            guilty = set(self.paths)  # what warms the case reaches the neighbour as well
        return [source for source in self.paths if source not in guilty and self.told(source)]

    def true_change_pct(self, source: str, border: str = "interface_ratio") -> float:
        ratio = np.array(self.truth[border] if source == self.truth["source"] else [1.0])
        first = self.truth["onset_day"] if self.truth["mode"] == "repaste" else 0
        ratio = ratio[first:] if len(ratio) > 1 else ratio
        return float(100.0 * (ratio[-LAST_DAYS:].mean() / ratio[:BASELINE_DAYS].mean() - 1.0))

    def interface_errors(self) -> list[tuple[float, float, bool]]:
        """Error of the change by either border, and whether its interval meets what lies between them.

        Of each source that knew it, but not where the readings lie: it is a change of reported figures there.
        """
        found = []
        for source, one in self.paths.items():
            part = one["interface_resistance"]
            lies = self.truth["expected_cause"] == "telemetry" and source == self.truth["source"]
            if not lies and part["change_pct"] is not None and part["change_ci95_pct"] is not None:
                borders = [
                    self.true_change_pct(source, border) for border in ("interface_ratio", "joint_ratio")
                ]
                low, high = part["change_ci95_pct"]
                by_lag, by_joint = (part["change_pct"] - border for border in borders)
                found.append((by_lag, by_joint, low <= max(borders) and min(borders) <= high))
        return found

    def line(self) -> str:
        said = {
            source: (one["state"], one["cause"], one["shape"], str(one["onset"])[:10])
            for source, one in self.paths.items()
        }
        changes = {
            f"{source}.{part}": (change["change_pct"], change["change_ci95_pct"])
            for source, one in self.paths.items()
            for part in ("interface", "airflow")
            for change in [one[f"{part}_resistance"]]
        }
        expected = (self.truth["source"], self.truth["expected_cause"], self.truth["expected_shape"])
        ends = self.truth["interface_ratio"][-1], self.truth["airflow_ratio"][-1]
        return (
            f"{self.name}: expected {expected} from day {self.truth['onset_day']}, ratios at the end {ends}, "
            f"missing {self.truth['missing']}; {self.error[-300:]} said {said}; changes {changes}"
        )


def heatdrift(*arguments: str) -> None:
    command = [sys.executable, "-m", "heatdrift", *arguments]
    done = subprocess.run(command, capture_output=True, text=True, check=False)
    assert done.returncode == 0, f"{arguments}: {done.stdout[-500:]} {done.stderr[-2000:]}"


def judge(folder: Path, scratch: Path) -> Verdict:
    """Import, declare, report: as an owner would. A command that fails is a verdict that was not given."""
    truth = json.loads((folder / "truth.json").read_text())
    try:
        return Verdict(folder.name, truth, asked(folder, scratch))
    except AssertionError as error:
        return Verdict(folder.name, truth, {}, str(error))


def asked(folder: Path, scratch: Path) -> dict[str, dict[str, Any]]:
    table = next(folder.glob("table.*"))
    scratch.mkdir(parents=True, exist_ok=True)
    where = ("--database", str(scratch / "record.db"))
    answer = scratch / "report.json"
    heatdrift("import", str(table), *where)
    if (folder / "journal.toml").exists():
        heatdrift("journal", "load", str(folder / "journal.toml"), *where)
    heatdrift("report", "--json", str(answer), *where)
    (scratch / "record.db").unlink()
    document = json.loads(answer.read_text())
    return {one["source"]: one for one in document["paths"]}


@pytest.fixture(scope="module")
def verdicts(tmp_path_factory: pytest.TempPathFactory) -> list[Verdict]:
    root = tmp_path_factory.mktemp("other")
    folder = Path(WRITTEN) if WRITTEN else root
    if not WRITTEN:
        for number in range(N_MACHINES):
            write_one(SEED, number, root)
    machines = sorted(path.parent for path in folder.glob("*/truth.json"))[:N_MACHINES]
    return [judge(one, root / "judged" / one.name) for one in machines]


def table_of(verdicts: list[Verdict]) -> list[tuple[str, str, str]]:
    """Lines of the table: what, measured, goal."""
    n = len(verdicts)
    faulty = [one for one in verdicts if one.truth["expected_cause"] != "none"]
    errors = [error for one in verdicts for error in one.interface_errors()]
    found = [one for one in faulty if one.is_right]
    lines = [
        ("commands that failed", f"{sum(bool(one.error) for one in verdicts)}", "0"),
        ("cause right", f"{sum(one.is_right for one in verdicts)} of {n}", ""),
        ("sound sources accused", f"{sum(len(one.false_alarms) for one in verdicts)}", "0"),
        ("faults missed", f"{sum(one.is_missed for one in verdicts)} of {len(faulty)}", "0"),
        (
            "shape right, where the cause is",
            f"{sum(one.own['shape'] == one.truth['expected_shape'] for one in found)} of {len(found)}",
            "",
        ),
    ]
    if errors:
        for column, border in enumerate(("lags below 3 s", "all of the joint")):
            size = np.abs([error[column] for error in errors])
            what = f"interface change, median and largest error, {border}"
            lines.append((what, f"{np.median(size):.1f}, {size.max():.1f} points of {len(size)}", ""))
        lines.append(
            ("its 95 % interval meets the truth", f"{np.mean([held for *_, held in errors]):.0%}", ">= 90%")
        )
    return lines


def test_machines_of_other_code(verdicts: list[Verdict], tell: Tell) -> None:
    for line in table_of(verdicts):
        tell(*line)
    for one in verdicts:
        if not one.is_right or one.false_alarms:
            print(("\nACCUSED " if one.false_alarms else "\nWRONG ") + one.line())
    assert all(set(one.paths) == {"gpu0", "cpu0"} for one in verdicts), [one.error for one in verdicts]
    # Most of those with nothing wrong are left alone: more would be crying wolf, whatever else is found.
    sound = [one for one in verdicts if one.truth["expected_cause"] == "none"]
    assert sum(bool(one.false_alarms) for one in sound) <= max(1, len(sound) // 2)
