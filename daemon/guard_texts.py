"""What the guard says: what was seen, since when, what to do now, and what it costs to do it wrong."""

from __future__ import annotations

from datetime import UTC, datetime

from ..store.message import Lane, Message, Severity

BEFORE_OPENING = (
    "Before you open the machine: power off, unplug, disconnect the battery, let hot parts cool. Hot parts "
    "burn, and a damaged battery or an overloaded part can start a fire. Local rules and a qualified "
    "technician come first."
)
LIQUID_METAL = (
    "Liquid metal conducts: a drop on a board is a short circuit. It attacks aluminium. Wear gloves and eye "
    "protection."
)
READS_ONLY = "heatdrift only reads: it has changed no fan, clock or limit, and will not."


def over_temperature(
    source: str, limit_c: float, peak_c: float, since_utc_ms: int, now_utc_ms: int
) -> Message:
    """A source at or above its limit for too long."""
    body = (
        f"{source} has been at {limit_c:.0f} °C or more since {_moment(since_utc_ms)}; the highest reading "
        f"was {peak_c:.0f} °C.",
        "Now: save your work and end the load. Free the air inlets and outlets, put the machine on a hard "
        "flat surface, listen whether the fans turn. If it does not cool within minutes, shut it down.",
        "If it comes back at a load that used to be fine, have the fans, the fins and the joint between die "
        "and heatsink looked at.",
    )
    subject = f"{source}: {peak_c:.0f} °C, at its limit of {limit_c:.0f} °C"
    return _alarm(f"over-temperature {source}", source, subject, body, now_utc_ms)


def fan_stopped(fan: str, source: str, temperature_c: float, since_utc_ms: int, now_utc_ms: int) -> Message:
    """A fan that stands while it used to turn."""
    body = (
        f"{fan} has reported 0 rpm since {_moment(since_utc_ms)} while {source} is at "
        f"{temperature_c:.0f} °C. At such heat this fan was seen turning before.",
        "Now: end the load, save your work and listen. If the fan stands, shut the machine down and let it "
        "cool; do not push the blades while it runs.",
        "A cable, lint or a worn bearing are the usual reasons. A tachometer can fail while the fan turns.",
    )
    subject = f"{fan} stands still while {source} is at {temperature_c:.0f} °C"
    return _alarm(f"fan-stopped {fan}", source, subject, body, now_utc_ms)


def metal_step(
    *,
    source: str,
    temperature_c: float,
    rise_k: float,
    power_w: float,
    since_utc_ms: int,
    now_utc_ms: int,
) -> Message:
    """A sudden step on a path with liquid metal."""
    body = (
        f"Since {_moment(since_utc_ms)} {source} is at {temperature_c:.0f} °C with {power_w:.0f} W. That is "
        f"{rise_k:.0f} K more than the highest of the last days at like power, and the journal says that "
        "liquid metal is on this path.",
        "Now: shut down, unplug, disconnect the battery and inspect. The metal may have moved. Do not switch "
        "the machine on again before somebody has looked.",
        LIQUID_METAL,
        "A blocked outlet, another place or a much warmer room can look alike; only an inspection tells.",
    )
    subject = f"{source}: suddenly {rise_k:.0f} K hotter, with liquid metal: shut down, unplug, inspect"
    return _alarm(f"liquid-metal-step {source}", source, subject, body, now_utc_ms)


def _alarm(key: str, source: str, subject: str, body: tuple[str, ...], now_utc_ms: int) -> Message:
    text = "\n\n".join((*body, BEFORE_OPENING, READS_ONLY))
    return Message(
        Lane.GUARD,
        Severity.URGENT,
        key,
        now_utc_ms,
        subject,
        text,
        source,
    )


def _moment(at_utc_ms: int) -> str:
    """On the owner's clock, with its distance from UTC."""
    return f"{datetime.fromtimestamp(at_utc_ms / 1000, UTC).astimezone():%Y-%m-%d %H:%M:%S %z}"
