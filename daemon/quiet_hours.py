"""Hours in which the owner is left in peace, by the clock on the owner's wall."""

from __future__ import annotations

from datetime import datetime, time, timedelta, tzinfo

DAY = timedelta(days=1)


def quiet_until_utc_ms(
    now_utc_ms: int, from_text: str, to_text: str, zone: tzinfo | None = None
) -> int | None:
    """When the quiet hours that it is now end.

    Parameters
    ----------
    now_utc_ms
        Now [ms since 1970].
    from_text, to_text
        Where they begin and end, ``22:00`` and ``07:00``; the same twice means that there are none. They may
        span midnight.
    zone
        The time zone they are meant in; None for the machine's own, whose summer time the C library knows.

    Returns
    -------
    int or None
        UTC [ms since 1970], always later than now; None outside the quiet hours. On the night in which the
        clock is set, the hours end when the wall clock shows ``to_text``.
    """
    begin, end = time.fromisoformat(from_text), time.fromisoformat(to_text)
    # With None this is the naive local time, and `timestamp` takes such a one back by the system's own rules.
    now = datetime.fromtimestamp(now_utc_ms / 1000, zone)
    clock = now.time()
    is_quiet = begin <= clock < end if begin <= end else clock >= begin or clock < end
    if not is_quiet:
        return None
    day = now.date() if clock < end else now.date() + DAY
    ends = datetime.combine(day, end, tzinfo=zone)
    until_ms = round(ends.timestamp() * 1000)
    if until_ms <= now_utc_ms:  # the hour that the autumn has twice: its second end is the one to come
        until_ms = round(ends.replace(fold=1).timestamp() * 1000)
    return until_ms if until_ms > now_utc_ms else None
