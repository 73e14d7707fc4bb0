"""What the daemon would have read at one moment, without the files in between."""

from __future__ import annotations

from ..daemon.cadence import Look, SourceLook
from ..store.records import Missing, pack_missing
from ..store.units import SOURCE_QUANTITIES
from .machine import FakeMachine

SENSOR_NOISE_K = 0.12
METER_NOISE = 0.002  # of the reading
TACH_NOISE = 0.004
PROBE_GRID_C = 1.0
AMBIENT_GRID_C = 0.0625  # of a common one-wire probe
MILLI = 1000
DISK_PERIOD_S = 60.0  # a disk answers through its own command queue and is asked no more often


class Looker:
    """Looks at a fake machine as the daemon's groups do.

    Attributes
    ----------
    source_names, source_kinds
        Sources in layout order.
    probe_names
        Name and quantity of each probe, in layout order.
    """

    def __init__(self, machine: FakeMachine) -> None:
        self._machine = machine
        chips = [stack.chips[index] for stack, index in machine.places]
        self.source_names = tuple(chip.values.source for chip in chips)
        self.source_kinds = tuple(chip.values.kind for chip in chips)
        self.probe_names = tuple(self._probes())
        self._last_s = [(0.0, 0.0)] * len(chips)
        self._last_at_s = machine.elapsed_s
        self._reasons: dict[tuple[bool, ...], int] = {}
        self._disk_at_s = -DISK_PERIOD_S
        self._probe_reasons = (0,) * len(self.probe_names)
        self._reasons_without_disk = tuple(
            [Missing.NOT_READ.value * (name == "ssd0") for name, _ in self.probe_names]
        )

    def triggers(self) -> list[int | None]:
        """What a peek sees: power, or utilisation where there is no power [thousandths]."""
        seen: list[int | None] = []
        for stack, index in self._machine.places:
            chip = stack.chips[index]
            if chip.values.shows_power:
                seen.append(round(stack.meters[index].mean_w * MILLI))
            else:
                seen.append(round(100.0 * chip.utilization_share) * MILLI)
        return seen

    def look(self) -> Look:
        """Look once at everything that is due."""
        machine = self._machine
        now_s = machine.elapsed_s
        span_s = max(now_s - self._last_at_s, 0.1)
        self._last_at_s = now_s
        sources = tuple(self._source(number, span_s) for number in range(len(machine.places)))
        is_disk_due = now_s - self._disk_at_s >= DISK_PERIOD_S
        if is_disk_due:
            self._disk_at_s = now_s
        reasons = self._probe_reasons if is_disk_due else self._reasons_without_disk
        return Look(machine.time_utc_ms, sources, self.probe_values(is_disk_due), reasons)

    def probe_values(self, is_disk_due: bool = True) -> tuple[int | None, ...]:
        """What the probes say [thousandths], in the order of `probe_names`; a disk only where it is due."""
        machine = self._machine
        noise = machine.sensor_normals
        around = machine.values.surroundings
        values: list[int | None] = []
        for name, _ in self.probe_names:
            if name == "ambient":
                ambient_c = machine.room_c + (around.ambient_offset_k or 0.0) + 0.05 * next(noise)
                values.append(round(round(ambient_c / AMBIENT_GRID_C) * AMBIENT_GRID_C * MILLI))
            elif name == "board":
                board_c = machine.air_c + (around.board_offset_k or 0.0) + SENSOR_NOISE_K * next(noise)
                values.append(round(board_c / PROBE_GRID_C) * MILLI)
            elif name == "ssd0":
                disk_c = round(machine.ssd_c + SENSOR_NOISE_K * next(noise)) if is_disk_due else None
                values.append(None if disk_c is None else disk_c * MILLI)
            else:
                values.append(self._speed_rpm(int(name[3:]) - 1) * MILLI)
        return tuple(values)

    def _speed_rpm(self, number: int) -> int:
        """A tachometer; the second fan of a shared sink turns a little slower than the first."""
        stacks = self._machine.stacks
        is_shared = len(stacks) == 1
        speed_rpm = stacks[0 if is_shared else min(number, len(stacks) - 1)].fan.speed_rpm
        if is_shared and number:
            speed_rpm *= 0.94
        if speed_rpm < 60.0:  # too slow to be told from standing still
            return 0
        return round(speed_rpm * (1.0 + TACH_NOISE * next(self._machine.sensor_normals)))

    def _source(self, number: int, span_s: float) -> SourceLook:
        machine = self._machine
        stack, index = machine.places[number]
        chip, values = stack.chips[index], stack.chips[index].values
        noise, segment = machine.sensor_normals, machine.segment
        die_c = stack.path.temperatures_c[2 * index] + stack.offsets_k[index]
        grid_c = values.grid_c
        temperature = round(round((die_c + SENSOR_NOISE_K * next(noise)) / grid_c) * grid_c * MILLI)
        power: int | None = None
        if values.shows_power:
            power = round(stack.meters[index].mean_w * (1.0 + METER_NOISE * next(noise)) * MILLI)
        hotspot = memory = None
        if values.hotspot_k_per_w is not None:
            hotspot = round(die_c + values.hotspot_k_per_w * chip.die_w) * MILLI
        if values.memory_k_per_w is not None:
            plate_c = stack.path.temperatures_c[2 * index + 1]
            memory_c = plate_c + values.memory_k_per_w * chip.power_w * (0.3 + 0.7 * segment.memory_level)
            memory = round(memory_c) * MILLI
        is_gpu = chip.is_gpu
        heat_s, limit_s = self._last_s[number]
        self._last_s[number] = chip.heat_limited_s, stack.power_limited_s[index]
        readings: tuple[int | None, ...] = (
            temperature,
            hotspot,
            memory,
            power,
            round(chip.clock_mhz) * MILLI,
            round(chip.memory_clock_mhz) * MILLI if is_gpu else None,
            round(100.0 * chip.utilization_share) * MILLI,
            round(segment.memory_level * 100) * MILLI if is_gpu else None,
            share_milli(chip.heat_limited_s - heat_s, span_s) if values.shows_throttle else None,
            share_milli(stack.power_limited_s[index] - limit_s, span_s) if is_gpu else None,
            round(values.limit_w * MILLI) if is_gpu else None,
        )
        had = tuple([reading is not None for reading in readings])
        reasons = self._reasons.get(had)
        if reasons is None:
            reasons = self._reasons[had] = pack_missing([None if one else Missing.NOT_EXPOSED for one in had])
        return SourceLook(readings, chip.limit_reasons if is_gpu else None, reasons)

    def _probes(self) -> list[tuple[str, str]]:
        around = self._machine.values.surroundings
        offsets = (
            ("ambient", around.ambient_offset_k),
            ("board", around.board_offset_k),
            ("ssd0", around.ssd_offset_k),
        )
        found = [(name, "temperature_c") for name, offset in offsets if offset is not None]
        tachs = [(f"fan{number + 1}", "speed_rpm") for number in range(self._machine.values.n_fan_tachs)]
        return found + tachs


def share_milli(part_s: float, span_s: float) -> int:
    """A part of a span as thousandths of a per cent, never above 100 %."""
    return min(100 * MILLI, round(100 * MILLI * part_s / span_s))


assert len(SOURCE_QUANTITIES) == 11, "a new quantity needs its place in Looker._source"
