"""Hard limits: what must call its owner, and everything that only looks like it."""

from __future__ import annotations

import gc
import threading
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

import pytest

from heatdrift.cli.outbox_door import OutboxDoor
from heatdrift.daemon.clock import TurnableClock
from heatdrift.daemon.guard import Guard, Past
from heatdrift.daemon.guard_settings import GuardSettings
from heatdrift.daemon.layout import Layout, Place, ProbeLayout, SourceLayout
from heatdrift.daemon.looks import Look, SourceLook
from heatdrift.daemon.messages import MessageDesk
from heatdrift.daemon.metal_watch import MetalWatch
from heatdrift.daemon.sensors.base import Reading
from heatdrift.daemon.service import Service, ServiceSettings
from heatdrift.daemon.watch import Watch
from heatdrift.store.database import Database, open_writer
from heatdrift.store.journal import Journal
from heatdrift.store.journal_entry import EntryKind, JournalEntry
from heatdrift.store.message import Message, Severity
from heatdrift.store.outbox import Outbox
from heatdrift.store.past_heat import FanPast, HeatRow, fans_at_heat, heat_rows, liquid_metal_paths
from heatdrift.store.records import (
    REASON_BITS,
    Batch,
    Cadence,
    Channel,
    Missing,
    ProbeSample,
    SourceSample,
    pack_missing,
)
from heatdrift.store.units import POWER, QUANTITY_INDEX, SOURCE_QUANTITIES, TEMPERATURE
from heatdrift.store.writer import Writer

from .conftest import HandMadeComputer, ListPen

HOTSPOT = QUANTITY_INDEX["hotspot_temperature_c"]
GROUPS = ("cpu", "card", "board")


class Facts:
    """A group that only tells facts."""

    def __init__(self, name: str) -> None:
        self.name = name
        self.channels = tuple(Channel(f"{name}:{n}", "temperature_c", "hwmon") for n in range(3))
        self.min_period_s = 0.0
        self.known: dict[str, str] = {}

    def read(self, at_boot_s: float) -> Sequence[Reading]:
        return (Missing.NOT_READ,) * 3

    def peek(self, at_boot_s: float) -> Sequence[Reading]:
        return (Missing.NOT_READ,) * 3

    def facts(self) -> Mapping[str, str]:
        return self.known

    def close(self) -> None:
        pass


class Stand:
    """A laptop under a guard: cpu0, gpu0, a fan of the board and one of the card."""

    def __init__(self, settings: GuardSettings | None = None, past: Past | None = None) -> None:
        self.clock = TurnableClock()
        self.alarms: list[Message] = []
        self.groups = tuple(Facts(name) for name in GROUPS)
        self.guard = Guard(settings or GuardSettings(), self.clock, self.alarms.append, 7.0)
        self.guard.follow(self.layout(), past or Past())

    def layout(self) -> Layout:
        def places(group: int) -> tuple[Place | None, ...]:
            found: list[Place | None] = [None] * len(SOURCE_QUANTITIES)
            for index, quantity in enumerate((TEMPERATURE, POWER, HOTSPOT)):
                found[quantity] = Place(group, index)
            return tuple(found)

        sources = (SourceLayout("cpu0", "cpu", places(0)), SourceLayout("gpu0", "gpu", places(1)))
        fans = (ProbeLayout("fan1", "speed_rpm", Place(2, 0)), ProbeLayout("fan2", "speed_rpm", Place(1, 2)))
        return Layout(self.groups, sources, fans)

    def look(
        self,
        *,
        cpu: tuple[float | None, float | None] = (50, 10),
        gpu: tuple[float | None, float | None] = (50, 10),
        hotspot: float | None = None,
        fans: tuple[float | None, float | None] | None = (2000, 2000),
        missing: Missing = Missing.READ_ERROR,
    ) -> Look:
        def source(temperature: float | None, power: float | None) -> SourceLook:
            values: list[int | None] = [None] * len(SOURCE_QUANTITIES)
            values[TEMPERATURE] = milli(temperature)
            values[POWER] = milli(power)
            values[HOTSPOT] = milli(hotspot)
            return SourceLook(tuple(values), None, missing.value << (REASON_BITS * POWER))

        probes = None if fans is None else tuple(milli(speed) for speed in fans)
        return Look(
            self.clock.wall_utc_ms(), (source(*cpu), source(*gpu)), probes, None if probes is None else (0, 0)
        )

    def sees(self, seconds: float, step_s: float = 1.0, **look: Any) -> list[Message]:
        """Let it look for so long; returns the alarms of it."""
        before = len(self.alarms)
        for _ in range(round(seconds / step_s)):
            self.clock.turn(step_s)
            self.guard.note(self.look(**look))
        return self.alarms[before:]


def milli(value: float | None) -> int | None:
    return None if value is None else round(value * 1000)


@pytest.fixture
def stand() -> Stand:
    return Stand()


def test_heat_that_lasts_is_told_with_what_to_do(stand: Stand) -> None:
    assert stand.sees(60, gpu=(87, 100)) == []
    (alarm,) = stand.sees(2, gpu=(88, 100))
    assert alarm.severity is Severity.URGENT
    assert (alarm.source, alarm.key, alarm.repeat_after_days) == ("gpu0", "over-temperature gpu0", 7.0)
    assert alarm.subject == "gpu0: 88 °C, at its limit of 87 °C"
    for words in ("since 20", "end the load", "unplug", "battery", "technician", "only reads", "fire"):
        assert words in alarm.body
    assert stand.sees(600, gpu=(90, 100)) == []


@pytest.mark.parametrize("period_s", [1, 10])
def test_heat_below_the_limit_or_with_a_dip_is_none(stand: Stand, period_s: float) -> None:
    stand.sees(600, period_s, cpu=(99.9, 40), gpu=(86.9, 100))
    for _ in range(5):
        stand.sees(50, period_s, gpu=(95, 100))
        stand.sees(period_s, period_s, gpu=(86, 100))
    assert stand.alarms == []


def test_missing_readings_raise_nothing_and_hide_nothing(stand: Stand) -> None:
    assert stand.sees(600, gpu=(None, None), cpu=(None, None), fans=None) == []
    for _ in range(16):
        stand.sees(2, gpu=(90, 100))
        stand.sees(2, gpu=(None, None))
    assert len(stand.alarms) == 1


def test_a_silence_is_not_heat_that_lasted(stand: Stand) -> None:
    for _ in range(5):
        stand.sees(30, gpu=(95, 100))
        stand.clock.suspend(3600)
    assert stand.alarms == []


def test_step_of_the_wall_clock_is_not_time_that_passed(stand: Stand) -> None:
    for _ in range(5):
        stand.sees(10, gpu=(95, 100))
        stand.clock.step_wall(3600)
    assert stand.alarms == []


def test_own_throttle_point_comes_before_the_default_and_the_owner_before_both(stand: Stand) -> None:
    stand.groups[1].known = {"GPU-1.slowdown_c": "101", "GPU-1.slowdown_margin_k": "3"}
    stand.guard.follow(stand.layout(), Past())
    assert stand.sees(120, gpu=(100, 100)) == []
    assert len(stand.sees(120, gpu=(101, 100))) == 1
    chosen = Stand(GuardSettings(gpu_limit_c=70))
    assert len(chosen.sees(120, gpu=(70, 100))) == 1


def test_placeholder_is_no_throttle_point(stand: Stand) -> None:
    stand.groups[1].known = {"GPU-1.slowdown_c": "20"}
    stand.guard.follow(stand.layout(), Past())
    assert stand.sees(120, gpu=(60, 100)) == []


def test_hotspot_has_a_limit_of_its_own(stand: Stand) -> None:
    assert stand.sees(120, hotspot=109) == []
    alarms = stand.sees(120, hotspot=111)
    assert {alarm.key for alarm in alarms} == {
        "over-temperature cpu0 hotspot",
        "over-temperature gpu0 hotspot",
    }


def test_fan_that_used_to_turn_at_such_heat_and_stands(stand: Stand) -> None:
    assert stand.sees(120, cpu=(85, 45)) == []
    assert stand.sees(30, cpu=(85, 45), fans=(0, 2000)) == []
    (alarm,) = stand.sees(2, cpu=(85, 45), fans=(0, 2000))
    assert alarm.key == "fan-stopped fan1"
    assert alarm.subject == "fan1 stands still while cpu0 is at 85 °C"
    assert "0 rpm since" in alarm.body


@pytest.mark.parametrize(
    ("before", "then"),
    [
        ({"cpu": (60, 20)}, {"cpu": (85, 45), "fans": (0, 0)}),  # never seen turning at heat
        ({"cpu": (85, 45)}, {"cpu": (79, 20), "fans": (0, 0)}),  # cool: a laptop's fan may rest
        ({"cpu": (85, 45)}, {"cpu": (85, 45), "fans": (None, None)}),  # no reading
        ({"cpu": (85, 45)}, {"cpu": (85, 45), "fans": None}),  # not read at all
        ({"cpu": (85, 45)}, {"cpu": (85, 45), "fans": (2000, 0)}),  # the card's own fan, and the card is cool
        ({"cpu": (85, 45)}, {"cpu": (None, None), "gpu": (None, None), "fans": (0, 0)}),
    ],
)
def test_fans_that_may_stand(stand: Stand, before: dict[str, Any], then: dict[str, Any]) -> None:
    stand.sees(200, **before)
    assert stand.sees(300, **then) == []


def test_fans_short_rests_teach_that_it_rests_by_design(stand: Stand) -> None:
    stand.sees(100, cpu=(85, 45))
    for _ in range(10):
        stand.sees(25, cpu=(85, 45), fans=(0, 2000))
        stand.sees(25, cpu=(85, 45))
    assert stand.sees(300, cpu=(85, 45), fans=(0, 2000)) == []


def test_fan_that_is_asked_once_a_minute(stand: Stand) -> None:
    stand.sees(600, 60, cpu=(85, 45))
    assert len(stand.sees(240, 60, cpu=(85, 45), fans=(0, 2000))) == 1


def test_record_teaches_what_a_fan_does_before_the_first_look() -> None:
    dead = Stand(past=Past({"fan1": FanPast(500, 3)}))
    assert len(dead.sees(60, cpu=(85, 45), fans=(0, 2000))) == 1
    resting = Stand(past=Past({"fan1": FanPast(500, 300)}))
    assert resting.sees(60, cpu=(85, 45), fans=(0, 2000)) == []


def watch(rows: Sequence[HeatRow] = ()) -> MetalWatch:
    return MetalWatch(12_000, 30.0, rows)


DAYS = [HeatRow(power * 1000, 0, 45_000 + 400 * power, 5.0) for power in range(10, 80) for _ in range(200)]


def metal_stand(rows: Sequence[HeatRow] = DAYS) -> Stand:
    return Stand(past=Past(metal={"cpu0": watch(rows)}))


def test_sudden_step_with_liquid_metal(stand: Stand) -> None:
    stand = metal_stand()
    assert stand.sees(600, cpu=(69, 60), gpu=(50, 0)) == []
    assert stand.sees(30, cpu=(84, 60), gpu=(50, 0)) == []
    (alarm,) = stand.sees(2, cpu=(84, 60), gpu=(50, 0))
    assert "shut down, unplug, inspect" in alarm.subject
    assert "conducts" in alarm.body
    assert "aluminium" in alarm.body
    assert stand.sees(600, cpu=(84, 60), gpu=(50, 0)) == []


@pytest.mark.parametrize(
    ("cpu", "gpu", "why"),
    [
        ((80, 60), (50, 0), "eleven kelvin are not twelve"),
        ((84, 60), (75, 80), "the other source warms the same heatsink as never before"),
        ((84, 78), (50, 0), "so much power was never seen"),
        ((84, 5), (50, 0), "too little power to be compared"),
        ((None, 60), (50, 0), "no temperature"),
        ((84, None), (50, 0), "no power"),
        ((84, 60), (50, None), "nobody knows what the other draws"),
    ],
)
def test_what_only_looks_like_a_step(
    cpu: tuple[float | None, float | None], gpu: tuple[float | None, float | None], why: str
) -> None:
    stand = metal_stand([row for row in DAYS if row.power_milli_w < 70_000])
    stand.sees(60, cpu=(69, 60), gpu=(50, 0))
    assert stand.sees(300, cpu=cpu, gpu=gpu) == [], why


def test_heatsink_that_cools_down_is_no_step() -> None:
    stand = metal_stand()
    stand.sees(1200, cpu=(73, 70), gpu=(50, 0))
    assert stand.sees(400, cpu=(69, 15), gpu=(50, 0)) == []  # 18 K above what 15 W make in the long run
    other = metal_stand()
    assert other.sees(1200, cpu=(88, 60), gpu=(85, 100)) == []  # what two make together was never seen
    assert other.sees(300, cpu=(88, 60), gpu=(60, 0)) == []


def test_sleeping_card_draws_nothing() -> None:
    stand = metal_stand()
    asleep: dict[str, Any] = {"gpu": (None, None), "missing": Missing.ASLEEP}
    stand.sees(600, cpu=(69, 60), **asleep)
    assert len(stand.sees(60, cpu=(84, 60), **asleep)) == 1


def test_spike_of_some_seconds_is_no_step() -> None:
    stand = metal_stand()
    for _ in range(20):
        stand.sees(20, cpu=(90, 60), gpu=(50, 0))
        stand.sees(2, cpu=(69, 60), gpu=(50, 0))
    assert stand.alarms == []


def test_without_liquid_metal_there_is_no_such_alarm(stand: Stand) -> None:
    stand.sees(1200, cpu=(60, 60))
    assert stand.sees(600, cpu=(84, 60)) == []


def test_a_year_of_looks_keeps_no_memory(stand: Stand) -> None:
    stand = metal_stand()
    look = stand.look(cpu=(69, 60))
    for _ in range(1000):
        stand.guard.note(look)
    gc.collect()
    before = len(gc.get_objects())
    for _ in range(20_000):
        stand.clock.turn(1)
        stand.guard.note(look)
    gc.collect()
    assert len(gc.get_objects()) - before < 50


def recorded(database: Database) -> Writer:
    writer = Writer(database, "uuid-a", "dove")
    for name in ("cpu0", "gpu0"):
        writer.register_source(name, name[:3], 0)
    for name in ("fan1", "fan2"):
        writer.register_channel(Channel(name, "speed_rpm", "hwmon"), name, 0)
    sources, probes = [], []
    for number in range(200):
        at_ms = 1_000_000 + number * 5000
        is_hot = number >= 100
        for name, temperature, power in (("cpu0", 85 if is_hot else 60, 40), ("gpu0", 50, 12)):
            values: list[int | None] = [None] * len(SOURCE_QUANTITIES)
            values[TEMPERATURE], values[POWER] = temperature * 1000, power * 1000
            missing = pack_missing([None if v is not None else Missing.NOT_EXPOSED for v in values])
            sources.append(SourceSample(at_ms, name, tuple(values), None, Cadence.LOAD, 5, missing))
        probes.append(ProbeSample(at_ms, "fan1", "speed_rpm", 2_000_000 if is_hot else 0, 0))
        probes.append(ProbeSample(at_ms, "fan2", "speed_rpm", 0 if number % 2 else 900_000, 0))
    writer.write(Batch(tuple(sources), tuple(probes)))
    return writer


def test_record_tells_how_fans_behave_at_heat(database: Database) -> None:
    number = recorded(database).machine_id
    found = fans_at_heat(database, number, 0, 80_000)
    assert found == {"fan1": FanPast(100, 0), "fan2": FanPast(50, 50)}
    assert fans_at_heat(database, number, 10**12, 80_000) == {}


def test_record_tells_heat_by_own_power_and_that_of_others(database: Database) -> None:
    number = recorded(database).machine_id
    rows = list(heat_rows(database, number, "cpu0", 0))
    assert len(rows) == 200
    assert rows[0] == HeatRow(40_000, 12_000, 60_000, 5.0)
    assert len(list(heat_rows(database, number, "cpu0", rows_from(150)))) == 50


def rows_from(number: int) -> int:
    return 1_000_000 + number * 5000


def test_journal_tells_where_liquid_metal_is(database: Database) -> None:
    number = recorded(database).machine_id
    start_ms, day_ms = 1_772_323_200_000, 86_400_000

    def entry(day: int, kind: EntryKind, source: str) -> JournalEntry:
        return JournalEntry(start_ms + day * day_ms, kind, source=source)

    journal = Journal(database, number)
    journal.add([entry(0, EntryKind.LIQUID_METAL, "")], start_ms + 100 * day_ms)
    journal.add([entry(3, EntryKind.CLEANING, "cpu0")], start_ms + 100 * day_ms)
    journal.add([entry(4, EntryKind.COMPOUND, "gpu0")], start_ms + 100 * day_ms)
    found = liquid_metal_paths(database, number, ["cpu0", "gpu0"])
    assert found == {"cpu0": start_ms + 3 * day_ms}


def test_door_stores_an_alarm_while_another_process_has_the_pen(database_url: str) -> None:
    database = open_writer(database_url)
    writer = recorded(database)
    door = OutboxDoor(database_url, "uuid-a", 500, 256)
    stand = Stand()
    stand.sees(120, gpu=(95, 100))
    alarms = stand.alarms
    writer.release()
    child = open_writer(database_url)  # the nightly child, between two of its transactions
    assert door.queue(alarms[0])
    assert not door.queue(alarms[0])
    assert door.next_due_utc_ms(alarms[0].made_utc_ms) is not None
    assert set(door.past(stand.layout(), GuardSettings(), 2_000_000, with_fans=True).fans) == {"fan1", "fan2"}
    child.close()
    writer.take()
    assert len(Outbox(database, writer.machine_id).messages()) == 1
    database.close()


def test_service_guards_what_it_records(
    clock: TurnableClock, computer: HandMadeComputer, pen: ListPen, tmp_path: Path
) -> None:
    """From the sensor to the outbox, with a sender that is asked for once."""
    started: list[tuple[str, ...]] = []
    computer.card.power_w = lambda _boot_s: 150.0  # 90 °C
    stored: list[Message] = []

    class Door:
        def queue(self, wanted: Message) -> bool:
            stored.append(wanted)
            return True

        def next_due_utc_ms(self, now_utc_ms: int) -> int | None:
            return now_utc_ms if stored and not started else None

    class Work:
        def poll(self, now_s: float) -> int | None:
            return 0

        def stop(self) -> int:
            return 0

    def start(command: Sequence[str], environment: Mapping[str, str], _s: float, _now_s: float) -> Work:
        started.append(tuple(command[3:]))
        return Work()

    desk = MessageDesk(Door(), clock, has_channels=True, environment={}, start=start)
    guard = Guard(GuardSettings(), clock, desk.post, 7.0)
    stop = threading.Event()

    def over(boot_s: float) -> None:
        if boot_s > 1300:
            stop.set()

    clock.on_turn.append(over)
    service = Service(
        computer.layout,
        lambda: pen,
        clock,
        ServiceSettings("x", tasks=()),
        watch=Watch(guard, desk, lambda _layout, _with_fans: Past(), clock),
    )
    assert service.run(stop) == 0
    assert [message.key for message in stored] == ["over-temperature gpu0"]
    assert started == [("messages", "send")]
