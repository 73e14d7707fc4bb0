"""What a neighbour's wrong power reading did is taken back."""

from __future__ import annotations

from dataclasses import replace

import pytest

from heatdrift.reports.cause import Cause
from heatdrift.reports.judgement import Verdict, settle

from .made_verdicts import verdict


def changed(source: str, cause: Cause, leading: str, onset: str, shared_with: tuple[str, ...]) -> Verdict:
    return verdict(source, cause, leading, onset=onset, pct=-7.0, shared_with=shared_with)


GPU = changed("gpu0", Cause.TELEMETRY, "interface", "2026-02-14T00:00:00Z", ("cpu0",))
CPU = changed("cpu0", Cause.UNKNOWN, "airflow", "2026-02-15T00:00:00Z", ("gpu0",))


def test_the_air_of_a_neighbour_holds_where_a_power_reading_changed() -> None:
    gpu, cpu = settle([GPU, CPU])
    assert gpu is GPU
    assert (cpu.state, cpu.cause, cpu.leading) == ("holding", Cause.NONE, None)
    assert "readings of gpu0" in cpu.remark


@pytest.mark.parametrize(
    "other",
    [
        replace(GPU, cause=Cause.INTERFACE),
        changed("gpu0", Cause.TELEMETRY, "interface", "2026-03-20T00:00:00Z", ("cpu0",)),
    ],
    ids=["another-cause", "another-day"],
)
def test_nothing_is_taken_back_without_reason(other: Verdict) -> None:
    assert settle([other, CPU])[1] is CPU


def test_a_sink_of_its_own_is_not_touched() -> None:
    alone = changed("cpu0", Cause.AIRFLOW, "airflow", "2026-02-15T00:00:00Z", ())
    assert settle([GPU, alone])[1] is alone
