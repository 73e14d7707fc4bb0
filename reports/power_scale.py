"""What a journal entry does to the reported power, and how well that is known.

A sensor that looks at the current through a resistor reports the voltage across it over the resistance that
it believes in. With another resistor it reports ``slope * true + offset``: the slope is below one where the
resistor became smaller, and the offset is what untouched rails add where only some were changed.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import overload

import numpy as np
import numpy.typing as npt

from ..store.errors import SettingsError
from ..store.journal_entry import EntryKind, JournalEntry

Array = npt.NDArray[np.float64]

# Nominal values alone are good to 10 %: tolerance of two resistors, and solder or paint between them adds
# tenths of a milliohm (common practice, no source). A bound without a shape: u = bound / sqrt(3).
NOMINAL_BOUND = 0.10
NORMAL_95 = 1.959964
SHARE_BOUND_PCT = 5.0  # a share of the rails is read off a data sheet or a connector, to the nearest tenth
# Around a plug-in meter: the meter itself, the efficiency somebody states for the supply, and what else in
# the machine draws more while the source works (common practice, no source).
METER_BOUND = 0.02
EFFICIENCY_BOUND_PCT = 3.0
REST_OF_MACHINE_BOUND = 0.05
LEAST_SWING_W = 10.0  # a meter that counts whole watts errs by 10 % on less
# A measured factor and the resistors may differ by what bounds both, not by more.
LARGEST_CONTRADICTION = 1.3


@dataclass(frozen=True, slots=True)
class PowerScale:
    """``reported = slope * true + offset``, with standard errors.

    Attributes
    ----------
    slope, slope_standard_error
        Reported watt for each true watt, and how well it is known; the errors of slope and offset are taken
        as independent.
    offset_w, offset_standard_error_w
        What is reported at a true power of zero [W].
    basis
        ``as reported`` (nothing is known against the sensor), ``nominal`` (from resistors), ``declared`` (a
        figure of the owner) or ``calibrated`` (against a meter); only the last makes a resistance absolute.
    """

    slope: float = 1.0
    slope_standard_error: float = 0.0
    offset_w: float = 0.0
    offset_standard_error_w: float = 0.0
    basis: str = "as reported"

    @property
    def factor(self) -> float:
        """True watt for each reported watt, above the offset."""
        return 1.0 / self.slope

    @property
    def factor_standard_error(self) -> float:
        """Standard error of `factor`."""
        return self.slope_standard_error / self.slope**2

    @property
    def is_calibrated(self) -> bool:
        """Whether a meter was held against it."""
        return self.basis == "calibrated"

    @overload
    def true_w(self, reported_w: float) -> float: ...
    @overload
    def true_w(self, reported_w: Array) -> Array: ...
    def true_w(self, reported_w: float | Array) -> float | Array:
        """True power [W] where the sensor said ``reported_w``; NaN stays NaN."""
        return (reported_w - self.offset_w) / self.slope

    @overload
    def standard_error_w(self, reported_w: float) -> float: ...
    @overload
    def standard_error_w(self, reported_w: Array) -> Array: ...
    def standard_error_w(self, reported_w: float | Array) -> float | Array:
        """Standard error of `true_w` [W], common to all readings under this scale."""
        by_slope = self.true_w(reported_w) * self.slope_standard_error
        spread: float | Array = np.hypot(by_slope, self.offset_standard_error_w) / self.slope
        return spread if isinstance(reported_w, np.ndarray) else float(spread)

    def after(self, earlier: PowerScale) -> PowerScale:
        """The scale of a sensor that had ``earlier`` before this one was put on top of it."""
        slope = self.slope * earlier.slope
        return PowerScale(
            slope,
            math.hypot(self.slope_standard_error * earlier.slope, self.slope * earlier.slope_standard_error),
            self.slope * earlier.offset_w + self.offset_w,
            math.hypot(
                self.slope * earlier.offset_standard_error_w,
                self.slope_standard_error * earlier.offset_w,
                self.offset_standard_error_w,
            ),
            self.basis,
        )


def parallel_mohm(first_mohm: float, second_mohm: float) -> float:
    """Two resistors on top of each other [mOhm]."""
    return 1.0 / (1.0 / first_mohm + 1.0 / second_mohm)


def shunt_factor(from_mohm: float, to_mohm: float) -> float:
    """True over reported power after a sense resistor was exchanged: the old value over the new.

    5 mOhm exchanged for 4 mOhm gives 1.25: where 112 W are reported, 140 W flow.
    """
    if not (from_mohm > 0 and to_mohm > 0 and math.isfinite(from_mohm) and math.isfinite(to_mohm)):
        raise SettingsError("a sense resistor has a resistance above 0", remedy="give both values in mOhm")
    return from_mohm / to_mohm


def power_scale(entry: JournalEntry) -> PowerScale | None:
    """What one entry says about the reported power; None where it says nothing.

    That of a calibration holds against the truth; that of any other entry against what the sensor would have
    said without it, see `PowerScale.after`.

    Raises
    ------
    SettingsError
        It says too little, or two things that contradict each other.
    """
    numbers = entry.numbers
    if (
        entry.kind is EntryKind.CALIBRATION
        and "power_factor" not in numbers
        and "reported_slope" not in numbers
    ):
        return _from_wall_meter(entry)
    if "reported_slope" in numbers or "reported_offset_w" in numbers:
        return _from_line(entry)
    nominal = _from_resistors(entry)
    if "power_factor" not in numbers:
        if nominal is None and entry.kind is EntryKind.SHUNT:
            raise SettingsError(
                f"the {entry.name} does not say by how much the power changed",
                remedy="give shunt_from_mohm with shunt_to_mohm or shunt_added_mohm, or power_factor",
            )
        return nominal
    declared = _from_factor(entry, numbers["power_factor"])
    if nominal is not None:
        ratio = declared.factor / nominal.factor
        if max(ratio, 1 / ratio) > LARGEST_CONTRADICTION:
            raise SettingsError(
                f"the {entry.name} says {declared.factor:.3g} times, its resistors {nominal.factor:.3g}",
                remedy="leave out the one that was not measured",
            )
    return declared


def resistance_after_mohm(entry: JournalEntry) -> float | None:
    """The sense resistance that an entry leaves behind [mOhm]; None where it names none."""
    numbers = entry.numbers
    if "shunt_from_mohm" in numbers and "shunt_added_mohm" in numbers:
        return parallel_mohm(numbers["shunt_from_mohm"], numbers["shunt_added_mohm"])
    return numbers.get("shunt_to_mohm")


def _from_resistors(entry: JournalEntry) -> PowerScale | None:
    numbers = entry.numbers
    named = {key for key in ("shunt_from_mohm", "shunt_to_mohm", "shunt_added_mohm") if key in numbers}
    if not named:
        return None
    if "shunt_from_mohm" not in named or len(named) != 2:
        raise SettingsError(
            f"the {entry.name} needs two resistances",
            remedy="give shunt_from_mohm, and one of shunt_to_mohm and shunt_added_mohm",
        )
    after = resistance_after_mohm(entry)
    assert after is not None  # two are named, and one of them is from
    factor = shunt_factor(numbers["shunt_from_mohm"], after)
    share = numbers.get("shunt_share_pct", 100.0) / 100.0
    # Of each true watt, the share behind changed resistors is under-reported, the rest is not.
    slope = share / factor + 1.0 - share
    by_resistors = share / factor * _relative_error(entry, NOMINAL_BOUND / math.sqrt(3.0))
    by_share = (1.0 - 1.0 / factor) * SHARE_BOUND_PCT / 100.0 / math.sqrt(3.0) if share < 1.0 else 0.0
    return PowerScale(slope, math.hypot(by_resistors, by_share), basis="nominal")


def _from_factor(entry: JournalEntry, factor: float) -> PowerScale:
    relative = _relative_error(entry, NOMINAL_BOUND / math.sqrt(3.0))
    return PowerScale(1.0 / factor, relative / factor, basis=_basis(entry))


def _from_line(entry: JournalEntry) -> PowerScale:
    slope = entry.numbers.get("reported_slope")
    if slope is None:
        raise SettingsError(f"the {entry.name} has an offset and no slope", remedy="give reported_slope too")
    if "power_factor" in entry.numbers or any(key.endswith("_mohm") for key in entry.numbers):
        raise SettingsError(
            f"the {entry.name} says twice how the power changed", remedy="keep reported_slope, or the rest"
        )
    offset_w = entry.numbers.get("reported_offset_w", 0.0)
    relative = _relative_error(entry, NOMINAL_BOUND / math.sqrt(3.0))
    return PowerScale(slope, relative * slope, offset_w, relative * abs(offset_w), _basis(entry))


def _from_wall_meter(entry: JournalEntry) -> PowerScale:
    needed = ("wall_idle_w", "wall_load_w", "reported_idle_w", "reported_load_w", "supply_efficiency_pct")
    lacking = [key for key in needed if key not in entry.numbers]
    if lacking:
        raise SettingsError(
            f"the {entry.name} lacks {', '.join(lacking)}", remedy="read both meters at idle and under load"
        )
    wall_idle_w, wall_load_w, reported_idle_w, reported_load_w, efficiency_pct = (
        entry.numbers[key] for key in needed
    )
    wall_w, reported_w = wall_load_w - wall_idle_w, reported_load_w - reported_idle_w
    if min(wall_w, reported_w) < LEAST_SWING_W:
        raise SettingsError(
            f"the {entry.name} has only {min(wall_w, reported_w):g} W between idle and load",
            remedy=f"load it until both meters rise by {LEAST_SWING_W:g} W or more",
        )
    # Only the difference counts, so that what the rest of the machine draws at idle drops out.
    slope = reported_w / (wall_w * efficiency_pct / 100.0)
    bounds = (METER_BOUND, EFFICIENCY_BOUND_PCT / efficiency_pct, REST_OF_MACHINE_BOUND)
    relative = _relative_error(entry, math.hypot(*bounds) / math.sqrt(3.0))
    return PowerScale(slope, relative * slope, basis="calibrated")


def _relative_error(entry: JournalEntry, unless_stated: float) -> float:
    stated_pct = entry.numbers.get("power_factor_ci95_pct")
    return unless_stated if stated_pct is None else stated_pct / 100.0 / NORMAL_95


def _basis(entry: JournalEntry) -> str:
    return "calibrated" if entry.kind is EntryKind.CALIBRATION else "declared"
