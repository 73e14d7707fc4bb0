"""At idle the service leaves the peeks to its child, and loses nothing by it."""

from __future__ import annotations

import os
import threading
from collections.abc import Iterator
from typing import Any

import pytest

from heatdrift.daemon.cadence import CadenceSettings
from heatdrift.daemon.clock import TurnableClock
from heatdrift.daemon.identity import IdentityWatch
from heatdrift.daemon.poller import Poller
from heatdrift.daemon.sensors.nvml_sentry import LOAD, TROUBLE
from heatdrift.daemon.vigil import AFTER_TROUBLE_S, Vigil
from heatdrift.store.records import Cadence
from heatdrift.store.units import POWER

from .conftest import HandMadeComputer, HandMadeGroup

START_MS = 1_767_225_600_000
GENEROUS_S = 60.0  # a guard against hanging


class TellingGroup(HandMadeGroup):
    """A card that another process could peek at."""

    def recipe(self, index: int) -> dict[str, Any] | None:
        return {"gpu": f"channel {index}"}


class Child:
    """The link to a child that looks out wherever it was told to with the last look."""

    def __init__(self) -> None:
        self.orders: list[dict[str, Any]] | None = None
        self.reader, self.rope = os.pipe()
        self.bell: int | None = self.reader

    def hear(self) -> bytes:
        self.bell = None
        return os.read(self.reader, 64)


@pytest.fixture
def computer() -> HandMadeComputer:
    computer = HandMadeComputer()
    computer.card = TellingGroup()
    computer.groups = (computer.card, computer.case)
    return computer


@pytest.fixture
def poller(clock: TurnableClock, computer: HandMadeComputer) -> Poller:
    return Poller(computer.layout(), clock, CadenceSettings(), IdentityWatch({}), stopwatch=lambda: 0.0)


@pytest.fixture
def child() -> Iterator[Child]:
    child = Child()
    yield child
    os.close(child.reader)
    os.close(child.rope)


@pytest.fixture
def vigil(clock: TurnableClock, child: Child) -> Vigil:
    return Vigil(clock, child)  # type: ignore[arg-type]


def tick_at(poller: Poller, clock: TurnableClock, at_s: float) -> bool:
    clock.turn(at_s - clock.monotonic_s())
    return poller.tick()


def orders_of(poller: Poller) -> list[dict[str, Any]]:
    return poller.orders or []


def run_idle(poller: Poller, clock: TurnableClock, seconds: float) -> None:
    end_s = clock.monotonic_s() + seconds
    while poller.due_s <= end_s:
        tick_at(poller, clock, poller.due_s)


def test_orders_say_where_an_idle_source_stays(poller: Poller, clock: TurnableClock) -> None:
    run_idle(poller, clock, 15.0)
    assert not orders_of(poller)  # two looks do not make a level
    run_idle(poller, clock, 30.0)
    (order,) = orders_of(poller)
    assert order["gpu"] == "channel 1"  # of temperature, power and limit
    # 15 % of the range between the assumed idle (15 % of 100 W) or what was seen below it, and the limit.
    assert (order["low"], order["high"]) == pytest.approx((10_000 - 13_500, 10_000 + 13_500))


def test_poller_peeks_by_itself_where_something_cannot_be_told(
    poller: Poller, clock: TurnableClock, computer: HandMadeComputer, monkeypatch: pytest.MonkeyPatch
) -> None:
    run_idle(poller, clock, 60.0)
    assert orders_of(poller)
    monkeypatch.setattr(computer.card, "recipe", lambda _index: None)
    assert not orders_of(poller)


def test_step_that_the_child_saw_is_kept_as_if_the_poller_had(
    poller: Poller, clock: TurnableClock, computer: HandMadeComputer
) -> None:
    step_s = clock.boot_s() + 304.5
    computer.card.power_w = lambda boot_s: 90.0 if boot_s >= step_s else 10.0
    run_idle(poller, clock, 300.0)
    assert orders_of(poller)
    poller.rest()
    assert poller.due_s == clock.monotonic_s() + 10.0
    poller.call()
    assert tick_at(poller, clock, step_s + 0.5)  # rung for within a second, as a peek would have been
    assert not orders_of(poller)
    run_idle(poller, clock, 100.0)
    kept = [r for r in poller.finish().sources if r.cadence == Cadence.STEP]
    assert [r.time_utc_ms - START_MS for r in kept][:3] == [300_000, 305_000, 306_000]
    assert kept[1].values[POWER] == 90_000
    assert kept[-1].time_utc_ms - START_MS == 365_000


def test_rest_until_the_next_look_is_no_silence(poller: Poller, clock: TurnableClock) -> None:
    run_idle(poller, clock, 60.0)
    for _ in range(10):
        poller.rest()
        assert tick_at(poller, clock, poller.due_s)
    assert poller.finish().gaps == []


def test_vigil_waits_for_the_bell_and_calls_the_poller(
    vigil: Vigil, child: Child, poller: Poller, clock: TurnableClock
) -> None:
    run_idle(poller, clock, 60.0)
    os.write(child.rope, LOAD)
    assert not vigil.wait(poller, threading.Event())
    assert child.orders == poller.orders  # they go out with the look
    assert poller.tick() and not orders_of(poller)


def test_vigil_ends_when_the_service_is_to_stop(vigil: Vigil, poller: Poller, clock: TurnableClock) -> None:
    run_idle(poller, clock, 60.0)
    stop, ended = threading.Event(), threading.Event()
    clock.turn(0.5)  # the next look is 9.5 s away

    def wait() -> None:
        if vigil.wait(poller, stop):
            ended.set()

    threading.Thread(target=wait, daemon=True).start()
    stop.set()
    assert ended.wait(GENEROUS_S)


@pytest.mark.parametrize("is_rung", [True, False])
def test_after_trouble_the_poller_peeks_by_itself_for_a_while(
    vigil: Vigil, child: Child, poller: Poller, clock: TurnableClock, is_rung: bool
) -> None:
    run_idle(poller, clock, 60.0)
    stop = threading.Event()
    if is_rung:
        os.write(child.rope, TROUBLE)
        assert not vigil.wait(poller, stop)
    else:
        clock.turn(10.0)
        assert not vigil.wait(poller, stop)
        child.bell = None  # the look that followed had no answer
        vigil.wait(poller, stop)
    assert not poller.tick() or not is_rung  # nothing was seen that calls for a look
    child.bell = child.reader
    for seconds, has_orders in ((AFTER_TROUBLE_S / 2, False), (AFTER_TROUBLE_S, True)):
        run_idle(poller, clock, seconds)
        child.bell = None
        vigil.wait(poller, stop)
        assert (child.orders is not None) == has_orders
