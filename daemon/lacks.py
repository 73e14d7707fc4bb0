"""What a machine does not show, what that costs the verdict, and what the owner can do."""

from __future__ import annotations

from collections.abc import Iterable, Mapping

from ..store.records import Channel, Missing
from .layout import Lack
from .proposals import Proposal
from .sensors.base import Reading
from .sensors.powercap import POWERCAP_RULES_FILE


def power_permission_lack(source: str) -> Lack:
    """The processor's energy counter is there, but only root may read it."""
    return Lack(
        f"no permission to read the power of {source}",
        f"the thermal resistance of {source} cannot be known, only its temperatures and clocks",
        f"install the rule {POWERCAP_RULES_FILE}; its first lines say how. The risk: whoever may read this "
        "counter can guess at keys that other programs compute with (CVE-2020-8694), so open it to the "
        "service's group alone",
    )


def find_lacks(
    proposal: Proposal,
    channels: Mapping[str, Channel],
    readings: Mapping[str, Reading],
    skipped_drives: bool,
) -> tuple[Lack, ...]:
    """Name every lack, the dearest first.

    Parameters
    ----------
    proposal
        Who is who.
    channels
        All channels by key.
    readings
        First readings by key, the processor's energy counters among them.
    skipped_drives
        There are drives with a thermometer that were not asked for.
    """
    lacks = [*_source_lacks(proposal, channels, readings), *_fan_lacks(proposal)]
    if not any(name == "ambient" for name, _ in proposal.probes):
        lacks.append(
            Lack(
                "no room temperature",
                "the airflow part is known less sharply, the season is in it; the interface part is safe",
                "put a thermometer near the air intake and name its channel as the probe 'ambient'",
            )
        )
    if skipped_drives:
        lacks.append(
            Lack(
                "drive temperatures are not read",
                "one stand-in less for the temperature of the air",
                "allow it in the settings; each reading is a command that may keep a drive from sleeping",
            )
        )
    return tuple(lacks)


def _source_lacks(
    proposal: Proposal, channels: Mapping[str, Channel], readings: Mapping[str, Reading]
) -> Iterable[Lack]:
    names = proposal.sources
    if not any(name.startswith("gpu") for name in names):
        yield Lack(
            "no graphics card with a temperature", "nothing can be said about a graphics card's heat path"
        )
    if not any(name.startswith("cpu") for name in names):
        yield Lack(
            "no processor temperature",
            "nothing can be said about the processor's heat path",
            "load the kernel module for it: coretemp (Intel) or k10temp (AMD)",
        )
    for name, places in names.items():
        if not name.startswith("vrm"):
            yield from _one_source_lacks(name, places, channels, readings)


def _one_source_lacks(
    name: str, places: Mapping[str, str], channels: Mapping[str, Channel], readings: Mapping[str, Reading]
) -> Iterable[Lack]:
    key = places.get("power_w")
    if key is None:
        yield Lack(
            f"no power of {name}",
            f"the thermal resistance of {name} cannot be known, only its temperatures and clocks",
            "load the kernel module intel_rapl_msr" if name.startswith("cpu") else "",
        )
    elif readings.get(key) is Missing.PERMISSION:
        yield power_permission_lack(name)
    if name.startswith("gpu") and "hotspot_temperature_c" not in places:
        yield Lack(
            f"no hotspot temperature of {name}",
            "a compound that pumps out is seen in the average of the die only, so somewhat later",
        )
    if "thermal_limited_pct" not in places and "limit_reasons" not in places:
        yield Lack(
            f"no throttle counter of {name}",
            "throttling is only guessed at, from clocks that fall with heat",
        )
    if channels[places["temperature_c"]].method == "relative":
        yield Lack(
            f"the temperature of {name} is on the maker's own scale",
            "changes are true, but degrees and the distance to the limit are not those of the die",
        )


def _fan_lacks(proposal: Proposal) -> Iterable[Lack]:
    fans = {name for name, quantity in proposal.probes if quantity == "speed_rpm"}
    if not fans:
        yield Lack(
            "no fan speed",
            "lint and a tired fan cannot be told apart",
            "look for the kernel module of the board's fan controller",
        )
    elif any(quantity == "intended_speed_pct" and name not in fans for name, quantity in proposal.probes):
        yield Lack(
            "a graphics card's fan is known by its intended speed only",
            "a blocked or worn fan of that card does not show",
        )
