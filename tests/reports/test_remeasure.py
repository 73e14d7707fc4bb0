"""What held time constants hide of a joint that changed is measured; a power reading hides nothing."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator
from dataclasses import replace

import numpy as np
import pytest

from heatdrift.fake_sensors.machine import START_UTC_MS
from heatdrift.reports.answer_curve import answer_curve
from heatdrift.reports.baseline import Baseline
from heatdrift.reports.derivation import Derivation, update
from heatdrift.reports.era_model import EraModel
from heatdrift.reports.part_series import INTERFACE, PartSeries, part_series
from heatdrift.reports.remeasure import NEWEST_MS, Stretch, measure_stretch
from heatdrift.store.database import open_reader, open_writer
from heatdrift.store.derived import DerivedStore
from heatdrift.store.errors import AnalysisError
from heatdrift.store.packing import day_of
from heatdrift.store.reader import Reader

from ..cli.nightly_world import CHANGED_ON_DAY, DAY_MS, DAYS, KNOCKED, POWER_SCALE, copy_of_world


class Path:
    """A heat path of the world, and what its days show with the time constants of the era held."""

    def __init__(self, reader: Reader, derived: DerivedStore, derivation: Derivation, source: str) -> None:
        self.reader, self.derived, self.derivation = reader, derived, derivation
        self.model: EraModel = derivation.models[source][START_UTC_MS]
        self.series: PartSeries = part_series(derived.cells(source), INTERFACE)

    @property
    def baseline(self) -> Baseline:
        return self.series.baseline

    def measured(self, from_day: float = CHANGED_ON_DAY, until_day: float = DAYS) -> Stretch:
        until_utc_ms = START_UTC_MS + round(until_day * DAY_MS)
        cells = self.derived.cells(self.model.source, to_day=day_of(until_utc_ms - 1 + DAY_MS).isoformat())
        return measure_stretch(
            self.reader,
            self.derivation,
            self.model,
            cells,
            self.baseline,
            changed_from_utc_ms=START_UTC_MS + round(from_day * DAY_MS),
            until_utc_ms=until_utc_ms,
        )

    def seen(self) -> tuple[float, float]:
        """Logarithm of the change that the days since then show, and its error."""
        levels = self.series.levels
        first_ms = START_UTC_MS + CHANGED_ON_DAY * DAY_MS
        later = levels.days.as_unit("ms").asi8 >= first_ms
        earlier = (levels.days >= self.baseline.from_day) & (levels.days <= self.baseline.to_day)
        return levels.difference(earlier, later)


@pytest.fixture(scope="module")
def path(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Callable[[str], Path]]:
    database = copy_of_world(tmp_path_factory.mktemp("remeasure"))
    reading, writing = open_reader(database), open_writer(database)
    reader = Reader(reading)
    derived = DerivedStore(writing, reader.machine_id)
    derivation = update(reader, derived, [])
    yield lambda source: Path(reader, derived, derivation, source)
    reading.close()
    writing.close()


def test_a_knocked_joint_is_stretched_to_its_true_size(path: Callable[[str], Path]) -> None:
    gpu = path("gpu0")
    seen, seen_error = gpu.seen()
    measured = gpu.measured()
    true = math.log1p(KNOCKED)
    assert seen < true  # else there would be nothing to give back
    error = math.hypot(measured.factor * measured.relative_error, true / seen * seen_error / seen)
    assert abs(measured.factor - true / seen) < 2.0 * error  # two standard errors
    assert measured.until_utc_ms == START_UTC_MS + DAYS * DAY_MS
    assert not measured.is_young


def test_a_power_reading_answers_as_fast_as_before(path: Callable[[str], Path]) -> None:
    cpu = path("cpu0")
    measured = cpu.measured()
    assert abs(measured.slower) < 3.0 * measured.slower_error
    seen, error = cpu.seen()
    assert abs(seen + math.log(POWER_SCALE)) < 3.0 * error
    # Nothing was hidden, so nothing is given back.
    assert abs(measured.factor - 1.0) < 3.0 * measured.relative_error


def test_applied_every_day_is_stretched_and_what_was_given_stays(path: Callable[[str], Path]) -> None:
    given = path("gpu0").series
    before = given.rows.copy()
    stretched = Stretch(1.25, 0.1, 0.2, 0.05, START_UTC_MS, False).applied(given)
    for name in ("log_ratio", "standard_error"):
        assert stretched.rows[name].to_numpy() == pytest.approx(1.25 * before[name].to_numpy())
    assert stretched.baseline_standard_error == pytest.approx(1.25 * given.baseline_standard_error)
    assert given.rows.equals(before)


def test_few_days_since_the_change_are_called_young(path: Callable[[str], Path]) -> None:
    measured = path("gpu0").measured(until_day=CHANGED_ON_DAY + NEWEST_MS / DAY_MS - 3.0)
    assert measured.is_young


def test_a_change_too_small_is_refused(path: Callable[[str], Path]) -> None:
    with pytest.raises(AnalysisError, match="too small"):
        path("gpu0").measured(from_day=CHANGED_ON_DAY - 3.0, until_day=CHANGED_ON_DAY)


def test_days_without_a_reading_are_refused(path: Callable[[str], Path]) -> None:
    with pytest.raises(AnalysisError):
        path("gpu0").measured(from_day=DAYS + 1.0, until_day=DAYS + 2.0)


def test_two_days_are_too_few_however_long_ago_the_change_was(path: Callable[[str], Path]) -> None:
    with pytest.raises(AnalysisError, match="days only"):
        path("gpu0").measured(from_day=CHANGED_ON_DAY, until_day=CHANGED_ON_DAY + 2)


def test_half_way_through_a_creep_less_is_hidden_than_at_its_end(path: Callable[[str], Path]) -> None:
    given = path("gpu0").series
    seen = 0.3
    level = np.repeat([0.0, seen / 2.0, seen], 8)[: len(given.rows)]
    given = replace(given, rows=given.rows.iloc[: len(level)].assign(log_ratio=level))
    curve = answer_curve(0.5, 14.0)
    reckoned, _ = curve.true_log_ratio(np.array([seen / 2.0, seen]), np.ones(2))
    stretch = Stretch(1.5, 0.1, 0.2, 0.05, START_UTC_MS, False, seen)
    none, half, whole = (
        float(stretch.applied(given, curve).rows["log_ratio"].iloc[number]) for number in (0, 8, 16)
    )
    assert none == 0.0 and whole == pytest.approx(1.5 * seen)
    # The curve explains its part at half the size; half of what was measured beyond it comes on top.
    beyond = whole / reckoned[1] - 1.0
    assert half == pytest.approx(reckoned[0] * (1.0 + beyond / 2.0))
    assert half < 1.5 * seen / 2.0
    alike = stretch.applied(given).rows["log_ratio"]
    assert alike.iloc[8] == pytest.approx(1.5 * seen / 2.0)
