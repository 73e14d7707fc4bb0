"""Says once when a reading is lost and once when it is back; a year of log must stay readable."""

from __future__ import annotations

import logging
from collections.abc import Sequence

from ..store.records import REASON_BITS, Missing
from ..store.units import SOURCE_QUANTITIES
from .looks import REASON_MASK, Look

log = logging.getLogger(__name__)

BACK = 0
LOST_LOOKS = 3  # one failed read is weather, three in a row are news
# Reasons that are part of a healthy day.
ORDINARY = frozenset(
    reason.value
    for reason in (
        Missing.ASLEEP,
        Missing.AFTER_RESUME,
        Missing.COUNTER_RESTART,
        Missing.FIRST_LOOK,
        Missing.NOT_EXPOSED,
        Missing.NOT_READ,
    )
)
WORDS = {
    Missing.PERMISSION: "no permission",
    Missing.VANISHED: "the device or its file is gone",
    Missing.READ_ERROR: "reading it fails",
    Missing.TIMEOUT: "no answer in time",
    Missing.IMPLAUSIBLE: "impossible values",
    Missing.STUCK: "the same value through a change of load",
    Missing.FAULT_FLAG: "the driver reports a fault",
    Missing.NOT_NUMERIC: "not a number",
    Missing.DRIVER_ERROR: "the driver fails",
}


class SensorHealth:
    """Follows which readings are lost.

    Attributes
    ----------
    has_vanished
        A device is gone (or renumbered) since the flag was last cleared: worth looking for it anew.
    """

    def __init__(self, sources: Sequence[str], probes: Sequence[tuple[str, str]]) -> None:
        self.has_vanished = False
        self._sources = tuple(sources)
        self._probes = tuple(f"{name} {quantity}" for name, quantity in probes)
        self._seen: dict[str, tuple[int, int]] = {}  # source: packed reasons, looks with just these
        self._failed: dict[str, int] = {}  # name: failed reads in a row

    @property
    def anything_lost(self) -> bool:
        """Whether some reading has failed for several looks in a row."""
        return any(failed >= LOST_LOOKS for failed in self._failed.values())

    def note(self, look: Look) -> None:
        """Compare a look with the ones before."""
        for name, source in zip(self._sources, look.sources, strict=True):
            missing = source.missing_reasons
            last, count = self._seen.get(name, (-1, 0))
            count = count + 1 if missing == last else 1
            self._seen[name] = missing, count
            if count <= LOST_LOOKS:  # longer ago there is nothing new to say
                self._note_source(name, missing)
        for label, code in zip(self._probes, look.probe_reasons or (), strict=False):
            news = self._follow(label, code)
            if news is not None:
                self._tell(label, news)

    def _note_source(self, name: str, missing: int) -> None:
        """Tell what changed; what happens to several quantities at once is one line."""
        told: dict[int, list[str]] = {}
        for index, quantity in enumerate(SOURCE_QUANTITIES):
            news = self._follow(f"{name} {quantity.name}", (missing >> (REASON_BITS * index)) & REASON_MASK)
            if news is not None:
                told.setdefault(news, []).append(quantity.name)
        for news, quantities in told.items():
            self._tell(f"{name} {', '.join(quantities)}", news)

    def _follow(self, label: str, code: int) -> int | None:
        """The reason for which a reading is lost from now on, `BACK` when it returns, None without news."""
        if code == 0:
            return BACK if self._failed and self._failed.pop(label, 0) >= LOST_LOOKS else None
        if code in ORDINARY:
            return None
        failed = self._failed.get(label, 0) + 1
        self._failed[label] = failed
        return code if failed == LOST_LOOKS else None

    def _tell(self, label: str, news: int) -> None:
        if news == BACK:
            log.info("%s: back", label)
            return
        reason = Missing(news)
        log.warning("%s: lost (%s); empty until it returns", label, WORDS.get(reason, reason.name.lower()))
        if reason is Missing.VANISHED:
            self.has_vanished = True
