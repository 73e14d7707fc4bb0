"""What the spool knows of its server: asked there without waiting, learned where the two meet."""

from __future__ import annotations

import json
from collections.abc import Mapping

from ..store.delivery import Deliverer
from ..store.spool import Spool

PLACE = "place:"


def learn_from(deliverer: Deliverer, spool: Spool, known: Mapping[str, str]) -> None:
    """Learn when tasks last ran; at the first meeting also what was recorded before the spool was made.

    Parameters
    ----------
    deliverer
        Just met.
    spool
        Learns.
    known
        What it knew before.
    """
    learned: dict[str, str] = {}
    for task, (good_ms, last_ms) in deliverer.task_times().items():
        learned[f"task:{task}"] = str(last_ms)
        if good_ms is not None:
            learned[f"good:{task}"] = str(good_ms)
    if "met" not in known:
        newest_ms = deliverer.last_sample_utc_ms()
        if blind := known.get("blind_since_utc_ms"):
            deliverer.explain_silence(int(blind))
        elif newest_ms is not None:
            spool.learn({"last_sample_utc_ms": str(newest_ms)}, is_newer=False)
        past = {f"fact:{subject}": value for subject, value in deliverer.facts().items()}
        past |= {f"source:{name}": kind for name, kind in deliverer.source_kinds().items()}
        spool.learn(past, is_newer=False)
    spool.learn(learned | {"met": "yes"})


def places_of(known: Mapping[str, str]) -> dict[tuple[str, str], str]:
    """Key of the channel that each owner's quantity was last read from, as far as the server was told."""
    found = {}
    for name, key in known.items():
        if name.startswith(PLACE):
            owner, quantity = json.loads(name.removeprefix(PLACE))
            found[owner, quantity] = key
    return found


def as_known(places: Mapping[tuple[str, str], str], before: Mapping[tuple[str, str], str]) -> dict[str, str]:
    """The same to be kept, where it changed."""
    return {f"{PLACE}{json.dumps(one)}": key for one, key in places.items() if before.get(one) != key}
