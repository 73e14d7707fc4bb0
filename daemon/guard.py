"""Hard limits, held against every look: heat that lasts, a fan that stands, a step on a path of liquid metal.

It calls its owner and does nothing else. A reading that is missing raises no alarm; one look never does.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field, replace

from ..store.message import Message
from ..store.past_heat import FanPast
from ..store.records import REASON_BITS, SLOWDOWN_FACT, SLOWDOWN_POINTS_C, Missing
from ..store.units import POWER, QUANTITY_INDEX, TEMPERATURE
from .clock import Clock
from .guard_settings import GuardSettings
from .guard_texts import fan_stopped, metal_step, over_temperature
from .layout import Layout, ProbeLayout, SourceLayout
from .looks import REASON_MASK, Look
from .metal_watch import MetalWatch

# Where no sensor tells a limit of its own. GPU: 87 °C, common practice, no source. CPU: 100 °C, above what
# processors hold by themselves under load. Hotspot: 110 °C, where cards that show one throttle (from memory).
DEFAULT_LIMITS_C = {"gpu": 87.0, "cpu": 100.0}
OTHER_LIMIT_C = 105.0
HOTSPOT_LIMIT_C = 110.0
HOTSPOT = QUANTITY_INDEX["hotspot_temperature_c"]
LONGEST_STEP_S = 30.0  # nothing is known of a longer silence, so nothing has lasted through it
LONGEST_FAN_STEP_S = 150.0  # slow controllers are asked once a minute
LEAST_LOOKS = 3
TURNED_S = 60.0  # so long a fan must have been seen turning at heat
MOST_STANDING_SHARE = 0.1  # a fan that often stands at heat does so by design
ROW_S = 5.0  # a row of the record at such heat is a mean under load
AGAIN_S = 6 * 3600.0  # what goes on is found anew; the repeat lock decides whether it is told
NOTHING_FLOWS = (Missing.ASLEEP.value, Missing.NOT_EXPOSED.value)


@dataclass(slots=True)
class _Hot:
    """One temperature of one source."""

    place: int
    name: str
    quantity: int
    limit: int
    last_s: float = 0.0
    lasts_s: float = 0.0
    n_looks: int = 0
    peak: int = 0
    since_utc_ms: int = 0
    told_at_s: float | None = None


@dataclass(slots=True)
class _Fan:
    """One tachometer, and the sources it may have to cool (places in the look)."""

    place: int
    name: str
    places: tuple[int, ...]
    turned_s: float = 0.0
    stood_s: float = 0.0
    has_past: bool = False
    last_s: float = 0.0
    lasts_s: float = 0.0
    n_looks: int = 0
    since_utc_ms: int = 0
    told_at_s: float | None = None


@dataclass(frozen=True, slots=True)
class Past:
    """What is known from before the start: fans at heat, and a watch for each path with liquid metal."""

    fans: Mapping[str, FanPast] = field(default_factory=dict)
    metal: Mapping[str, MetalWatch] = field(default_factory=dict)


class Guard:
    """Holds every look against the limits.

    Parameters
    ----------
    settings
        The limits.
    clock
        Time.
    post
        Takes an alarm.
    repeat_days
        The same alarm again after so long [days].
    """

    def __init__(
        self,
        settings: GuardSettings,
        clock: Clock,
        post: Callable[[Message], None],
        repeat_days: float,
    ) -> None:
        self._settings = settings
        self._clock = clock
        self._post = post
        self._repeat_days = repeat_days
        self._fan_heat = round(settings.fan_heat_c * 1000)
        self._sources: tuple[str, ...] = ()
        self._hot: list[_Hot] = []
        self._fans: list[_Fan] = []
        self._metal: list[tuple[int, MetalWatch]] = []
        self._metal_last_s = 0.0

    def follow(self, layout: Layout, past: Past) -> None:
        """Watch the sources and fans of a layout from now on; what was learned of them stays.

        Parameters
        ----------
        layout
            What the looks hold.
        past
            From the record.
        """
        self._sources = tuple(source.name for source in layout.sources)
        known = {(hot.name, hot.quantity): hot for hot in self._hot}
        self._hot = []
        for place, source in enumerate(layout.sources):
            for quantity, limit_c in (
                (TEMPERATURE, self._limit_c(source, layout)),
                (HOTSPOT, HOTSPOT_LIMIT_C),
            ):
                if source.places[quantity] is not None:
                    hot = known.get((source.name, quantity)) or _Hot(place, source.name, quantity, 0)
                    hot.place, hot.limit = place, round(limit_c * 1000)
                    self._hot.append(hot)
        fans = {fan.name: fan for fan in self._fans}
        self._fans = []
        for place, probe in enumerate(layout.probes):
            if probe.quantity == "speed_rpm":
                fan = fans.get(probe.name) or self._new_fan(probe.name, past)
                fan.place, fan.places = place, _cooled(probe, layout)
                self._fans.append(fan)
        self.watch_metal(past.metal)

    def recall(self, past: Past) -> None:
        """Take what became known of the fans after they were first watched."""
        for fan in self._fans:
            before = past.fans.get(fan.name)
            if before is not None and not fan.has_past:
                fan.turned_s += before.n_turning * ROW_S
                fan.stood_s += before.n_standing * ROW_S
                fan.has_past = True

    def watch_metal(self, metal: Mapping[str, MetalWatch]) -> None:
        """Watch these paths, and no others, for a step."""
        self._metal = [(self._sources.index(name), w) for name, w in metal.items() if name in self._sources]

    def note(self, look: Look) -> None:
        """Take one look."""
        now_s = self._clock.boot_s()
        for hot in self._hot:
            value = look.sources[hot.place].values[hot.quantity]
            if value is not None:
                self._note_heat(hot, value, look.time_utc_ms, now_s)
        if look.probes is not None:
            for fan in self._fans:
                speed = look.probes[fan.place]
                if speed is not None:
                    self._note_fan(fan, speed, look, now_s)
        if self._metal:
            self._note_metal(look, now_s)

    def _note_heat(self, hot: _Hot, value: int, now_ms: int, now_s: float) -> None:
        step_s, hot.last_s = now_s - hot.last_s, now_s
        if value < hot.limit:
            hot.n_looks = 0
            return
        if hot.n_looks == 0 or step_s > LONGEST_STEP_S:
            hot.n_looks, hot.lasts_s, hot.peak, hot.since_utc_ms = 0, 0.0, 0, now_ms
        else:
            hot.lasts_s += step_s
        hot.n_looks += 1
        hot.peak = max(hot.peak, value)
        if hot.lasts_s >= self._settings.hot_s and hot.n_looks >= LEAST_LOOKS and _is_new(hot, now_s):
            name = f"{hot.name} hotspot" if hot.quantity == HOTSPOT else hot.name
            self._tell(over_temperature(name, hot.limit / 1000, hot.peak / 1000, hot.since_utc_ms, now_ms))

    def _note_fan(self, fan: _Fan, speed: int, look: Look, now_s: float) -> None:
        step_s, fan.last_s = now_s - fan.last_s, now_s
        hottest, value = -1, self._fan_heat - 1
        for place in fan.places:
            temperature = look.sources[place].values[TEMPERATURE]
            if temperature is not None and temperature > value:
                hottest, value = place, temperature
        is_apart = step_s > LONGEST_FAN_STEP_S
        if hottest < 0 or speed > 0:
            if hottest >= 0 and not is_apart:
                fan.turned_s += step_s
                fan.stood_s += min(fan.lasts_s, 600.0)  # it stood, and turns again by itself
            fan.n_looks, fan.lasts_s = 0, 0.0
            return
        if fan.n_looks == 0 or is_apart:
            fan.n_looks, fan.lasts_s, fan.since_utc_ms = 0, 0.0, look.time_utc_ms
        else:
            fan.lasts_s += step_s
        fan.n_looks += 1
        is_used_to_turn = fan.turned_s >= TURNED_S and fan.stood_s <= MOST_STANDING_SHARE * fan.turned_s
        has_lasted = fan.lasts_s >= self._settings.fan_stopped_s and fan.n_looks >= LEAST_LOOKS
        if is_used_to_turn and has_lasted and _is_new(fan, now_s):
            source = self._sources[hottest]
            self._tell(fan_stopped(fan.name, source, value / 1000, fan.since_utc_ms, look.time_utc_ms))

    def _note_metal(self, look: Look, now_s: float) -> None:
        step_s, self._metal_last_s = now_s - self._metal_last_s, now_s
        if not 0 < step_s <= LONGEST_STEP_S:
            step_s = 0.0
        for place, watch in self._metal:
            values = look.sources[place].values
            power, temperature = values[POWER], values[TEMPERATURE]
            others = _others_milli_w(look, place)
            if power is None or temperature is None or others is None:
                continue
            if watch.note(look.time_utc_ms, step_s, power, others, temperature):
                self._tell(
                    metal_step(
                        source=self._sources[place],
                        temperature_c=temperature / 1000,
                        rise_k=watch.rise_milli_k / 1000,
                        power_w=power / 1000,
                        since_utc_ms=watch.since_utc_ms,
                        now_utc_ms=look.time_utc_ms,
                    )
                )

    def _tell(self, alarm: Message) -> None:
        self._post(replace(alarm, repeat_after_days=self._repeat_days))

    def _limit_c(self, source: SourceLayout, layout: Layout) -> float:
        chosen_c = {"gpu": self._settings.gpu_limit_c, "cpu": self._settings.cpu_limit_c}.get(source.kind, 0)
        return chosen_c or _own_limit_c(source, layout) or DEFAULT_LIMITS_C.get(source.kind, OTHER_LIMIT_C)

    def _new_fan(self, name: str, past: Past) -> _Fan:
        before = past.fans.get(name, FanPast(0, 0))
        has_past = name in past.fans
        return _Fan(0, name, (), before.n_turning * ROW_S, before.n_standing * ROW_S, has_past=has_past)


def _own_limit_c(source: SourceLayout, layout: Layout) -> float:
    """The throttle point that the device itself tells, 0 where it tells none."""
    place = source.places[TEMPERATURE]
    if place is None:
        return 0.0
    try:
        facts = layout.groups[place.group].facts()
    except Exception:  # a group that fails has no facts; its readings tell so themselves
        return 0.0
    told = [float(v) for k, v in facts.items() if k.endswith(SLOWDOWN_FACT) and v.isdecimal()]
    return min((c for c in told if SLOWDOWN_POINTS_C[0] <= c <= SLOWDOWN_POINTS_C[1]), default=0.0)


def _is_new(watched: _Hot | _Fan, now_s: float) -> bool:
    """Whether to tell, and note that it was."""
    if watched.told_at_s is not None and now_s - watched.told_at_s < AGAIN_S:
        return False
    watched.told_at_s = now_s
    return True


def _cooled(probe: ProbeLayout, layout: Layout) -> tuple[int, ...]:
    """Sources that a fan may have to cool: a graphics card's own fan only the card."""
    for place, source in enumerate(layout.sources):
        own = source.places[TEMPERATURE]
        if source.kind == "gpu" and own is not None and own.group == probe.place.group:
            return (place,)
    return tuple(range(len(layout.sources)))


def _others_milli_w(look: Look, own: int) -> int | None:
    """What all other sources draw; None where one of them cannot tell."""
    total = 0
    for place, source in enumerate(look.sources):
        power = source.values[POWER]
        if place == own:
            continue
        if power is not None:
            total += power
        elif (source.missing_reasons >> (REASON_BITS * POWER)) & REASON_MASK not in NOTHING_FLOWS:
            return None
    return total
