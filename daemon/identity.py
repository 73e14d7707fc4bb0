"""Notices when something changes that a baseline may depend on: driver, firmware, limit, profile, mains."""

from __future__ import annotations

import logging
from collections.abc import Iterable, Mapping

from ..store.records import IdentityChange
from .sensors.base import SensorGroup
from .sensors.patience import Patience

log = logging.getLogger(__name__)

# Above what NVML's own side waits for an answer and for the end of a child: two threads must not meet there.
PATIENCE_S = 2.0


class IdentityWatch:
    """Compares facts with those last known.

    Parameters
    ----------
    known
        What the database knows, so that a restart repeats nothing.
    """

    def __init__(self, known: Mapping[str, str]) -> None:
        self._known = dict(known)
        self._patience = Patience(PATIENCE_S)

    def changes(self, groups: Iterable[SensorGroup], at_utc_ms: int) -> list[IdentityChange]:
        """Ask every group; only what changed, or is new, comes back.

        A fact that cannot be had now (a sleeping device tells nothing) is no change.
        """
        found: list[IdentityChange] = []
        for group in groups:
            try:
                facts = self._patience.ask(group.name, group.facts)
            except Exception as error:  # as with readings: one group's fault is not the others'
                log.debug("%s: no facts (%s)", group.name, error)
                continue
            for subject, after in facts.items():
                before = self._known.get(subject)
                if before == after:
                    continue
                self._known[subject] = after
                found.append(IdentityChange(at_utc_ms, subject, before, after))
                if before is not None:
                    log.info("%s changed: %s -> %s", subject, before, after)
        return found
