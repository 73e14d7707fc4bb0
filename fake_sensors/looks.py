"""What the daemon would have read at one moment, without the files in between."""

from __future__ import annotations

from ..daemon.cadence import Look, SourceLook
from ..store.records import Missing, pack_missing
from ..store.units import SOURCE_QUANTITIES
from .machine import FakeMachine
from .stack import Stack

SENSOR_NOISE_K = 0.12
METER_NOISE = 0.002  # of the reading
TACH_NOISE = 0.004
AMBIENT_GRID_C = 0.0625  # of a common one-wire probe
AMBIENT_NOISE_K = 0.05
LEAST_SPEED_RPM = 60.0  # slower cannot be told from standing still
SECOND_FAN_SHARE = 0.94  # the second fan of a shared sink turns a little slower than the first
MEMORY_REST_SHARE = 0.3  # of the heat of busy memory, what idle memory makes
MILLI = 1000
N_GPU_FANS = 2
PROBE_PERIOD_S = 5.0  # air and fans change within tens of seconds: the daemon reads them no faster
DISK_PERIOD_S = 60.0  # a disk answers through its own command queue and is asked no more often


class SourceLooker:
    """Looks at one source."""

    def __init__(self, machine: FakeMachine, stack: Stack, index: int) -> None:
        self._machine, self._stack, self._index = machine, stack, index
        self._chip, self._meter = stack.chips[index], stack.meters[index]
        values = self.values = self._chip.values
        self._grid_milli_c = round(values.grid_c * MILLI)
        self._limit_milli_w = round(values.limit_w * MILLI)
        self._heat_limited_s = self._power_limited_s = 0.0
        is_gpu = self._chip.is_gpu
        shown = {
            "hotspot_temperature_c": values.hotspot_k_per_w is not None,
            "memory_temperature_c": values.memory_k_per_w is not None,
            "power_w": values.shows_power,
            "memory_clock_mhz": is_gpu,
            "memory_utilization_pct": is_gpu,
            "thermal_limited_pct": values.shows_throttle,
            "power_limited_pct": is_gpu and values.shows_throttle,
            "enforced_limit_w": is_gpu,
        }
        self.reasons = pack_missing(
            [
                None if shown.get(quantity.name, True) else Missing.NOT_EXPOSED
                for quantity in SOURCE_QUANTITIES
            ]
        )

    def trigger(self) -> int:
        """What a peek sees: power, or utilisation where there is no power [thousandths]."""
        if self.values.shows_power:
            return int(self._meter.mean_w * MILLI)
        return int(100.0 * self._chip.utilization_share) * MILLI

    def look(self, span_s: float) -> SourceLook:
        """Look once, ``span_s`` after the last time [s]."""
        chip, values, noise = self._chip, self.values, self._machine.sensor_normals
        temperatures_c, offset_k = self._stack.path.temperatures_c, self._stack.offsets_k[self._index]
        die_c, grid = temperatures_c[2 * self._index] + offset_k, self._grid_milli_c
        temperature = int((die_c + SENSOR_NOISE_K * next(noise)) * MILLI / grid + 0.5) * grid
        power: int | None = None
        if values.shows_power:
            power = int(self._meter.mean_w * (1.0 + METER_NOISE * next(noise)) * MILLI)
        hot = self._heat_limited_milli(span_s) if values.shows_throttle else None
        clock = int(chip.clock_mhz) * MILLI
        utilization = int(100.0 * chip.utilization_share + 0.5) * MILLI
        if not chip.is_gpu:
            seen = (temperature, None, None, power, clock, None, utilization, None, hot, None, None)
            return SourceLook(seen, None, self.reasons)
        hotspot = memory = None
        memory_level = self._machine.segment.memory_level
        if values.hotspot_k_per_w is not None:
            hotspot = int(die_c + values.hotspot_k_per_w * chip.die_w + 0.5) * MILLI
        if values.memory_k_per_w is not None:
            busy = MEMORY_REST_SHARE + (1.0 - MEMORY_REST_SHARE) * memory_level
            plate_c = temperatures_c[2 * self._index + 1]
            memory = int(plate_c + values.memory_k_per_w * chip.power_w * busy + 0.5) * MILLI
        readings = (
            temperature,
            hotspot,
            memory,
            power,
            clock,
            int(chip.memory_clock_mhz) * MILLI,
            utilization,
            int(100.0 * memory_level + 0.5) * MILLI,
            hot,
            self._power_limited_milli(span_s) if values.shows_throttle else None,
            self._limit_milli_w,
        )
        return SourceLook(readings, chip.limit_reasons if values.shows_throttle else None, self.reasons)

    def _heat_limited_milli(self, span_s: float) -> int:
        before_s, now_s = self._heat_limited_s, self._chip.heat_limited_s
        self._heat_limited_s = now_s
        return share_milli(now_s - before_s, span_s) if now_s != before_s else 0

    def _power_limited_milli(self, span_s: float) -> int:
        before_s, now_s = self._power_limited_s, self._stack.power_limited_s[self._index]
        self._power_limited_s = now_s
        return share_milli(now_s - before_s, span_s) if now_s != before_s else 0


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
        self._sources = [SourceLooker(machine, stack, index) for stack, index in machine.places]
        self.source_names = tuple(source.values.source for source in self._sources)
        self.source_kinds = tuple(source.values.kind for source in self._sources)
        self.probe_names = tuple(self._probes())
        self._last_at_s = machine.elapsed_s
        self._probes_at_s = self._disk_at_s = -DISK_PERIOD_S
        self._probe_reasons = (0,) * len(self.probe_names)
        self._reasons_without_disk = tuple(
            [Missing.NOT_READ.value * (name == "ssd0") for name, _ in self.probe_names]
        )

    def triggers(self) -> list[int | None]:
        """What a peek sees of each source [thousandths]."""
        return [source.trigger() for source in self._sources]

    def look(self) -> Look:
        """Look once at everything that is due."""
        machine = self._machine
        now_s = machine.elapsed_s
        span_s = max(now_s - self._last_at_s, 0.1)
        self._last_at_s = now_s
        sources = tuple([source.look(span_s) for source in self._sources])
        if now_s - self._probes_at_s < PROBE_PERIOD_S:
            return Look(machine.time_utc_ms, sources, None, None)
        self._probes_at_s = now_s
        is_disk_due = now_s - self._disk_at_s >= DISK_PERIOD_S
        if is_disk_due:
            self._disk_at_s = now_s
        reasons = self._probe_reasons if is_disk_due else self._reasons_without_disk
        return Look(machine.time_utc_ms, sources, self.probe_values(is_disk_due), reasons)

    def probe_values(self, is_disk_due: bool = True) -> tuple[int | None, ...]:
        """What the probes say [thousandths], in the order of `probe_names`; a disk only where it is due."""
        machine = self._machine
        noise, around = machine.sensor_normals, machine.values.surroundings
        values: list[int | None] = []
        for name, _ in self.probe_names:
            if name == "ambient":
                ambient_c = machine.room_c + (around.ambient_offset_k or 0.0) + AMBIENT_NOISE_K * next(noise)
                values.append(int(round(ambient_c / AMBIENT_GRID_C) * AMBIENT_GRID_C * MILLI))
            elif name == "board":
                board_c = machine.air_c + (around.board_offset_k or 0.0) + SENSOR_NOISE_K * next(noise)
                values.append(int(board_c + 0.5) * MILLI)
            elif name == "ssd0":
                disk_c = machine.ssd_c + SENSOR_NOISE_K * next(noise) if is_disk_due else None
                values.append(None if disk_c is None else int(disk_c + 0.5) * MILLI)
            elif name.startswith("gpu0"):
                values.append(round(100 * machine.stacks[-1].fan.asked_share) * MILLI)
            else:
                values.append(self._speed_rpm(name == "fan2") * MILLI)
        return tuple(values)

    def _speed_rpm(self, is_second: bool) -> int:
        stacks = self._machine.stacks
        speed_rpm = stacks[-1 if is_second else 0].fan.speed_rpm
        if is_second and len(stacks) == 1:
            speed_rpm *= SECOND_FAN_SHARE
        if speed_rpm < LEAST_SPEED_RPM:
            return 0
        return int(speed_rpm * (1.0 + TACH_NOISE * next(self._machine.sensor_normals)))

    def _probes(self) -> list[tuple[str, str]]:
        around = self._machine.values.surroundings
        offsets = (
            ("ambient", around.ambient_offset_k),
            ("board", around.board_offset_k),
            ("ssd0", around.ssd_offset_k),
        )
        found = [(name, "temperature_c") for name, offset in offsets if offset is not None]
        tachs = [(f"fan{number + 1}", "speed_rpm") for number in range(self._machine.values.n_fan_tachs)]
        if has_gpu_fans(self._machine):
            tachs += [(f"gpu0_fan{number + 1}", "intended_speed_pct") for number in range(N_GPU_FANS)]
        return found + tachs


def has_gpu_fans(machine: FakeMachine) -> bool:
    """Whether NVML says what it asks of the GPU's fans: not for laptops, whose fans are the board's."""
    gpu = machine.stacks[-1].chips[-1].values
    return machine.values.kind == "desktop" and gpu.shows_throttle


def share_milli(part_s: float, span_s: float) -> int:
    """A part of a span as thousandths of a per cent, never above 100 %."""
    return min(100 * MILLI, int(100 * MILLI * part_s / span_s + 0.5))
