"""The service's own recording of a real accelerator: every load step is there at one look a second."""

from __future__ import annotations

from pathlib import Path

import pandas as pd
import pytest

FOLDER = Path(__file__).parent / "recordings"
BEFORE_S, AFTER_S = 10, 60
# The loop keeps to a grid of one second; a look that was a tenth late would still tell two seconds apart.
PERIOD_S, SLACK_S = 1.0, 0.1


@pytest.fixture(scope="module")
def table() -> pd.DataFrame:
    frame = pd.read_csv(FOLDER / "accelerator-steps.csv")
    frame.index = pd.to_datetime(frame.pop("time"), format="ISO8601", utc=True)
    return frame


def phases() -> list[tuple[pd.Timestamp, str, str]]:
    """Beginning, phase before and phase of each load step."""
    frame = pd.read_csv(FOLDER / "accelerator-phases.csv", comment="#")
    at = pd.to_datetime(frame["at_unix_s"], unit="s", utc=True)
    names = list(frame["phase"])
    # The first "idle" continues the idle before it; "end" ends one.
    return [(at[i], names[i - 1], names[i]) for i in range(1, len(names) - 1)]


STEPS = phases()


@pytest.mark.parametrize(("at", "before", "after"), STEPS, ids=[f"{b}-{a}-{t:%H%M}" for t, b, a in STEPS])
def test_every_step_is_kept_at_one_look_a_second(
    table: pd.DataFrame, at: pd.Timestamp, before: str, after: str
) -> None:
    until = at + pd.Timedelta(seconds=min(AFTER_S, 44))  # the shortest phase lasts 45 s
    window = table[(table.index > at) & (table.index <= until)]
    spacing_s = window.index.to_series().diff().dt.total_seconds().dropna()
    assert (spacing_s - PERIOD_S).abs().max() <= SLACK_S
    # The look that a peek called for comes within a peek's period of the step.
    assert (window.index[0] - at).total_seconds() <= PERIOD_S + 0.5


@pytest.mark.parametrize(
    ("at", "before", "after"), STEPS[1:], ids=[f"{b}-{a}-{t:%H%M}" for t, b, a in STEPS[1:]]
)
def test_the_seconds_before_a_step_are_kept_too(
    table: pd.DataFrame, at: pd.Timestamp, before: str, after: str
) -> None:
    """From the second step on; before the first the machine idled and was looked at every ten seconds."""
    window = table[(table.index > at - pd.Timedelta(seconds=BEFORE_S)) & (table.index <= at)]
    assert len(window) == BEFORE_S


def test_the_die_answers_before_the_mean_power_does(table: pd.DataFrame) -> None:
    """Full load from idle: in the first look after the step the die has done over half of its first second's
    rise, while a one-second mean has shown less of the power than that."""
    at = next(t for t, before, after in STEPS[1:] if (before, after) == ("idle", "full"))
    before = table[table.index <= at].iloc[-1]
    first, second = table[table.index > at].iloc[0], table[table.index > at].iloc[1]
    die = (first["gpu0.temperature_c"] - before["gpu0.temperature_c"]) / (
        second["gpu0.temperature_c"] - before["gpu0.temperature_c"]
    )
    power = (first["gpu0.power_w"] - before["gpu0.power_w"]) / (
        second["gpu0.power_w"] - before["gpu0.power_w"]
    )
    assert die > 0.5 > power


def test_nothing_was_invented(table: pd.DataFrame) -> None:
    assert table["gpu0.temperature_c"].between(35, 90).all()  # idle in a cool rack; slow-down point 89 °C
    assert table["gpu0.power_w"].between(60, 1.1 * 700).all()  # idle 72 W seen; limit 700 W, short overshoot
    assert table.index.is_monotonic_increasing
    assert table.index.is_unique
