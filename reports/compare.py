"""Before and after a journal entry: each part of the path, like with like, at equal power and room."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, field

import pandas as pd

from ..store.derived import DerivedStore
from ..store.errors import SettingsError
from ..store.journal_entry import JournalEntry
from ..store.packing import DAY_MS
from ..store.reader import Reader
from .baseline import NORMAL_95, Change
from .derivation import Derivation
from .endurance import MOMENTS, Quantity, compare_sustained
from .era_model import EraModel
from .eras import Era, era_opened_by
from .fits import fit_stretch
from .heat_path import PathFit
from .load_stretches import load_stretches, load_threshold_w
from .part_series import INTERFACE, TOTAL
from .price import Price, price_of
from .reference_conditions import ReferenceConditions
from .sides import Sides, Stretch
from .time_constants import MODEL_SHARE

DAYS_EACH = 30  # with load, on either side
RUN_IN_DAYS = 1  # compound wets in within hours


@dataclass(frozen=True, slots=True)
class Temperatures:
    """Temperature at one power, room and fan speed.

    Attributes
    ----------
    ambient_c, power_w
        The room [°C] and the true power [W].
    before_c, after_c
        The source's own sensor [°C].
    change_k, ci95_k
        What changed [K].
    """

    ambient_c: float
    power_w: float
    before_c: float
    after_c: float
    change_k: float
    ci95_k: tuple[float, float]


@dataclass(frozen=True, slots=True)
class Comparison:
    """One source before and after an entry; where a value is None, its reason stands beside it.

    Attributes
    ----------
    entries
        All that were done within a day of it: the effect is theirs together.
    before, after
        The days that were compared, None where there are none.
    fit
        Both parts before.
    interface, airflow, total
        Changes [%], the airflow part and the whole at the same fan speed.
    temperatures
        None where ``no_temperatures`` says why.
    sustained
        Clocks and time held down by heat, by what they are called.
    prices
        Cost for each unit gained, where a cost was entered.
    """

    source: str
    era: Era
    entries: tuple[JournalEntry, ...]
    before: Stretch | None
    after: Stretch | None
    fit: PathFit | None
    interface: Change
    airflow: Change
    total: Change
    temperatures: Temperatures | None
    no_temperatures: str = ""
    sustained: dict[str, Quantity] = field(default_factory=dict)
    prices: tuple[Price, ...] = ()

    @property
    def is_joint(self) -> bool:
        """Whether several things changed at once, so that no effect can be given to one of them."""
        return self.era.is_joint

    @property
    def is_calibrated(self) -> bool:
        """Whether the power was held against a meter."""
        return self.era.scale.is_calibrated


def compare(
    reader: Reader,
    derived: DerivedStore,
    derivation: Derivation,
    entry: JournalEntry,
    source: str,
    *,
    conditions: ReferenceConditions,
) -> Comparison:
    """Compare one source before and after an entry.

    Parameters
    ----------
    reader, derived, derivation
        Of the machine, up to date.
    entry
        One of its journal.
    source
        Which heat path.
    conditions
        Room and power at which temperatures are quoted.

    Raises
    ------
    SettingsError
        The entry opens no era of this source, so that there is nothing before and after.
    """
    eras = derivation.eras[source]
    era = era_opened_by(eras, entry)
    if era is None:
        raise SettingsError(
            f"the {entry.name} resets nothing on {source}, or nothing was recorded after it",
            remedy="compare an entry that changes the heat path, and record after it",
        )
    entries = (*era.opened_by, *era.beside)
    earlier = next((e for e in reversed(eras) if e.to_utc_ms <= entry.at_utc_ms), None)
    model = derivation.models[source].get(earlier.from_utc_ms) if earlier else None
    days = _loaded_days(derived, source)
    before = _stretch(days, earlier, last=True) if earlier else None
    after = _stretch(days, era, last=False)
    if earlier is None or model is None or before is None or after is None:
        lacking = "before" if before is None or model is None else "after"
        none = Change(None, None, f"not comparable: no day with usable load {lacking}")
        return Comparison(source, era, entries, before, after, None, none, none, none, None, none.reason)
    fit = fit_stretch(derived, derivation, model, before.from_utc_ms, before.to_utc_ms)
    now = derivation.models[source].get(era.from_utc_ms)
    sides = Sides(derived, source, before, after, _scale_error(earlier, era))
    interface = sides.interface((earlier.from_utc_ms, era.from_utc_ms), _constants_error(model, now))
    total, share = sides.total(model, now)
    airflow = _rest_change(interface, total, share)
    temperatures, reason = _temperatures(source, fit, total, sides.usual_power_w(), conditions)
    frames = [reader.source_frame(source, side.from_utc_ms, side.to_utc_ms) for side in (before, after)]
    load_w = load_threshold_w(*frames)  # so that both sides mean the same by load
    sustained = compare_sustained(*(load_stretches(frame, load_w) for frame in frames))
    prices: list[Price] = []
    if era.cost is not None:
        gain_k = None if temperatures is None else -temperatures.change_k
        ends_k = None if temperatures is None else (-temperatures.ci95_k[1], -temperatures.ci95_k[0])
        prices.append(price_of(era.cost, "kelvin", gain_k, ends_k))
        for name in MOMENTS:
            clock = sustained[name]
            prices.append(price_of(era.cost, f"percent of {name}", clock.change, clock.ci95))
    return Comparison(
        source=source,
        era=era,
        entries=entries,
        before=before,
        after=after,
        fit=fit,
        interface=interface,
        airflow=airflow,
        total=total,
        temperatures=temperatures,
        no_temperatures=reason,
        sustained=sustained,
        prices=tuple(prices),
    )


def _loaded_days(derived: DerivedStore, source: str) -> list[str]:
    """Days on which the source said anything under load."""
    cells = derived.cells(source)
    return sorted(set(cells.loc[cells["part"].isin([INTERFACE, TOTAL]), "day"]))


def _stretch(days: Sequence[str], era: Era, *, last: bool) -> Stretch | None:
    """The last or first days with load of an era; days that are cut by its edges are left out."""
    begin_ms = era.from_utc_ms + (0 if last or not era.opened_by else RUN_IN_DAYS * DAY_MS)
    moments = [int(pd.Timestamp(day, tz="UTC").timestamp() * 1000) for day in days]
    inside = [at for at in moments if at >= begin_ms and at + DAY_MS <= era.to_utc_ms + DAY_MS * (not last)]
    chosen = inside[-DAYS_EACH:] if last else inside[:DAYS_EACH]
    return Stretch(chosen[0], min(chosen[-1] + DAY_MS, era.to_utc_ms), len(chosen)) if chosen else None


def _rest_change(interface: Change, total: Change, share: float) -> Change:
    """What is left for the airflow part when the interface part's change is taken out of the whole."""
    for one in (interface, total):
        if one.pct is None:
            return Change(None, None, one.reason)
    if not 0.0 < share < 1.0:
        return Change(None, None, "not identifiable: the interface part's share is not known")
    (of_interface, interface_error), (of_total, total_error) = _ratio(interface), _ratio(total)
    ratio = (of_total - share * of_interface) / (1.0 - share)
    error = math.hypot(total_error, share * interface_error) / (1.0 - share)
    ends = (ratio - NORMAL_95 * error, ratio + NORMAL_95 * error)
    return Change(100.0 * (ratio - 1.0), (100.0 * (ends[0] - 1.0), 100.0 * (ends[1] - 1.0)))


def _temperatures(
    source: str, fit: PathFit, total: Change, usual_w: float, conditions: ReferenceConditions
) -> tuple[Temperatures | None, str]:
    if fit.total is None:
        return None, fit.no_airflow
    if total.pct is None:
        return None, total.reason
    power_w = conditions.power_w(source, usual_w)
    ratio, error = _ratio(total)
    rise_k = power_w * fit.total.k_per_w
    change_k = rise_k * (ratio - 1.0)
    spread_k = math.hypot(rise_k * error, power_w * fit.total.standard_error_k_per_w * (ratio - 1.0))
    before_c = conditions.ambient_c + rise_k
    ci95_k = (change_k - NORMAL_95 * spread_k, change_k + NORMAL_95 * spread_k)
    return Temperatures(conditions.ambient_c, power_w, before_c, before_c + change_k, change_k, ci95_k), ""


def _ratio(told: Change) -> tuple[float, float]:
    assert told.pct is not None and told.ci95_pct is not None  # callers have looked
    half = (told.ci95_pct[1] - told.ci95_pct[0]) / 2.0
    return 1.0 + told.pct / 100.0, half / 100.0 / NORMAL_95


def _constants_error(model: EraModel, now: EraModel | None) -> float:
    """What time constants that were found apart bring into a ratio; what the model is wrong by cancels."""
    shares = [one.constants.common_relative_error for one in (model, now) if one and one.constants]
    return math.hypot(*(math.sqrt(max(share**2 - MODEL_SHARE**2, 0.0)) for share in shares))


def _scale_error(before: Era, after: Era) -> float:
    """Relative error that a change of the power scale brings into a ratio across it."""
    if before.scale == after.scale:
        return 0.0
    # The later scale stands on the earlier one: what is common to both cancels.
    own = (after.scale.slope_standard_error / after.scale.slope) ** 2
    common = (before.scale.slope_standard_error / before.scale.slope) ** 2
    return math.sqrt(own - common) if own > common else math.sqrt(own + common)
