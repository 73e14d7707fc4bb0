"""Which sources sit on one sink: whose heat reaches whose die through the metal.

Two signs tell it. At rest a watt of one warms the other as the other's watt warms the first (a passive
network is reciprocal), and that watt against what each does to itself is the coupling of the two. But a fan
whose speed nobody reads turns faster for the heat of either, and hides it. Then the first two minutes after a
change of power tell: metal answers in them, the air of a case and most fans do not.
"""

from __future__ import annotations

import math
from collections.abc import Mapping

import numpy as np
import numpy.typing as npt
import pandas as pd

from ..store.errors import AnalysisError
from .fast_answers import Answer, answers_to, moves
from .machine_frames import MachineFrames
from .total_resistance import TotalResistance

Array = npt.NDArray[np.float64]

# Simulated machines: 0.28-0.58 on one sink, up to 0.17 on two in one case.
LEAST_COUPLING = 0.22
# Within two minutes: 0.051-0.24 on one sink but for two in ninety, up to 0.041 on two.
LEAST_FAST_COUPLING = 0.045
N_LAGS = 6
LEAST_ACTIVE_W = 5.0

Fits = Mapping[str, TotalResistance | AnalysisError]


def sharing(frames: MachineFrames, source: str, fits: Fits) -> tuple[str, ...]:
    """The sources that sit on the same sink as one of them.

    Where nobody knows, every other source may: that costs some certainty, the other mistake costs a third of
    the answer.

    Parameters
    ----------
    frames
        A stretch of the machine.
    source
        Whose neighbours are asked for.
    fits
        Total resistances of the sources, as far as they are known.
    """
    return tuple(other for other in frames.others(source) if _shares(frames, source, other, fits))


def settled_coupling(fits: Fits, one: str, other: str) -> float | None:
    """Coupling of two sources at rest, 0 to 1; None where it is not known, or a fan hides it."""
    mine, theirs = fits.get(one), fits.get(other)
    if not isinstance(mine, TotalResistance) or not isinstance(theirs, TotalResistance):
        return None
    if not mine.fan or not theirs.fan:
        return None
    crossed = (mine.cross_k_per_w.get(other, (0.0, 0.0))[0], theirs.cross_k_per_w.get(one, (0.0, 0.0))[0])
    coupling = _coupling(crossed, (mine.resistance_k_per_w, theirs.resistance_k_per_w))
    return coupling if coupling is not None and coupling <= 1.0 else None


def fast_coupling(one: pd.DataFrame, other: pd.DataFrame) -> float | None:
    """Coupling of two sources within two minutes of a change of power, 0 to 1.

    Parameters
    ----------
    one, other
        Rows of the sources: ``temperature_c`` [°C] and ``power_w`` [W], UTC index.

    Returns
    -------
    float or None
        None where power and temperature hardly ever moved while both were looked at often.
    """
    powers = [moves(one.index, frame["power_w"]) for frame in (one, other)]
    mine = _answers(moves(one.index, one["temperature_c"]), powers)
    theirs = _answers(moves(one.index, other["temperature_c"]), powers[::-1])
    if mine is None or theirs is None:
        return None
    crossed = [mine[1], theirs[1]]
    if min(answer.standard_error for answer in crossed) <= 0.0:
        return None
    # Reciprocal, so both directions are one number, each as good as its error says.
    weights = [answer.standard_error**-2.0 for answer in crossed]
    both = float(np.average([answer.value for answer in crossed], weights=weights))
    return _coupling((both, both), (mine[0].value, theirs[0].value))


def _shares(frames: MachineFrames, source: str, other: str, fits: Fits) -> bool:
    coupling = settled_coupling(fits, source, other)
    if coupling is not None:
        return coupling >= LEAST_COUPLING
    fast = fast_coupling(frames.sources[source], frames.sources[other])
    return fast is None or fast >= LEAST_FAST_COUPLING


def _answers(warmed: Array, powers: list[Array]) -> list[Answer] | None:
    return answers_to(warmed, powers, n_lags=N_LAGS, least_active=LEAST_ACTIVE_W)


def _coupling(crossed: tuple[float, float], own: tuple[float, float]) -> float | None:
    if min(own) <= 0.0:
        return None
    return math.sqrt(max(crossed[0], 0.0) * max(crossed[1], 0.0) / (own[0] * own[1]))
