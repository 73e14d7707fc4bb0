"""Whether the 80 % interval of the day on which the limit is reached holds that day, by law and clock.

``HEATDRIFT_BENCH_CREEPS`` (40) machines of each law are looked at once, 30 to 120 days after the onset; days
are as noisy as in `simulated_creep.py`, future use is not known to who foretells it.
"""

from __future__ import annotations

import math
import os
import time
from collections.abc import Callable
from importlib import import_module

import numpy as np
import pytest

from heatdrift.reports.drift import AIRFLOW, INTERFACE, DetectorSettings

Tell = Callable[[str, str, str], None]
N_CREEPS = int(os.environ.get("HEATDRIFT_BENCH_CREEPS", "40"))


@pytest.mark.parametrize(("part", "settings"), [("interface", INTERFACE), ("airflow", AIRFLOW)])
def test_the_interval_holds_the_day(tell: Tell, part: str, settings: DetectorSettings) -> None:
    creeps = import_module("simulated_creep")
    before = time.process_time()
    seen = [(one, creeps.holds(one)) for one in creeps.cases(N_CREEPS, 11, settings)]
    spent_ms = 1000.0 * (time.process_time() - before) / len(seen)
    dated = [(one, held) for one, held in seen if held is not None]
    by_law = {}
    for law in creeps.LAWS:
        mine = [(one, held) for one, held in dated if one.law == law]
        by_law[law] = [held for _, held in mine]
        width = np.median([one.said.ci80_days[1] - one.said.ci80_days[0] for one, _ in mine] or [math.nan])
        share = f"{np.mean(by_law[law] or [math.nan]):.0%} of {len(mine)} dates ({width:.0f} days wide)"
        tell(f"{part}, {law}: holds the day", share, "70-90 %")
    overall = float(np.mean([held for _, held in dated]))
    tell(f"{part}, all: holds the day", f"{overall:.1%} of {len(dated)} dates", "70-90 %")
    tell(f"{part}: dates given", f"{len(dated)} of {len(seen)}", "")
    tell(f"{part}: a case with its detector, CPU", f"{spent_ms:.0f} ms", "")
    # 0.8 are claimed: binomial standard error, two of them on either side of the goal.
    error = math.sqrt(0.8 * 0.2 / len(dated))
    assert 0.70 - 2.0 * error < overall < 0.90 + 2.0 * error
    for law, held in by_law.items():
        if law == "levelling":
            # While it still rises it looks like the others, and most of these never arrive: what is asked
            # is that few dates are given at all, a quarter of the cases at most.
            assert len(held) <= 0.25 * N_CREEPS
        elif len(held) >= 8:
            assert np.mean(held) > 0.70 - 2.0 * math.sqrt(0.21 / len(held))
