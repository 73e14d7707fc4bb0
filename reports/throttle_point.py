"""Where a source itself says that heat takes its clock down."""

from __future__ import annotations

from ..store.reader import Reader
from ..store.records import SLOWDOWN_FACT, SLOWDOWN_POINTS_C


def throttle_point_c(reader: Reader, source: str) -> float | None:
    """The throttle point that was last read of a source [°C]; None where none was had.

    Parameters
    ----------
    reader
        Of the machine.
    source
        Its name.
    """
    devices = {channel.device for owner, channel in reader.channels() if owner == source and channel.device}
    found = None
    for change in reader.identity_changes():
        device, fact, _ = change.subject.rpartition(f".{SLOWDOWN_FACT}")
        if fact and device in devices and change.after.isdecimal():
            limit_c = float(change.after)
            if SLOWDOWN_POINTS_C[0] <= limit_c <= SLOWDOWN_POINTS_C[1]:
                found = limit_c
    return found
