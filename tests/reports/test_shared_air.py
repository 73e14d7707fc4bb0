"""A sink that clogs, clogs for all sources on it; two coolers in one case share less."""

from __future__ import annotations

import math
from dataclasses import replace
from types import SimpleNamespace
from typing import Any

import numpy as np
import pandas as pd
import pytest

from heatdrift.reports.cause import Cause
from heatdrift.reports.detector_settings import AIRFLOW_LOG_BAYES_LIMIT
from heatdrift.reports.era_model import KnownReference
from heatdrift.reports.evidence import CHANGES_PER_DAY
from heatdrift.reports.part_series import TOTAL, part_series
from heatdrift.reports.reference_temperature import ReferenceKind
from heatdrift.reports.shared_air import evidence, helped_settings, is_against_its_sink, told_of_its_air
from heatdrift.reports.together import settle
from heatdrift.reports.verdict import Verdict

from .made_verdicts import verdict

N_DAYS, ONSET_DAY, CHANGE_PCT = 80, 50, 26.0
FIRST = pd.Timestamp("2026-01-01", tz="UTC")
ONSET = (FIRST + pd.Timedelta(days=ONSET_DAY)).strftime("%Y-%m-%dT%H:%M:%SZ")
CLOGGED = verdict("cpu0", Cause.AIRFLOW, "airflow", onset=ONSET, pct=CHANGE_PCT)


def silent(change_pct: float, shared_with: tuple[str, ...]) -> Verdict:
    """A source whose air changed that day, too little to be told of it by itself."""
    log_ratio = np.where(np.arange(N_DAYS) >= ONSET_DAY, np.log1p(change_pct / 100.0), 0.0)
    log_ratio = log_ratio + 0.02 * np.random.default_rng(1).standard_normal(N_DAYS)
    table = pd.DataFrame(
        {
            "day": (FIRST + pd.to_timedelta(np.arange(N_DAYS), "D")).strftime("%Y-%m-%d"),
            "part": TOTAL,
            "workload_class": "game",
            "value": 0.2 * np.exp(log_ratio),
            "standard_error": 0.2 * 0.02,
            "n": 20,
        }
    )
    one = verdict("gpu0", Cause.NONE, "fan", onset=ONSET, pct=0.0, shared_with=shared_with)
    air = replace(one.airflow, series=part_series(table, TOTAL))
    return replace(one, state="holding", leading=None, airflow=air)


# Without probe and fan healthy air wanders by 6 %: 17 % is nearly three of them, 10 % less than two.
@pytest.mark.parametrize(
    ("change_pct", "shared_with", "is_told"),
    [
        (17.0, ("cpu0",), True),
        (17.0, (), False),
        (26.0, (), True),
        (2.0, ("cpu0",), False),
        (0.0, (), False),
        (-15.0, ("cpu0",), False),
    ],
)
def test_air_is_told_where_the_source_agrees(
    change_pct: float, shared_with: tuple[str, ...], is_told: bool
) -> None:
    gpu = settle([CLOGGED, silent(change_pct, shared_with)])[1]
    assert (gpu.cause is Cause.AIRFLOW, gpu.state != "holding") == (is_told, is_told)
    assert ("cpu0" in gpu.remark) is is_told
    if is_told:  # by its own number, since the other's day
        assert gpu.leading is gpu.airflow
        assert gpu.airflow.changed_by.onset_utc == ONSET
        assert abs(gpu.airflow.changed_by.change_pct - change_pct) < 2.0  # 24 days of 2 % scatter: 0.4 %


def test_evidence_grows_with_what_is_seen() -> None:
    seen = [evidence(silent(pct, ()), CLOGGED.airflow) for pct in (0.0, 10.0, 20.0)]
    assert seen == sorted(seen) and seen[0] < 0.0 < seen[2]


def test_only_air_or_a_fan_that_leads_is_told_of() -> None:
    gpu = silent(26.0, ("cpu0",))
    for other in (replace(CLOGGED, cause=Cause.TELEMETRY), replace(CLOGGED, leading=CLOGGED.idle)):
        assert told_of_its_air(gpu, [other, gpu]) is gpu
    worn = replace(CLOGGED, cause=Cause.FAN)
    assert told_of_its_air(gpu, [worn, gpu]).cause is Cause.FAN
    assert told_of_its_air(silent(26.0, ()), [worn, gpu]).cause is Cause.AIRFLOW
    assert told_of_its_air(replace(gpu, airflow=CLOGGED.fan), [CLOGGED, gpu]).leading is None


def unsure(
    source: str, beside: str, change_pct: float, log_bayes: float, shared_with: tuple[str, ...] | None = None
) -> Verdict:
    """A source whose air seems changed, with too little evidence to say so."""
    one = silent(change_pct, (beside,) if shared_with is None else shared_with)
    assert one.airflow.detection is not None
    found = replace(one.airflow.detection, change_pct=change_pct, log_bayes_factor=log_bayes, n_rows=N_DAYS)
    return replace(one, source=source, airflow=replace(one.airflow, detection=found))


def test_evidence_of_two_on_one_sink_adds_and_its_rarity_counts_once() -> None:
    cpu, gpu = unsure("cpu0", "gpu0", 20.0, -1.0), unsure("gpu0", "cpu0", 15.0, -0.5)
    helped = helped_settings(cpu, [cpu, gpu])
    assert helped is not None
    assert gpu.airflow.series is not None
    rarity = math.log(CHANGES_PER_DAY * (N_DAYS - gpu.airflow.series.n_baseline))
    assert helped.log_bayes_limit == pytest.approx(AIRFLOW_LOG_BAYES_LIMIT + 0.5 + rarity)


def test_nothing_is_borne_out_by_a_neighbour_that_says_something_else() -> None:
    cpu = unsure("cpu0", "gpu0", 20.0, -1.0)
    for gpu in (
        unsure("gpu0", "cpu0", -15.0, -0.5),  # better, not worse
        unsure("gpu0", "cpu0", 4.0, -0.5),  # too little to matter
        unsure("gpu0", "cpu0", 15.0, -4.0),  # nothing speaks for it
        replace(unsure("gpu0", "cpu0", 15.0, -0.5), leading=CLOGGED.airflow),  # known already
    ):
        assert helped_settings(cpu, [cpu, gpu]) is None
    coolers = [unsure("cpu0", "gpu0", 20.0, -1.0, ()), unsure("gpu0", "cpu0", 15.0, -0.5, ())]
    assert helped_settings(coolers[0], coolers) is None
    assert helped_settings(cpu, [cpu]) is None


@pytest.mark.parametrize(
    ("error_pct", "beside_pct", "is_against"),
    [
        (4.0, 0.0, True),  # barely seen, and the fins of the neighbour are as they were
        (4.0, 14.0, False),  # the neighbour says the same
        (0.5, 0.0, False),  # so plain that both together are
    ],
)
def test_fins_cannot_clog_for_one_of_two(error_pct: float, beside_pct: float, is_against: bool) -> None:
    air = replace(
        CLOGGED.airflow.changed_by,
        change_pct=14.0,
        change_ci95_pct=(14.0 - 2.0 * error_pct, 14.0 + 2.0 * error_pct),
    )
    leading = replace(CLOGGED.airflow, detection=air)
    cpu = replace(CLOGGED, airflow=leading, leading=leading)
    # Read by a probe in the room, the air of the neighbour wanders by 1.5 %.
    reference = KnownReference(ReferenceKind.AMBIENT.value, "ambient", 0.0, 0.5, 0.3, 0)
    gpu = silent(beside_pct, ("cpu0",))
    model: Any = SimpleNamespace(shared_with=("cpu0",), fan="fan1", reference=reference)
    gpu = replace(gpu, model=model)
    assert is_against_its_sink(cpu, [cpu, gpu]) is is_against
    found = settle([cpu, gpu])[0]
    assert (found.state == "holding") is is_against
    assert ("speaks against" in found.remark) is is_against
    coolers = [replace(cpu), silent(beside_pct, ())]
    assert not is_against_its_sink(coolers[0], coolers)  # each has fins of its own
