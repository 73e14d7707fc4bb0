"""Which source a fan follows: whose temperature it answers to within a minute.

At rest two sources are warm together, and a fan then seems to follow both. From one moment to the next each
moves by itself.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from .fast_answers import answers_to, moves
from .machine_frames import MachineFrames

N_LAGS = 3
LEAST_ACTIVE_K = 1.0
# Simulated desktops: the fan's own source stood 11 to 116 errors out, the other up to 12, and never more than
# a third as much but in one of thirty.
LEAST_ERRORS, TIMES_AS_CLEAR = 8.0, 2.5


def strangers_fans(frames: MachineFrames, source: str, shared_with: Sequence[str]) -> frozenset[str]:
    """Fans that clearly follow another source, which sits on a sink of its own.

    Parameters
    ----------
    frames
        A stretch of the machine.
    source
        Whose fans are looked for.
    shared_with
        Sources on its sink: a fan that follows one of them cools it as well.
    """
    ours = {source, *shared_with}
    return frozenset(fan for fan, owner in owners_of(frames).items() if owner not in ours)


def owners_of(frames: MachineFrames) -> dict[str, str]:
    """The source that each fan clearly follows; without those of which none is clear.

    Parameters
    ----------
    frames
        A stretch of the machine.
    """
    names = list(frames.others(""))
    if len(names) < 2:
        return {}
    index = frames.sources[names[0]].index
    warmed = [moves(index, frames.sources[name]["temperature_c"]) for name in names]
    found = {}
    for fan, speed in frames.fans.items():
        turned = moves(index, np.log(speed.where(speed > 0.0)))
        answers = answers_to(turned, warmed, n_lags=N_LAGS, least_active=LEAST_ACTIVE_K)
        if answers is None:
            continue
        by_errors = sorted(zip((answer.errors for answer in answers), names, strict=True), reverse=True)
        (best, name), (next_best, _) = by_errors[:2]
        if best >= LEAST_ERRORS and best >= TIMES_AS_CLEAR * next_best:
            found[fan] = name
    return found
