"""The verdict on one heat path: has a part of it changed, since when, how, and why."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field

import numpy as np
import numpy.typing as npt
import pandas as pd

from ..store.derived import DerivedStore
from ..store.errors import AnalysisError
from ..store.packing import DAY_MS, day_of
from ..store.reader import Reader
from ..store.series import LATEST_UTC_MS
from .answer_curve import AnswerCurve, answer_curve
from .apart import apart_series
from .baseline import Change
from .cause import AIRFLOW_SYSTEMATIC, OFFSET, Blame, Cause, blame
from .derivation import Derivation
from .detector_settings import DetectorSettings
from .drift import INTERFACE
from .era_model import EraModel
from .eras import Era, Part
from .hot_spell import HOT_SPELL, may_be_a_hot_spell
from .idle_series import idle_series
from .judged_part import JudgedPart, judged_part
from .machine_frames import POWER_STAGE
from .part_series import INTERFACE as INTERFACE_PART
from .part_series import PartSeries, airflow_series, fan_series, part_series
from .part_settings import APART_SETTINGS, FAN_SETTINGS, IDLE_SETTINGS, airflow_settings
from .remeasure import Stretch, measure_stretch
from .shared_air import helped_settings
from .signs import signs_of
from .thermometer import as_read_k, may_be_off
from .together import settle
from .verdict import Verdict, onset_of, state_of
from .window_groups import owner_of

__all__ = ["Judge", "JudgedPart", "Verdict", "settle"]

# Compared as numbers, words are found fast; a walk through a year looks for them a thousand times.
WORDS = dict.fromkeys(("part", "workload_class"), "category")
YOUNG_DAYS = 2.0  # for how long a stretch stands that rests on few days


@dataclass
class Judge:
    """Judges the sources of one machine, as it stood at any moment.

    Parameters
    ----------
    reader, derived, derivation
        Of the machine, up to date.
    keeps_stretch_days
        For how long a changed joint is not measured anew: who walks through many nights need not do it in
        each.

    Attributes
    ----------
    stretches
        What was measured of changed joints, by source and beginning of the era [ms since 1970].
    """

    reader: Reader
    derived: DerivedStore
    derivation: Derivation
    keeps_stretch_days: float = 0.0
    _cells: dict[tuple[str, int], pd.DataFrame] = field(default_factory=dict)
    _days: dict[tuple[str, int], npt.NDArray[np.str_]] = field(default_factory=dict)
    stretches: dict[tuple[str, int], Stretch] = field(default_factory=dict)

    def verdicts(self, until_utc_ms: int = LATEST_UTC_MS) -> list[Verdict]:
        """Judge every source that is recorded by then; see `judge`."""
        judged = [self.judge(source, until_utc_ms) for source in self.derivation.eras]
        return self.heard_together([one for one in judged if one is not None], until_utc_ms)

    def heard_together(self, judged: Sequence[Verdict], until_utc_ms: int) -> list[Verdict]:
        """Let the verdicts on some sources help and settle each other.

        Parameters
        ----------
        judged
            Each as `judge` gives it of that moment.
        until_utc_ms
            The moment [ms since 1970].
        """
        heard = []
        for one in judged:
            helped = helped_settings(one, judged)
            again = self.judge(one.source, until_utc_ms, of_air=helped) if helped is not None else None
            heard.append(again or one)
        return settle(heard)

    def judge(
        self, source: str, until_utc_ms: int = LATEST_UTC_MS, *, of_air: DetectorSettings | None = None
    ) -> Verdict | None:
        """Judge one source as it stood at a moment; None where nothing had been recorded of it.

        Parameters
        ----------
        source
            Its name.
        until_utc_ms
            Nothing of later days is used, but for what an era learned of its first month [ms since 1970].
        of_air
            What counts as drift of the airflow part, where that is not as usual.
        """
        known = self.known(source, until_utc_ms)
        if known is None:
            return None
        era, model, cells = known
        curve = _curve(model)
        interface = judged_part("interface", lambda: _interface_series(cells, era, curve), INTERFACE, curve)
        if interface.is_changed and model is not None:
            interface = self._measured_anew(cells, model, era, interface, until_utc_ms)
        of_air = of_air or airflow_settings(model)
        airflow = judged_part("airflow", lambda: airflow_series(cells, interface.series), of_air)
        fan = _fan_part(cells, model)
        idle = self._idle_part(source, cells, until_utc_ms)
        apart = judged_part("apart", lambda: self.apart_series(source, cells, until_utc_ms), APART_SETTINGS)
        changed = [part for part in (interface, airflow) if part.is_changed]
        thermometers = [part for part in (apart, idle) if may_be_off(part)]
        if not changed:
            changed += thermometers[:1]
        if fan.is_changed and fan.changed_by.change_pct < 0.0:
            changed.append(fan)  # one that turns faster than it used to is not worn
        stretch = self.stretches.get((source, era.from_utc_ms)) if interface.is_changed else None
        leading, remark = min(changed, key=_detected) if changed else None, ""
        found = (
            blame(
                signs_of(
                    cells,
                    model,
                    (interface, airflow, fan, idle, apart),
                    stretch,
                    since=onset_of(leading).floor("D"),
                    log_creep_odds=leading.changed_by.log_creep_odds,
                ),
                airflow_systematic=max(AIRFLOW_SYSTEMATIC, of_air.systematic_sd),
            )
            if leading is not None
            else None
        )
        if found is not None and leading is not None:
            is_fan = _is_fan_unseen(found, airflow, model) and not idle.is_changed
            if leading is airflow and may_be_a_hot_spell(airflow, model):
                found, changed, leading, remark = None, [], None, HOT_SPELL
            elif found.may_be_nothing or is_fan:
                found, changed, leading = None, [], None
            elif thermometers and found.cause is Cause.TELEMETRY and found.likeliest == OFFSET:
                leading = thermometers[0]  # which says by how many kelvin
        cause = found.cause if found else Cause.NONE
        return Verdict(
            source,
            era,
            model,
            interface,
            airflow,
            fan,
            idle,
            state_of(cause, changed),
            cause,
            found,
            leading,
            remark,
            as_read_k=as_read_k(cells, apart if apart.is_changed else leading),
            apart=apart,
        )

    def _idle_part(self, source: str, cells: pd.DataFrame, until_utc_ms: int) -> JudgedPart:
        """Idle temperature of a source, against a probe or the sources beside it."""
        return judged_part("idle", lambda: self.idle_series(source, cells, until_utc_ms), IDLE_SETTINGS)

    def idle_series(self, source: str, cells: pd.DataFrame, until_utc_ms: int) -> PartSeries:
        """Idle temperature of a source against its baseline; see `idle_series`."""
        others = [name for name in self.derivation.eras if name != source]
        beside = [known[2] for name in others if (known := self.known(name, until_utc_ms)) is not None]
        return idle_series(cells, beside)

    def apart_series(self, source: str, cells: pd.DataFrame, until_utc_ms: int) -> PartSeries:
        """Its thermometer against that of a neighbour on its sink; see `apart_series`."""
        others = (name for name in self.derivation.eras if name != source)
        known = {name: found[0] for name in others if (found := self.known(name, until_utc_ms)) is not None}
        worked_on = {name: day_of(era.from_utc_ms).isoformat() for name, era in known.items() if era.number}
        return apart_series(cells, worked_on)

    def known(self, source: str, until_utc_ms: int) -> tuple[Era, EraModel | None, pd.DataFrame] | None:
        """Era of a source at a moment, its model, and its cells up to then; None before its record."""
        eras = [era for era in self.derivation.eras[source] if era.from_utc_ms < until_utc_ms]
        if not eras or source.startswith(POWER_STAGE):
            return None
        era = eras[-1]
        key = source, era.from_utc_ms
        if key not in self._cells:
            cells = self.derived.cells(source)  # by day
            self._cells[key] = cells[cells["era_from_utc_ms"] == era.from_utc_ms].astype(WORDS)
            self._days[key] = self._cells[key]["day"].to_numpy(str)
        last_day = day_of(min(until_utc_ms, LATEST_UTC_MS - DAY_MS) - 1).isoformat()
        n_known = int(np.searchsorted(self._days[key], last_day, side="right"))
        return era, self.derivation.models[source].get(era.from_utc_ms), self._cells[key].iloc[:n_known]

    def _measured_anew(
        self, cells: pd.DataFrame, model: EraModel, era: Era, interface: JudgedPart, until_utc_ms: int
    ) -> JudgedPart:
        """A changed interface part, with what held time constants hide measured instead of reckoned."""
        try:
            series = _interface_series(cells, era, None)
        except AnalysisError:
            return interface
        end_utc_ms = min(until_utc_ms, (day_of_last(series.rows.index) + 1) * DAY_MS)
        key = model.source, era.from_utc_ms
        stretch = self.stretches.get(key)
        keeps_days = self.keeps_stretch_days
        if stretch is not None and stretch.is_young:
            keeps_days = min(keeps_days, YOUNG_DAYS)
        if stretch is None or not 0 <= end_utc_ms - stretch.until_utc_ms < keeps_days * DAY_MS:
            try:
                stretch = measure_stretch(
                    self.reader,
                    self.derivation,
                    model,
                    cells,
                    series.baseline,
                    changed_from_utc_ms=round(onset_of(interface).timestamp() * 1000),
                    until_utc_ms=end_utc_ms,
                )
            except AnalysisError:
                return interface
            self.stretches[key] = stretch
        stretched = judged_part("interface", lambda: stretch.applied(series, _curve(model)), INTERFACE)
        return stretched.widened(stretch.relative_error) if stretched.is_changed else interface


def _is_fan_unseen(found: Blame, airflow: JudgedPart, model: EraModel | None) -> bool:
    """Whether the air got better as a fan makes it in a hotter room, and no speed tells."""
    has_fan = model is not None and bool(model.fan)
    is_better = airflow.is_changed and airflow.changed_by.change_pct < 0.0
    may_be_air = found.cause in (Cause.AIRFLOW, Cause.UNKNOWN) and found.allows(Cause.AIRFLOW, "airflow part")
    return is_better and may_be_air and not has_fan


def day_of_last(days: pd.Index) -> int:
    """Number of the last day since 1970."""
    return int(pd.DatetimeIndex(days)[-1].timestamp() * 1000) // DAY_MS


def interface_series(cells: pd.DataFrame, model: EraModel | None, era: Era) -> PartSeries:
    """The interface part with what held time constants hide of a change given back.

    Raises
    ------
    AnalysisError
        As `part_series`.
    """
    return _interface_series(cells, era, _curve(model))


def _interface_series(cells: pd.DataFrame, era: Era, curve: AnswerCurve | None) -> PartSeries:
    return part_series(cells, INTERFACE_PART, has_run_in=Part.INTERFACE in era.resets, curve=curve)


def _curve(model: EraModel | None) -> AnswerCurve | None:
    if model is None or model.constants is None:
        return None
    return answer_curve(model.constants.interface_s, model.constants.plate_s)


def _fan_part(cells: pd.DataFrame, model: EraModel | None) -> JudgedPart:
    if model is None or owner_of(model.fan):
        none = "a speed that was only asked for proves nothing" if model else "no day with readings"
        return JudgedPart("fan", None, None, Change(None, None, none), none)
    return judged_part("fan", lambda: fan_series(cells), FAN_SETTINGS)


def _detected(part: JudgedPart) -> str:
    return part.changed_by.detected_utc or ""
