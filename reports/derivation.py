"""Brings everything that is derived from the record up to date: a new day costs a day.

Each derived row carries a recipe, a digest of all that went into it: the algorithm, the journal as far as it
concerns the day, how many rows there were. What has another recipe than it should is made again, so that
derived rows are the same whether they grew day by day or were made at once.
"""

from __future__ import annotations

import hashlib
import json
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import date, timedelta
from typing import Any

import pandas as pd

from ..store.derived import DayMark, DerivedDay, DerivedStore, EraFit
from ..store.journal_entry import JournalEntry
from ..store.packing import DAY_MS, midnight_utc_ms
from ..store.reader import Reader
from .days import LEAD_MS, TAIL_MS, cells_of, day_numbers, steps_of, windows_of, with_air, worth_keeping
from .era_model import EraModel, learn_era
from .eras import Era, eras
from .exposure import exposure_cells
from .machine_frames import MachineFrames, read_frames
from .power_history import DatedScale, power_scales

ALGORITHM = "6"  # raise it when a change here gives other numbers: everything is then made again
# An era is learned anew after so many days with readings, at last from a month.
STAGES = (1, 2, 3, 5, 7, 10, 14, 20, 30)
LEAST_ROWS = 60  # an hour of idle means: less is no day
CHUNK_DAYS = 31

Progress = Callable[[int, int], None]
"""Told how many days of sources are done, of how many."""


@dataclass(frozen=True, slots=True)
class Derivation:
    """What was done, and the eras as the journal cuts them.

    Attributes
    ----------
    n_days, n_eras
        Days of sources and eras that were made anew.
    eras, models
        Of each source, by time; a model for each era that has days with readings, by its beginning.
    scales
        What reported power meant, of each source.
    """

    n_days: int
    n_eras: int
    eras: dict[str, tuple[Era, ...]]
    models: dict[str, dict[int, EraModel]]
    scales: Mapping[str, Sequence[DatedScale]]


def update(
    reader: Reader,
    derived: DerivedStore,
    entries: Sequence[JournalEntry],
    progress: Progress | None = None,
) -> Derivation:
    """Bring the derived rows of a machine up to date.

    Parameters
    ----------
    reader, derived
        Of the machine.
    entries
        Its journal.
    progress
        Called as the work goes on.

    Raises
    ------
    SettingsError
        Two journal entries contradict each other.
    """
    span = reader.span_utc_ms()
    names = [entry.name for entry in reader.sources()]
    scales = {name: power_scales(entries, name) for name in names}
    if span is None:
        return Derivation(0, 0, dict.fromkeys(names, ()), {name: {} for name in names}, scales)
    shop = _Shop(reader, derived, scales, span[1])
    # From midnight: where the first day is sealed, nobody knows its first moment any more.
    begin_utc_ms = span[0] // DAY_MS * DAY_MS
    found = {name: eras(entries, name, begin_utc_ms, span[1] + 1) for name in names}
    plans = [shop.plan(name, found[name]) for name in names]
    n_stale = sum(len(plan.stale) for plan in plans)
    n_done = 0
    for days in _chunks(sorted({day for plan in plans for day in plan.stale})):
        frames = shop.frames(_start_ms(days[0]) - LEAD_MS, _start_ms(days[-1]) + DAY_MS + TAIL_MS)
        for plan in plans:
            wanted = [day for day in days if day in plan.stale]
            derived.replace_days(plan.source, list(shop.make(plan, wanted, frames)))
            n_done += len(wanted)
            if progress is not None:
                progress(n_done, n_stale)
    for plan in plans:
        if plan.n_learned or set(plan.fits) != set(derived.era_fits(plan.source)):
            derived.replace_era_fits(plan.source, plan.fits)
    return Derivation(
        n_stale,
        sum(plan.n_learned for plan in plans),
        found,
        {plan.source: plan.models for plan in plans},
        scales,
    )


@dataclass(frozen=True, slots=True)
class _Plan:
    """What is to be made of one source: recipe by stale day, rows by day, fits of all its eras."""

    source: str
    eras: tuple[Era, ...]
    models: dict[int, EraModel]
    fits: dict[int, EraFit]
    stale: dict[str, DayMark]
    n_learned: int


class _Shop:
    def __init__(
        self,
        reader: Reader,
        derived: DerivedStore,
        scales: Mapping[str, Sequence[DatedScale]],
        end_utc_ms: int,
    ) -> None:
        self._reader, self._derived, self._scales, self._end_utc_ms = reader, derived, scales, end_utc_ms
        self._learned_from: tuple[tuple[int, int], MachineFrames] | None = None

    def frames(self, from_utc_ms: int, to_utc_ms: int) -> MachineFrames:
        return read_frames(self._reader, self._scales, from_utc_ms, to_utc_ms)

    def plan(self, source: str, found: tuple[Era, ...]) -> _Plan:
        """See which days are stale; learn eras that have grown a stage."""
        marks, kept = self._derived.marks(source), self._derived.era_fits(source)
        n_rows = self._derived.row_days(source, marks)
        models: dict[int, EraModel] = {}
        fits: dict[int, EraFit] = {}
        n_learned = 0
        for era in found:
            days = [day for day, n in n_rows.items() if n >= LEAST_ROWS and _overlaps(day, era)]
            stage = max((stage for stage in STAGES if stage <= len(days)), default=0)
            if not stage:
                continue
            learning = days[:stage]
            recipe = _digest(
                "era", era.from_utc_ms, [[day, n_rows[day], self._power(day)] for day in learning]
            )
            fit = kept.get(era.from_utc_ms)
            if fit is None or fit.recipe != recipe:
                model = self._learn(source, era, learning)
                if model is None:
                    continue
                fit = EraFit(recipe, stage == STAGES[-1], model.to_json())
                n_learned += 1
            # Through JSON in any case, so that a number is the same whenever it was learned.
            models[era.from_utc_ms] = EraModel.from_json(fit.body)
            fits[era.from_utc_ms] = fit
        stale = {}
        for day, n in n_rows.items():
            of_eras = [
                fits[era.from_utc_ms].recipe
                for era in found
                if _overlaps(day, era) and era.from_utc_ms in fits
            ]
            is_open = self._end_utc_ms < _start_ms(day) + DAY_MS + TAIL_MS
            mark = DayMark(_digest("day", of_eras, self._power(day), is_open), n)
            if marks.get(day) != mark:
                stale[day] = mark
        return _Plan(source, found, models, fits, stale, n_learned)

    def make(self, plan: _Plan, days: Sequence[str], frames: MachineFrames) -> Iterator[DerivedDay]:
        """Derive some consecutive days."""
        if not days:
            return
        stretch = _start_ms(days[0]) - LEAD_MS, _start_ms(days[-1]) + DAY_MS + TAIL_MS
        first = midnight_number(days[0])
        steps, windows, cells = [], [], []
        for era in plan.eras:
            begin, end = max(era.from_utc_ms, stretch[0]), min(era.to_utc_ms, stretch[1])
            if begin >= end or era.from_utc_ms not in plan.models or plan.source not in frames.sources:
                continue
            model, rows = plan.models[era.from_utc_ms], frames.between(begin, end)
            if not len(rows.sources[plan.source]):
                continue
            found = steps_of(rows, model)
            steps.append(found[found["at_utc_ms"] >= stretch[0] + LEAD_MS])
            every = with_air(rows, model, windows_of(rows, model))
            of_days = every[day_numbers(every.index) >= first]
            windows.append(worth_keeping(model, of_days))
            cells.append(cells_of(model, steps[-1], of_days))
            readings = rows.sources[plan.source]["temperature_c"]
            cells.append(exposure_cells(era.from_utc_ms, readings[day_numbers(readings.index) >= first]))
        yield from _by_day(days, plan.stale, steps, windows, cells)

    def _learn(self, source: str, era: Era, days: Sequence[str]) -> EraModel | None:
        """The model of an era; None where its only day has rows, but none before the era ended."""
        begin = max(era.from_utc_ms, _start_ms(days[0]))
        end = min(era.to_utc_ms, _start_ms(days[-1]) + DAY_MS)
        if self._learned_from is None or self._learned_from[0] != (begin, end):
            self._learned_from = (begin, end), self.frames(begin, end)
        if source not in self._learned_from[1].sources:
            return None
        return learn_era(self._learned_from[1], source, era.from_utc_ms, len(days))

    def _power(self, day: str) -> list[list[float]]:
        """What reported power meant on a day, of every source: it heats the others too."""
        begin_ms = _start_ms(day) - LEAD_MS
        return [
            [dated.scale.slope, dated.scale.offset_w, dated.from_utc_ms]
            for scales in self._scales.values()
            for number, dated in enumerate(scales)
            if dated.from_utc_ms < begin_ms + LEAD_MS + DAY_MS
            and (number + 1 == len(scales) or scales[number + 1].from_utc_ms > begin_ms)
        ]


def _by_day(
    days: Sequence[str],
    marks: Mapping[str, DayMark],
    steps: Sequence[pd.DataFrame],
    windows: Sequence[pd.DataFrame],
    cells: Sequence[pd.DataFrame],
) -> Iterator[DerivedDay]:
    """Give each day its own; what lies outside of the days is left out."""
    every_step = pd.concat(steps) if steps else pd.DataFrame({"at_utc_ms": []})
    every_window = pd.concat(windows) if windows else pd.DataFrame(index=pd.DatetimeIndex([], tz="UTC"))
    every_cell = pd.concat(cells) if cells else pd.DataFrame({"day": []})
    of_steps: dict[Any, pd.DataFrame] = dict(iter(every_step.groupby(every_step["at_utc_ms"] // DAY_MS)))
    of_windows: dict[Any, pd.DataFrame] = dict(iter(every_window.groupby(day_numbers(every_window.index))))
    of_cells: dict[Any, pd.DataFrame] = dict(iter(every_cell.groupby("day")))
    for day in days:
        number = midnight_number(day)
        yield DerivedDay(
            day,
            marks[day],
            of_windows.get(number, every_window.iloc[:0]),
            of_steps.get(number, every_step.iloc[:0]),
            of_cells.get(day, every_cell.iloc[:0]),
        )


def midnight_number(day: str) -> int:
    """Days since 1970."""
    return _start_ms(day) // DAY_MS


def _start_ms(day: str) -> int:
    return midnight_utc_ms(date.fromisoformat(day))


def _overlaps(day: str, era: Era) -> bool:
    begin_ms = _start_ms(day)
    return era.from_utc_ms < begin_ms + DAY_MS and era.to_utc_ms > begin_ms


def _chunks(days: Sequence[str]) -> Iterator[list[str]]:
    """Days that are near each other, at most a month of them at once."""
    chunk: list[str] = []
    for day in days:
        if chunk and date.fromisoformat(day) - date.fromisoformat(chunk[0]) >= timedelta(days=CHUNK_DAYS):
            yield chunk
            chunk = []
        chunk.append(day)
    if chunk:
        yield chunk


def _digest(*parts: object) -> str:
    text = json.dumps([ALGORITHM, *parts], sort_keys=True)
    return hashlib.sha256(text.encode()).hexdigest()[:24]
