"""Load steps of machines whose truth is known, and of the two accelerators that were really recorded."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import replace
from functools import cache
from pathlib import Path

import numpy as np
import numpy.typing as npt
import pandas as pd
import pytest

from heatdrift.fake_sensors.history import record_history
from heatdrift.fake_sensors.machine import FakeMachine
from heatdrift.fake_sensors.split_truth import Work, interface_seconds, interface_truth_k_per_w
from heatdrift.reports.lags import held_power, lag_responses
from heatdrift.reports.step_design import StepDesign, powers_at
from heatdrift.reports.step_windows import cut_windows, find_onsets, usable_looks
from heatdrift.reports.steps import LoadStep, StepSettings, TimeConstants, fit_steps, identify_time_constants
from heatdrift.store.errors import AnalysisError, TooFewWindowsError
from heatdrift.store.records import Batch, Cadence, Channel, SourceSample
from heatdrift.store.units import SOURCE_QUANTITIES

Array = npt.NDArray[np.float64]

ROOT = Path(__file__).resolve().parents[2]
TRACE = ROOT.parent / "shared" / "traces" / "h100-a.csv"
RECORDING = ROOT / "tests" / "recordings" / "accelerator-steps.csv"
MACHINES = [(kind, seed) for kind in ("laptop", "desktop") for seed in (1, 2, 3)]
# Three days of six hours of load: some 150 usable steps for each source.
DAYS, LOAD_HOURS = 3.0, 6.0
# Relative deviations, relative standard errors, time constants found, and the true one of the die [s].
Result = tuple[Array, Array, TimeConstants, float]
Spoiler = Callable[[pd.DataFrame], pd.DataFrame]


class Collector:
    """Takes what a writer would, and keeps it in memory."""

    def __init__(self) -> None:
        self.rows: list[SourceSample] = []

    def write(self, batch: Batch) -> None:
        self.rows.extend(batch.sources)

    def register_source(self, name: str, kind: str, at_utc_ms: int) -> None: ...

    def register_channel(self, channel: Channel, owner: str, at_utc_ms: int) -> None: ...


@cache
def recorded(kind: str, seed: int) -> tuple[FakeMachine, dict[str, pd.DataFrame]]:
    machine, collector = FakeMachine.of(kind, seed, load_hours_a_day=LOAD_HOURS), Collector()
    record_history(collector, machine, machine.time_utc_ms, DAYS)  # type: ignore[arg-type]
    names = dict.fromkeys(row.source for row in collector.rows)
    return machine, {name: frame_of([r for r in collector.rows if r.source == name]) for name in names}


def frame_of(rows: list[SourceSample]) -> pd.DataFrame:
    frame = pd.DataFrame(
        [[np.nan if v is None else v / 1000 for v in row.values] for row in rows],
        columns=[quantity.name for quantity in SOURCE_QUANTITIES],
        index=pd.to_datetime([row.time_utc_ms for row in rows], unit="ms", utc=True),
    )
    return frame.assign(cadence=[row.cadence for row in rows], n_looks=[row.n_looks for row in rows])


def looks_frame(at_unix_s: Array, temperature_c: Array, power_w: Array) -> pd.DataFrame:
    """Looks as the daemon keeps them near a step."""
    return pd.DataFrame(
        {"temperature_c": temperature_c, "power_w": power_w, "memory_utilization_pct": np.nan}
        | {"clock_mhz": 1500.0, "cadence": int(Cadence.STEP), "n_looks": 1},
        index=pd.to_datetime(np.round(at_unix_s * 1000).astype(np.int64), unit="ms", utc=True),
    )


def fitted(
    frames: dict[str, pd.DataFrame], name: str, is_shared: bool
) -> tuple[TimeConstants, list[LoadStep]]:
    others = [frame for other, frame in frames.items() if other != name] if is_shared else []
    constants = identify_time_constants(frames[name], others=others)
    return constants, fit_steps(frames[name], constants, others=others)


def deviations(
    machine: FakeMachine, frames: dict[str, pd.DataFrame], name: str, steps: list[LoadStep]
) -> Iterator[tuple[float, float]]:
    """Relative deviation from the truth and relative standard error of each step that was identified."""
    memory = frames["gpu0"]["memory_utilization_pct"].to_numpy() / 100
    times_ms = pd.DatetimeIndex(frames["gpu0"].index).as_unit("ms").asi8
    for step in steps:
        if step.interface_resistance_k_per_w is None:
            continue
        assert step.power_before_w is not None and step.power_after_w is not None
        assert step.standard_error_k_per_w is not None
        at = int(np.searchsorted(times_ms, step.at_utc_ms))
        truth = interface_truth_k_per_w(
            machine,
            name,
            Work(step.power_before_w, memory[max(at - 1, 0)]),
            Work(step.power_after_w, memory[min(at + 4, len(memory) - 1)]),
        )
        yield step.interface_resistance_k_per_w / truth - 1.0, step.standard_error_k_per_w / truth


@pytest.fixture(scope="module")
def results() -> dict[str, Result]:
    found: dict[str, Result] = {}
    for kind, seed in MACHINES:
        machine, frames = recorded(kind, seed)
        for name in frames:
            constants, steps = fitted(frames, name, kind == "laptop")
            pairs = np.array(list(deviations(machine, frames, name, steps)))
            seconds = interface_seconds(machine, name)
            found[f"{kind}-{seed}-{name}"] = pairs[:, 0], pairs[:, 1], constants, seconds
    return found


def test_intervals_of_steps_hold_the_truth_as_often_as_they_claim(results: dict[str, Result]) -> None:
    """Whole degrees on most sensors, flickering work, fans and neighbours; 95 % claimed."""
    inside = [
        np.abs(errors) <= 1.96 * np.hypot(sds, constants.common_relative_error)
        for errors, sds, constants, _ in results.values()
    ]
    assert sum(map(len, inside)) > 1000  # else a coverage would not be known to 1 %
    # 90 to 98 % is what was set as the goal for such an interval.
    assert 0.90 <= np.concatenate(inside).mean() <= 0.98


def test_mean_over_the_steps_is_near_the_truth(results: dict[str, Result]) -> None:
    means, claims = [], []
    for errors, sds, constants, _ in results.values():
        weights = 1.0 / sds**2
        means.append(float(errors @ weights / weights.sum()))
        claims.append(float(np.hypot(constants.common_relative_error, weights.sum() ** -0.5)))
    # The goal for a month is 2 %; three days of twice the load are as many steps as ten ordinary days.
    assert np.median(np.abs(means)) <= 0.02
    # Of twelve intervals that hold the truth with 90 %, eight do but for one time in two hundred.
    assert np.sum(np.abs(means) <= 1.96 * np.array(claims)) >= 8


def test_time_constant_of_the_die_is_found(results: dict[str, Result]) -> None:
    off = [abs(constants.interface_s / truth_s - 1.0) for _, _, constants, truth_s in results.values()]
    # One look a second and whole degrees: a third is what a time constant below half a second leaves open.
    assert max(off) <= 0.33
    assert np.median(off) <= 0.08


def made_steps(n_steps: int, rng: np.random.Generator) -> tuple[pd.DataFrame, TimeConstants]:
    """Steps of about 80 W up and down every three minutes, whole degrees, onsets anywhere within a second.

    No two steps are alike: else a whole-degree sensor would err alike in all of them.
    """
    n_looks = 180 * n_steps
    times_s = 1e9 + np.arange(n_looks) + rng.uniform(0.0, 1.0)
    onsets_s = 1e9 + 90.0 + 180.0 * np.arange(n_steps) + rng.uniform(0.0, 9.0, n_steps)
    fine_s = np.sort(np.concatenate([times_s, onsets_s]))
    levels_w = np.where(np.arange(n_steps + 1) % 2 == 1, 100.0, 20.0) + rng.uniform(-8.0, 8.0, n_steps + 1)
    level_w = levels_w[np.searchsorted(onsets_s, fine_s, "left")]
    true = held_power(fine_s, level_w, average_s=None)
    flat = replace(true, early_s=0.0 * true.early_s, late_s=true.early_s + true.late_s, late_w=level_w)
    answers_w = lag_responses(flat, [0.5, 14.0, 200.0]) @ np.array([0.10, 0.10, 0.30])
    energy_j = np.concatenate([[0.0], np.cumsum(np.diff(fine_s) * level_w[1:])])
    shown_w = np.interp(times_s, fine_s, energy_j) - np.interp(times_s - 1.0, fine_s, energy_j)
    shown_w[0] = shown_w[1]
    die_c = 30.0 + rng.uniform(0.0, 1.0) + np.interp(times_s, fine_s, answers_w)
    temperature_c = np.round(die_c + 0.12 * rng.standard_normal(n_looks))
    constants = TimeConstants(0.5, 14.0, 0.0, 0.0, 0.1, 0.0, (1 / 12 + 0.12**2,), n_steps)
    return looks_frame(np.asarray(times_s, float), temperature_c, shown_w), constants


def cramer_rao_ratio(seed: int) -> tuple[float, float]:
    """Variance of the interface part of 400 steps over its bound, and their mean [K/W]."""
    frame, constants = made_steps(400, np.random.default_rng(seed))
    settings = StepSettings()
    looks = usable_looks(frame)
    windows = cut_windows(looks, find_onsets(looks, settings), settings)
    assert len(windows.onsets) == 400
    design = StepDesign(looks, windows, settings, np.arange(400), powers_at(looks, []))
    basis = design.basis(constants.log_constants)
    # Whole degrees are an error of variance 1/12 K²; with the sensor's own noise that bounds what any
    # unbiased estimator of these columns can reach.
    bound = (1 / 12 + 0.12**2) * np.linalg.inv(basis.transpose(0, 2, 1) @ basis)[:, 1, 1]
    found = np.array([s.interface_resistance_k_per_w for s in fit_steps(frame, constants)], float)
    return float(found.var(ddof=1) / bound.mean()), float(found.mean())


def test_variance_comes_near_the_cramer_rao_bound() -> None:
    ratio, mean = cramer_rao_ratio(5)
    # The goal is 1.5, and a variance from 400 steps is known to 7 %: twice that on top. Below 0.75 the bound
    # itself were wrong.
    assert 0.75 <= ratio <= 1.5 * 1.14
    # What two slow lags of 60 and 400 s leave of a sink of 200 s: no more than the 2 % that are claimed.
    assert mean == pytest.approx(0.1, rel=0.02)


def test_a_day_by_itself_gives_what_it_gives_within_its_week() -> None:
    frame, constants = made_steps(40, np.random.default_rng(6))
    settings = StepSettings(step_range_w=80.0)
    whole = fit_steps(frame, constants, settings)
    part = fit_steps(frame.iloc[180 * 20 :], constants, settings)
    assert part[1:] == whole[-len(part) + 1 :]  # the first lacks the history before it


def test_a_ramp_is_no_error() -> None:
    """Power that climbs over ten seconds after the step, as a limit controller lets it: power is measured."""
    times_s = 1e9 + np.arange(200.0)
    shown_w = np.interp(times_s - 1e9, [0, 99, 100, 110, 200], [20.0, 20.0, 80.0, 100.0, 100.0])
    answers_w = lag_responses(held_power(times_s, shown_w), [0.5, 14.0, 200.0]) @ np.array([0.1, 0.1, 0.3])
    _, constants = made_steps(4, np.random.default_rng(7))
    (step,) = fit_steps(looks_frame(times_s, 30.0 + answers_w, shown_w), constants)
    # Without noise only the sink's 200 s, which is neither of the slow pair, is left: below a hundredth.
    assert step.interface_resistance_k_per_w == pytest.approx(0.1, rel=0.01)


@pytest.fixture(scope="module")
def trace() -> tuple[pd.DataFrame, list[str]]:
    """The accelerator that was recorded ten times a second, as the daemon would have kept it; its work."""
    if not TRACE.is_file():
        pytest.skip("no trace beside the project")
    table = pd.read_csv(TRACE)
    at = np.searchsorted(table["elapsed_s"], np.arange(1.0, table["elapsed_s"].iloc[-1]), "right") - 1
    table = table.iloc[at]
    frame = looks_frame(
        table["epoch_s"].to_numpy(),
        table["temperature_c"].to_numpy(float),
        table["power_average_mw"].to_numpy() / 1e3,
    )
    return frame, list(table["phase"])


def weighted(steps: list[LoadStep]) -> float:
    known = [s for s in steps if not s.not_identifiable]
    values = np.array([s.interface_resistance_k_per_w for s in known], float)
    weights = np.array([s.standard_error_k_per_w for s in known], float) ** -2.0
    return float(values @ weights / weights.sum())


@pytest.mark.reference
@pytest.mark.parametrize("half", ["first", "second", "rising", "falling"])
def test_either_half_of_the_trace_gives_the_interface_part(
    trace: tuple[pd.DataFrame, list[str]], half: str
) -> None:
    """0.0264 K/W within 10 % from either half of its six steps of arithmetic; copying heats memory, not the
    die, and is another class (below).

    Rising steps come out above falling ones, by more than their standard errors: the card overshoots its
    limit within the first second, which a mean over a second does not show. Where the looks fall elsewhere
    within the second, earlier and later half stay within 10 %, but the rising steps alone reach 15 %.
    """
    frame, phases = trace
    is_copy = np.array([phase.startswith("copy") for phase in phases])
    before_copy = frame[np.cumsum(is_copy) == 0]
    constants = identify_time_constants(before_copy)
    steps = fit_steps(before_copy, constants)
    assert len(steps) == 6
    chosen = {"first": steps[:3], "second": steps[3:], "rising": steps[::2], "falling": steps[1::2]}[half]
    assert weighted(chosen) == pytest.approx(0.0264, rel=0.10)


@pytest.mark.reference
def test_copying_is_another_class(trace: tuple[pd.DataFrame, list[str]]) -> None:
    """At like power the heat of copying is made in the memory beside the die: half the interface part."""
    frame, _ = trace
    steps = fit_steps(frame, identify_time_constants(frame))
    assert len(steps) == 8
    assert weighted(steps[6:]) < 0.7 * weighted(steps[:6])


def test_own_recording_gives_the_same_interface_part_twice() -> None:
    table = pd.read_csv(RECORDING).rename(columns=lambda name: name.removeprefix("gpu0."))
    table.index = pd.to_datetime(table.pop("time"), format="ISO8601", utc=True)
    table["cadence"] = int(Cadence.STEP)
    table["n_looks"] = 1
    steps = fit_steps(table, identify_time_constants(table))
    full = [
        s
        for s in steps
        if s.power_after_w and s.power_before_w and max(s.power_after_w, s.power_before_w) > 650
    ]
    full = [s for s in full if min(s.power_after_w or 0, s.power_before_w or 0) < 200]
    assert len(full) == 3
    # A card of the same model as the trace, in another machine: 0.0264 K/W within 10 %.
    assert weighted(full) == pytest.approx(0.0264, rel=0.10)
    pulsing = [s for s in steps if "scatter" in s.not_identifiable]
    assert pulsing  # half load was made of pulses faster than a look: refused, with the reason


def steps_frame(n_steps: int = 12) -> pd.DataFrame:
    return made_steps(n_steps, np.random.default_rng(8))[0]


@pytest.mark.parametrize(
    ("spoil", "reason"),
    [
        (lambda f: f.assign(power_w=np.nan), "no reading of power"),
        (lambda f: f.assign(temperature_c=np.nan), "no reading of temperature"),
        (lambda f: f.assign(temperature_c=41.0), "always was 41 °C"),
        (lambda f: f.assign(power_w=60.0), "0 usable load steps of 0"),
        (lambda f: f.iloc[:3], "always was"),
        (lambda f: f.iloc[:0], "no reading of power"),
        (lambda f: f.iloc[::5], "usable load steps"),
        (lambda f: f.assign(temperature_c=np.round(40 + np.sin(np.arange(len(f))))), "not identifiable"),
    ],
    ids=[
        "no-power",
        "no-temperature",
        "constant",
        "one-load",
        "three-looks",
        "empty",
        "five-seconds",
        "unrelated",
    ],
)
def test_what_cannot_be_known_is_refused(spoil: Spoiler, reason: str) -> None:
    frame = spoil(steps_frame())
    with pytest.raises(AnalysisError, match=reason):
        constants = identify_time_constants(frame)
        steps = [s for s in fit_steps(frame, constants) if not s.not_identifiable]
        if not steps:
            raise AnalysisError("not identifiable: no step said anything")


def test_two_steps_are_too_few() -> None:
    with pytest.raises(TooFewWindowsError, match="2 usable load steps"):
        identify_time_constants(steps_frame(2))


def test_a_step_that_is_cut_short_says_so() -> None:
    frame, constants = made_steps(6, np.random.default_rng(9))
    at_s = pd.DatetimeIndex(frame.index).as_unit("ms").asi8 / 1000 - 1e9
    onset_s = fit_steps(frame, constants)[1].at_utc_ms / 1000 - 1e9
    gappy = frame[~((at_s > onset_s + 5) & (at_s < onset_s + 30))]  # nobody looked
    short = [s for s in fit_steps(gappy, constants) if s.not_identifiable]
    assert len(short) == 1
    assert short[0].interface_resistance_k_per_w is None
    assert "no looks a second apart" in short[0].not_identifiable
