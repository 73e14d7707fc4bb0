"""How long until the limit, against courses that are written down here."""

from __future__ import annotations

import math
from importlib import import_module

import numpy as np
import pandas as pd
import pytest

from heatdrift.reports.creep_laws import CreepForecast, forecast_creep
from heatdrift.reports.heat_path import Estimate
from heatdrift.reports.outlook import Outlook, limit_of, outlook

AMBIENT_C, POWER_W = 25.0, 115.0


def test_nothing_known_is_said() -> None:
    found = outlook("cpu0", None, total_change=None, creep=None, ambient_c=25.0, power_w=65.0)
    assert found.now_c is None and "not known" in found.reason


def creep(law: str = "straight", scatter: float = 0.002, size: float = 0.3) -> CreepForecast:
    """120 days after the onset, 30 % in 90 days."""
    age = np.maximum(np.arange(151.0) - 30.0, 0.0)
    ratio = 1.0 + size * (age / 90.0 if law == "straight" else np.sqrt(age / 90.0))
    noise = scatter * np.random.default_rng(2).standard_normal(len(age))
    index = pd.Timestamp("2026-01-01", tz="UTC") + pd.to_timedelta(np.arange(151), unit="D")
    rows = pd.DataFrame({"log_ratio": np.log(ratio) + noise, "standard_error": scatter}, index)
    near = ("2026-01-30T00:00:00Z", "2026-02-01T00:00:00Z")
    return forecast_creep(rows, near, baseline_standard_error=0.0005, systematic_sd=0.002)


def foretold(
    forecast: CreepForecast | None, limit_c: float | None, recent: float = 0.14, k_per_w: float = 0.45
) -> Outlook:
    """With a share of 0.4; ``recent`` is the change of the whole in the last thirty days."""
    return outlook(
        "gpu0",
        Estimate(k_per_w, 0.001, 100),
        total_change=(math.log1p(recent), 0.001),
        creep=forecast,
        share=0.4,
        ambient_c=AMBIENT_C,
        power_w=POWER_W,
        limit_c=limit_c,
    )


@pytest.mark.parametrize(
    ("law", "power", "name"), [("straight", 1.0, "straight line"), ("root", 0.5, "root")]
)
def test_a_creep_is_carried_on_by_its_law(law: str, power: float, name: str) -> None:
    def whole(age_days: float) -> float:
        return 1.0 + 0.4 * 0.3 * float((age_days / 90.0) ** power)

    recent = float(np.mean([whole(age) for age in range(91, 121)])) - 1.0
    limit_c = AMBIENT_C + POWER_W * 0.45 * whole(120.0 + 60.0)
    found = foretold(creep(law), limit_c, recent)
    assert (found.law, found.clock, found.limit_c) == (name, "days", limit_c)
    assert name + " in days" not in found.worse and sum(found.worse.values()) < 0.5
    # what has grown since the middle of the last thirty days is in it; it is known to 0.2 % of the rise
    assert found.now_c == pytest.approx(AMBIENT_C + POWER_W * 0.45 * whole(120.0), abs=0.15)
    assert found.days_to_limit is not None and found.ci80_days is not None
    # other laws that are still believed draw the middle by some days
    assert found.days_to_limit == pytest.approx(60.0, rel=0.15)
    assert found.ci80_days[0] < 60.0 < found.ci80_days[1]


def test_the_sensors_own_limit_comes_first() -> None:
    assert foretold(creep(), None).limit_c == limit_of("gpu0")
    assert foretold(creep(), 95.0).limit_c == 95.0
    assert foretold(None, 95.0).limit_c == 95.0


def test_no_date_of_a_creep_is_given_where_none_is_known() -> None:
    over, far, never, healing, still = (
        foretold(creep(), 83.0),
        foretold(creep("straight", 0.02, 0.03), 95.0, 0.014),
        foretold(creep("root", 0.02), 140.0),
        foretold(creep(size=-0.1), 95.0, -0.05),
        foretold(None, 95.0),
    )
    assert over.reason == "already at its limit"
    assert "no date" in far.reason and "no date" in never.reason
    assert healing.reason == "it does not grow"
    assert still.reason == "nothing creeps" and not still.law and not still.worse
    for one in (over, far, never, healing, still):
        assert one.days_to_limit is None and one.ci80_days is None and one.now_c is not None


def test_a_worse_known_path_has_a_wider_interval() -> None:
    widths = []
    for error in (0.001, 0.02):
        found = outlook(
            "gpu0",
            Estimate(0.45, error * 0.45, 100),
            total_change=(math.log(1.14), error),
            creep=creep(),
            share=0.4,
            ambient_c=AMBIENT_C,
            power_w=POWER_W,
            limit_c=AMBIENT_C + POWER_W * 0.45 * 1.24,
        )
        assert found.ci80_days is not None
        widths.append(found.ci80_days[1] - found.ci80_days[0])
    # 2 % of the whole is 5 % of a part with a share of 0.4, which that creeps in 15 days: 60 days wide or so
    assert widths[1] > 2.0 * widths[0]


def test_intervals_of_creeps_hold_the_day() -> None:
    """The smaller version of tests/bench/test_outlook_coverage.py."""
    creeps = import_module("simulated_creep")
    seen = [creeps.holds(one) for one in creeps.cases(8, 5)]
    dated = [held for held in seen if held is not None]
    assert len(dated) >= 12  # half of the 48 in the larger version
    # 80 % are claimed; fewer than this come by chance in one of 200 (2.6 binomial standard errors)
    assert np.mean(dated) > 0.8 - 2.6 * math.sqrt(0.16 / len(dated))
