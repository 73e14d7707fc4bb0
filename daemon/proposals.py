"""Proposes which channel is which: sources by the driver's own labels, probes and fans by what they are."""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field

from ..store.records import Channel, Missing
from ..store.units import MILLI, QUANTITY_INDEX
from .sensors.base import Reading
from .sensors.hwmon import MILLIVOLT_DRIVERS
from .shelves import Shelf

# Best first; a core's own value is only taken where nothing speaks for the package.
CPU_DRIVERS: Mapping[str, tuple[str, ...]] = {
    "coretemp": (r"Package id {package}", r"Physical id {package}", r"Core 0"),
    "k10temp": ("Tdie", "Tctl", "Tccd1", ""),
    "zenpower": ("Tdie", "Tctl", "Tccd1", ""),
    "k8temp": ("",),
    "via_cputemp": ("",),
    "cpu_thermal": ("",),
    "soc_thermal": ("",),
    "scpi_sensors": ("soc_temp", ""),
}
CPU_ZONES = ("x86_pkg_temp", "cpu-thermal", "cpu_thermal", "soc-thermal", "soc_thermal", "CPU-therm", "TCPU")
CPU_LABELS = frozenset({"CPU", "CPU Temperature", "CPU Package"})
VRM_LABEL = re.compile(r"\b(vrm|mos|vr)\b", re.IGNORECASE)
BOARD_LABEL = re.compile(
    r"system|systin|motherboard|\bboard\b|mainboard|chipset|pch|case|chassis", re.IGNORECASE
)
BOARD_DRIVERS = re.compile(r"nct\d+|it8\d+|f718\d+|w83\d+|asus.*|gigabyte_wmi|pch_.*|thinkpad|dell_smm")
DIMM_DRIVERS = frozenset({"jc42", "spd5118"})
MILLIVOLT_BELOW = 5 * MILLI  # a thermistor's millivolts, read as millidegrees, stay below 5 °C
MANY_FANS = 3  # a board's fan chip has more inputs than the case has fans


@dataclass(slots=True)
class Proposal:
    """Who is who: for each source its quantities, for each probe or fan its channels, by channel key."""

    sources: dict[str, dict[str, str]] = field(default_factory=dict)
    probes: dict[tuple[str, str], str] = field(default_factory=dict)  # (name, quantity)


def propose(
    shelves: Sequence[Shelf],
    packages: Sequence[int],
    readings: Mapping[str, Reading],
    read_disks: bool,
    ignored: frozenset[str] = frozenset(),
) -> Proposal:
    """Propose sources, probes and fans.

    Parameters
    ----------
    shelves
        What there is.
    packages
        Processor packages.
    readings
        First values by channel key, where they were had.
    read_disks
        Whether drives may be asked for their temperature.
    ignored
        Channel keys that the owner does not want read.
    """
    proposal = Proposal()
    chips = [(shelf, c) for shelf in shelves for c in shelf.channels if c.key not in ignored]
    _propose_graphics(proposal, shelves, ignored)
    for package in packages:
        _propose_processor(proposal, chips, package, is_only=len(packages) == 1)
    taken = {key for places in proposal.sources.values() for key in places.values()}
    alive = [(s, c) for s, c in chips if c.key not in taken and _is_alive(c, readings)]
    _propose_vrm(proposal, alive)
    _propose_probes(proposal, alive, read_disks)
    _propose_fans(proposal, chips, readings)
    return proposal


def _is_alive(channel: Channel, readings: Mapping[str, Reading]) -> bool:
    reading = readings.get(channel.key, Missing.NOT_READ)
    if channel.driver in MILLIVOLT_DRIVERS and channel.quantity == "temperature_c":
        return False
    if isinstance(reading, Missing):
        return reading is Missing.NOT_READ
    return channel.quantity != "temperature_c" or reading >= MILLIVOLT_BELOW


def _propose_graphics(proposal: Proposal, shelves: Sequence[Shelf], ignored: frozenset[str]) -> None:
    cards = [shelf for shelf in shelves if shelf.kind == "graphics" and shelf.channels]
    number = 0
    for shelf in sorted(cards, key=lambda shelf: shelf.channels[0].key):
        wanted = [c for c in shelf.channels if c.key not in ignored]
        places = {c.quantity: c.key for c in wanted if c.quantity in QUANTITY_INDEX}
        reasons = [c.key for c in wanted if c.quantity == "limit_reasons"]
        if "temperature_c" not in places:
            continue  # without a temperature there is no heat path
        if reasons:
            places["limit_reasons"] = reasons[0]
        name = f"gpu{number}"
        proposal.sources[name] = places
        intended = [c for c in wanted if c.quantity == "intended_speed_pct"]
        for index, channel in enumerate(intended):
            suffix = f"_fan{index + 1}" if len(intended) > 1 else "_fan"
            proposal.probes[name + suffix, channel.quantity] = channel.key
        number += 1


def _propose_processor(
    proposal: Proposal, chips: Sequence[tuple[Shelf, Channel]], package: int, is_only: bool
) -> None:
    places: dict[str, str] = {}
    for shelf, channel in chips:
        if shelf.kind == "cpu" and shelf.package in (package, None) and channel.quantity in QUANTITY_INDEX:
            places.setdefault(channel.quantity, channel.key)
    if "power_w" not in places and is_only:
        # Graphics inside the processor report the power of both: the next best.
        for shelf, channel in chips:
            if shelf.kind == "shared_graphics" and channel.quantity == "power_w":
                places.setdefault("power_w", channel.key)
    temperature = _processor_temperature([c for _, c in chips], package, is_only)
    if temperature:
        places["temperature_c"] = temperature
        proposal.sources[f"cpu{package}"] = places


def _processor_temperature(channels: Sequence[Channel], package: int, is_only: bool) -> str:
    warm = [c for c in channels if c.quantity == "temperature_c"]
    for driver, labels in CPU_DRIVERS.items():
        own = [c for c in warm if c.driver == driver]
        for label in labels:
            wanted = label.format(package=package)
            same = sorted(c.key for c in own if c.label == wanted)
            if same and (driver == "coretemp" or is_only):
                return same[0]
            if len(same) > package:
                return same[package]  # one chip for each package, in the order of their places
    if is_only:
        for kind in CPU_ZONES:
            for channel in warm:
                if channel.door == "thermal" and channel.label == kind:
                    return channel.key
        for channel in warm:
            if channel.door in ("hwmon", "psutil") and channel.label in CPU_LABELS:
                return channel.key
    return ""


def _propose_vrm(proposal: Proposal, alive: Iterable[tuple[Shelf, Channel]]) -> None:
    found = [
        c.key
        for shelf, c in alive
        if shelf.kind == "chip" and c.quantity == "temperature_c" and VRM_LABEL.search(c.label)
    ]
    for number, key in enumerate(sorted(found)):
        proposal.sources[f"vrm{number}"] = {"temperature_c": key}


def _propose_probes(proposal: Proposal, alive: Sequence[tuple[Shelf, Channel]], read_disks: bool) -> None:
    warm = [(shelf, c) for shelf, c in alive if c.quantity == "temperature_c"]
    taken = {key for places in proposal.sources.values() for key in places.values()}
    board = [
        (not BOARD_LABEL.search(c.label), c.key)
        for shelf, c in warm
        if shelf.kind == "chip"
        and c.key not in taken
        and BOARD_DRIVERS.fullmatch(c.driver)
        and c.label not in CPU_LABELS
        and (BOARD_LABEL.search(c.label) or c.driver.startswith("pch_"))
    ]
    if board:
        proposal.probes["board", "temperature_c"] = min(board)[1]
    _number(proposal, "dimm", [c for _, c in warm if c.driver in DIMM_DRIVERS])
    if read_disks:
        _number(proposal, "ssd", [c for _, c in warm if c.driver == "nvme" and c.label == "Composite"])
        _number(proposal, "disk", [c for _, c in warm if c.driver == "drivetemp"])
    batteries = sorted(c.key for shelf, c in warm if shelf.kind == "supply")
    for index, key in enumerate(batteries):
        proposal.probes["battery" if index == 0 else f"battery{index}", "temperature_c"] = key


def _number(proposal: Proposal, name: str, channels: Iterable[Channel]) -> None:
    for number, key in enumerate(sorted(channel.key for channel in channels)):
        proposal.probes[f"{name}{number}", "temperature_c"] = key


def _propose_fans(
    proposal: Proposal, chips: Sequence[tuple[Shelf, Channel]], readings: Mapping[str, Reading]
) -> None:
    """Number all tachometers by key, then leave out the empty sockets of a board with many."""
    drives = {c.key: c for shelf, c in chips if c.quantity == "intended_speed_pct" and c.door == "hwmon"}
    fans = sorted((c.key for _, c in chips if c.quantity == "speed_rpm"), key=_by_number)
    per_chip: dict[str, list[str]] = {}
    for key in fans:
        per_chip.setdefault(key.rpartition("/fan/")[0], []).append(key)
    for number, key in enumerate(fans, start=1):
        siblings = per_chip[key.rpartition("/fan/")[0]]
        turning = [k for k in siblings if _turns(readings.get(k))]
        if len(siblings) > MANY_FANS and turning and key not in turning:
            continue
        proposal.probes[f"fan{number}", "speed_rpm"] = key
        drive = key.replace("/fan/", "/pwm/")
        if drive in drives:
            proposal.probes[f"fan{number}", "intended_speed_pct"] = drive


def _by_number(key: str) -> list[tuple[int, str]]:
    """Order in which fan 2 comes before fan 10."""
    return [(int(part), "") if part.isdigit() else (-1, part) for part in re.split(r"(\d+)", key)]


def _turns(reading: Reading | None) -> bool:
    return isinstance(reading, int) and reading > 0
