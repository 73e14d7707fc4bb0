"""Who is to blame: which single cause explains what all parts show together.

Each cause leaves a signature. Compound moves the interface part alone, lint the airflow part alone; a power
reading with another scale multiplies both by the same factor; a thermometer that is off shifts idle and load
by the same kelvin; a tired fan turns slower at the same heat.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from enum import Enum

import numpy as np
from scipy.special import chdtri

from .shown import Signs

INTERFACE_SYSTEMATIC, AIRFLOW_SYSTEMATIC = 0.012, 0.025  # what a healthy path wanders by [log units]
# The time constant of a joint grows with its resistance, in layers not by quite the same share.
SLOWER_SYSTEMATIC, SLOWER_SHARE = 0.03, 0.25
IDLE_SYSTEMATIC_K = 1.0  # rooms and readings by the idle machine
# A fan that begins to turn at rest, or no longer does, moves idle by some kelvin the other way (one simulated
# laptop in ninety, its air blocked): how improbable that is, in chi squared.
IDLE_ASTRAY = 12.0
# A fan that nobody reads turns faster for a hotter die, so that a worse joint may look like better air: as
# improbable as that, common practice, no source.
FAN_ANSWERS = 4.0
# Two thermometers on one sink at like powers; other work shows a changed joint by more or less, and air that
# changed warms one of them by a tenth more than the other.
APART_SYSTEMATIC_K, APART_JOINT_SHARE, APART_AIR_SHARE = 0.3, 0.5, 0.1
FAN_SYSTEMATIC = 0.02
# Differences of chi squared, as of a likelihood ratio of 7 to 1: less leaves two causes standing.
UNDECIDED = 4.0
# Once settled, no joint gets better by itself, and air only where somebody sees to it: as improbable as that,
# common practice, no source.
IMPROVED_BY_ITSELF = 4.0
# Readings go off at once, by a driver or firmware; what creeps is matter. No odds beyond these are believed.
MOST_CREEP_ODDS = 100.0
OFFSET = "temperature offset"  # the name of its signature
# Single causes stay within this quantile of chi squared but for one in ten thousand draws; a joint and fins
# that both changed by 20 % leave more in nearly every one (tests/reports/test_cause.py).
EXPLAINED = 0.9999
LEAST_SIGNS = 3  # with fewer nothing would be left to speak without idle
MOST_TIMES = 1000  # beyond, a likelihood ratio is only "more than"


class Cause(Enum):
    """What changed a heat path, or what only seems to have."""

    NONE = "none"
    INTERFACE = "interface"
    AIRFLOW = "airflow"
    FAN = "fan"
    TELEMETRY = "telemetry"
    UNKNOWN = "unknown"


@dataclass(frozen=True, slots=True)
class Blame:
    """The likeliest cause, its probability among all, and what each explains how well.

    Attributes
    ----------
    misfits
        Chi squared of each signature, and what speaks against it beforehand.
    misfit
        Chi squared of what explains it best, whether or not others are ruled out.
    misfit_of_nothing
        Chi squared where nothing has changed.
    excluded
        In words: what was ruled out and by what.
    """

    cause: Cause
    probability: float
    misfits: dict[str, float]
    excluded: tuple[str, ...]
    misfit: float
    misfit_of_nothing: float = math.inf

    @property
    def likeliest(self) -> str:
        """Name of the signature that explains it best."""
        return min(self.misfits, key=lambda name: self.misfits[name])

    @property
    def may_be_nothing(self) -> bool:
        """Whether all that was seen is what healthy paths do as well."""
        return self.misfit_of_nothing - self.misfit < UNDECIDED

    def allows(self, cause: Cause, name: str) -> bool:
        """Whether a signature is still possible beside the best one."""
        return self.cause is cause or self.misfits.get(name, math.inf) - self.misfit < UNDECIDED


@dataclass(frozen=True, slots=True)
class _Signature:
    """What a cause of size 1 does to each sign; to those in kelvin, by how many."""

    cause: Cause
    name: str
    interface: float
    airflow: float
    idle_k: float
    fan: float
    slower: float = 0.0
    apart_k: float = 0.0


def blame(signs: Signs, *, airflow_systematic: float = AIRFLOW_SYSTEMATIC) -> Blame:
    """Find the cause that explains all signs.

    Parameters
    ----------
    signs
        Of one source; at least one part must be known.
    airflow_systematic
        What the airflow part of a healthy path wanders by [log units].
    """
    rows = _rows(signs, airflow_systematic)
    misfits: dict[str, float] = {}
    unexplained: dict[str, float] = {}
    of_name: dict[str, Cause] = {}
    for signature in _signatures(signs):
        size, unexplained[signature.name] = _fit_with_any_idle(signature, rows)
        if signature.cause is Cause.INTERFACE and _may_the_fan_answer(signs):
            blind = {name: row for name, row in rows.items() if name != "airflow"}
            free_size, free = _fit_with_any_idle(signature, blind)
            if free + FAN_ANSWERS < unexplained[signature.name]:
                size, unexplained[signature.name] = free_size, free + FAN_ANSWERS
        misfits[signature.name] = unexplained[signature.name] + _improbability(signature.cause, size, signs)
        of_name[signature.name] = signature.cause
    _, nothing = _fit_with_any_idle(_Signature(Cause.NONE, "nothing", 0.0, 0.0, 0.0, 0.0), rows)
    least = min(misfits.values())
    weights = {name: math.exp(-(value - least) / 2.0) for name, value in misfits.items()}
    by_cause: dict[Cause, float] = {}
    for name, weight in weights.items():
        by_cause[of_name[name]] = by_cause.get(of_name[name], 0.0) + weight
    total = sum(by_cause.values())
    best = max(by_cause, key=lambda cause: by_cause[cause])
    own = min(value for name, value in misfits.items() if of_name[name] is best)
    rival = min((value for name, value in misfits.items() if of_name[name] is not best), default=math.inf)
    excluded = tuple(
        f"{name}: the readings would be {odds(value - own)} times less likely"
        for name, value in misfits.items()
        if of_name[name] is not best and value - own >= UNDECIDED
    )
    # What no single cause explains has more than one, or one that is not among them.
    seen = min(value for name, value in unexplained.items() if of_name[name] is best)
    fits = seen <= float(chdtri(max(len(rows) - 1, 1), 1.0 - EXPLAINED))
    cause = best if fits and rival - own >= UNDECIDED else Cause.UNKNOWN
    return Blame(cause, by_cause[best] / total, misfits, excluded, own, nothing)


def odds(chi_squared: float) -> str:
    """Likelihood ratio of a difference of chi squared in words, rounded down to one digit."""
    ratio = math.exp(min(chi_squared / 2.0, 99.0))
    if ratio >= MOST_TIMES:
        return f"more than {MOST_TIMES}"
    unit = 10.0 ** math.floor(math.log10(ratio))
    return f"at least {math.floor(ratio / unit) * unit:.0f}"


def _improbability(cause: Cause, size: float, signs: Signs) -> float:
    """What speaks against a cause before any sign is weighed, in chi squared."""
    if cause in (Cause.INTERFACE, Cause.AIRFLOW) and size < 0.0:
        return IMPROVED_BY_ITSELF
    if cause is Cause.TELEMETRY:
        return 2.0 * min(max(signs.log_creep_odds, 0.0), math.log(MOST_CREEP_ODDS))
    return 0.0


def _rows(signs: Signs, airflow_systematic: float) -> Mapping[str, tuple[float, float]]:
    """Each sign that was had, with all that it may be wrong by."""
    known = {
        "interface": (signs.interface, INTERFACE_SYSTEMATIC),
        "airflow": (signs.airflow, airflow_systematic),
        "idle_k": (signs.idle_k, IDLE_SYSTEMATIC_K),
        "fan": (signs.fan, FAN_SYSTEMATIC),
    }
    if signs.slower is not None:
        larger = max(abs(signs.slower.value), abs(signs.interface.value) if signs.interface else 0.0)
        known["slower"] = signs.slower, SLOWER_SYSTEMATIC + SLOWER_SHARE * larger
    joint, air = (abs(shift.value) if shift else 0.0 for shift in (signs.interface, signs.airflow))
    by_joint_k = APART_JOINT_SHARE * joint * signs.joint_apart_k
    by_air_k = APART_AIR_SHARE * air * (1.0 - signs.interface_share) * signs.load_rise_k
    known["apart_k"] = signs.apart_k, math.hypot(APART_SYSTEMATIC_K, by_joint_k, by_air_k)
    return {
        name: (shift.value, shift.error_with(systematic))
        for name, (shift, systematic) in known.items()
        if shift is not None
    }


def _signatures(signs: Signs) -> list[_Signature]:
    share, idle_k, load_k = signs.interface_share, signs.idle_rise_k, signs.load_rise_k
    found = [
        _Signature(
            Cause.INTERFACE, "interface part", 1.0, 0.0, share * idle_k, 0.0, 1.0, signs.joint_apart_k
        ),
        _Signature(Cause.AIRFLOW, "airflow part", 0.0, 1.0, (1.0 - share) * idle_k, 0.0),
        _Signature(Cause.TELEMETRY, "power scale", 1.0, 1.0, 0.0, 0.0, apart_k=signs.scale_apart_k),
    ]
    is_seen = signs.idle_k is not None or signs.is_air_read or signs.apart_k is not None
    if load_k > 0.0 and is_seen:
        # A kelvin too much looks like a share of the rise in the airflow part, and shows at idle in full.
        in_airflow = 1.0 / ((1.0 - share) * load_k) if signs.is_air_read else 0.0
        found.append(_Signature(Cause.TELEMETRY, OFFSET, 0.0, in_airflow, 1.0, 0.0, 0.0, 1.0))
    if signs.fan is not None:
        found.append(_Signature(Cause.FAN, "fan", 0.0, 0.0, 0.0, 1.0))
    return found


def _may_the_fan_answer(signs: Signs) -> bool:
    """Whether air that seems better may be a fan that turns faster for a worse joint."""
    if signs.is_fan_read or signs.interface is None or signs.airflow is None:
        return False
    return signs.interface.value > 0.0 > signs.airflow.value


def _fit_with_any_idle(signature: _Signature, rows: Mapping[str, tuple[float, float]]) -> tuple[float, float]:
    """As `_fit`; that the idle temperature does as it likes is improbable, not impossible."""
    size, misfit = _fit(signature, rows)
    if "idle_k" not in rows or len(rows) < LEAST_SIGNS:
        return size, misfit
    without = _fit(signature, {name: row for name, row in rows.items() if name != "idle_k"})
    return (size, misfit) if misfit <= without[1] + IDLE_ASTRAY else (without[0], without[1] + IDLE_ASTRAY)


def _fit(signature: _Signature, rows: Mapping[str, tuple[float, float]]) -> tuple[float, float]:
    """Best size of a signature, and the chi squared that it leaves."""
    errors = np.array([error for _, error in rows.values()])
    seen = np.array([value for value, _ in rows.values()]) / errors
    shape = np.array([getattr(signature, name) for name in rows]) / errors
    power = float(shape @ shape)
    size = float(shape @ seen) / power if power > 0.0 else 0.0
    return size, float(np.sum((seen - size * shape) ** 2))
