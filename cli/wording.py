"""Numbers and moments in words, as the tables print them."""

from __future__ import annotations

from datetime import UTC, datetime


def size_text(size_bytes: int) -> str:
    """A size with three figures, in powers of 1000."""
    size = float(size_bytes)
    for unit in ("B", "kB", "MB", "GB"):
        if size < 999.5:
            return f"{size:.0f} {unit}" if unit == "B" or size >= 100 else f"{size:.3g} {unit}"
        size /= 1000
    return f"{size:.3g} TB"


def span_text(span_s: float) -> str:
    """A length of time in its two largest units."""
    seconds = round(span_s)
    if seconds < 60:
        return f"{seconds} s"
    if seconds < 3600:
        return f"{seconds // 60} min {seconds % 60} s" if seconds < 600 else f"{seconds // 60} min"
    if seconds < 86_400:
        return f"{seconds // 3600} h {seconds % 3600 // 60} min"
    return f"{seconds // 86_400} d {seconds % 86_400 // 3600} h"


def moment_text(at_utc_ms: int) -> str:
    """A moment in UTC to the second, RFC 3339 with a space."""
    return f"{datetime.fromtimestamp(at_utc_ms / 1000, UTC):%Y-%m-%d %H:%M:%S}Z"


def rfc3339(at_utc_ms: int) -> str:
    """A moment for programs."""
    return (
        datetime.fromtimestamp(at_utc_ms / 1000, UTC)
        .isoformat(timespec="milliseconds")
        .replace("+00:00", "Z")
    )


def value_text(value_milli: int, unit: str) -> str:
    """A stored value with its unit, no more digits than the sensor can mean."""
    words = {"c": "°C", "w": "W", "mhz": "MHz", "pct": "%", "rpm": "rpm"}
    digits = 0 if unit in {"mhz", "rpm", "pct"} else 1
    return f"{value_milli / 1000:.{digits}f} {words[unit]}"


def counted(number: int, thing: str) -> str:
    """A number with its noun, which takes an s unless it is one."""
    return f"{number:,} {thing}{'' if number == 1 else 's'}"
