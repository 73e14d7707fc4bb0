"""While the service rests the child looks out: it rings for load, for jumps of time and for trouble."""

from __future__ import annotations

import os
import select
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from heatdrift.daemon.sensors.nvml import NvmlLink, nvml_groups
from heatdrift.daemon.sensors.nvml_sentry import LOAD, PERIOD_S, TROUBLE, Sentry
from heatdrift.fake_sensors.nvml_double import STATE_VARIABLE, GpuState, write_state

from .conftest import FakeSys

DOUBLE = "heatdrift.fake_sensors.nvml_double"
GENEROUS_S = 60.0  # a guard against hanging
RANGE_UJ = 1_000_000_000
STAT = "proc/stat"
ENERGY = "sys/energy_uj"


class Post:
    """A sentry, its bell, and the world that it sees."""

    def __init__(self, sysfs: FakeSys) -> None:
        self.sysfs = sysfs
        self.gpu: list[Any] = [20_000, 3]
        self.clocks = (100.0, 500.0, 1.7e9)
        self._bell, self._rope = os.pipe()
        self.sentry = Sentry(self._rope, lambda uuid: {"GPU-1": self.gpu}[uuid], lambda: self.clocks)

    def pass_s(self, seconds: float) -> bytes:
        """Let time pass and the sentry look; what it rang."""
        return self.move(seconds, seconds, seconds)

    def move(self, monotonic_s: float, boot_s: float, wall_s: float) -> bytes:
        """Move each clock by its own span and let the sentry look; what it rang."""
        monotonic, boot, wall = self.clocks
        self.clocks = (monotonic + monotonic_s, boot + boot_s, wall + wall_s)
        self.sentry.look()
        return self.rung()

    def rung(self) -> bytes:
        return os.read(self._bell, 64) if select.select([self._bell], [], [], 0.0)[0] else b""

    def order(self, **source: Any) -> dict[str, Any]:
        return {"low": 10_000.0, "high": 40_000.0, **source}

    def path(self, name: str) -> str:
        return str(self.sysfs.sys.parent / name)

    def close(self) -> None:
        os.close(self._bell)
        os.close(self._rope)


@pytest.fixture
def post(tmp_path: Path) -> Iterator[Post]:
    post = Post(FakeSys(tmp_path))
    post.sysfs.put(ENERGY, 0)
    post.sysfs.put(STAT, "cpu  100 0 100 800 0 0 0 0 0 0")
    yield post
    post.close()


def test_nothing_is_looked_at_before_the_first_order_and_after_the_last(post: Post) -> None:
    assert post.sentry.rest_s() is None
    post.sentry.post([post.order(gpu="GPU-1")])
    assert post.sentry.rest_s() == PERIOD_S
    post.sentry.post(None)
    post.gpu[0] = 90_000
    assert post.sentry.rest_s() is None and post.pass_s(1.0) == b""


@pytest.mark.parametrize(("power_mw", "rung"), [(39_999, b""), (40_000, LOAD), (10_000, LOAD), ([999], b"")])
def test_gpu_that_leaves_its_level_is_rung_for_once(post: Post, power_mw: Any, rung: bytes) -> None:
    post.sentry.post([post.order(gpu="GPU-1", which=0, scale=1)])
    assert post.pass_s(1.0) == b""
    post.gpu[0] = power_mw
    assert post.pass_s(1.0) == rung
    assert (post.sentry.rest_s() is None) == (rung == LOAD)
    assert post.pass_s(1.0) == b""


def test_use_of_a_gpu_without_a_power_reading(post: Post) -> None:
    post.gpu = [None, 3]
    post.sentry.post([{"gpu": "GPU-1", "which": 1, "scale": 1000, "low": -1.0, "high": 15_000.0}])
    assert post.pass_s(1.0) == b""
    post.gpu[1] = 15
    assert post.pass_s(1.0) == LOAD


def test_power_from_a_counter_of_energy_that_wraps(post: Post) -> None:
    post.sysfs.put(ENERGY, RANGE_UJ - 15_000_000)
    post.sentry.post([post.order(energy=[[post.path(ENERGY), RANGE_UJ, 500.0]])])
    for counter_uj in (
        RANGE_UJ - 5_000_000,
        14_999_999,
    ):  # 10 W, just within the level, and 20 W across the wrap
        post.sysfs.put(ENERGY, counter_uj)
        assert post.pass_s(0.99) == b""
    post.sysfs.put(ENERGY, 14_999_999 + 50_000_000)
    assert post.pass_s(1.0) == LOAD


def test_counter_that_began_again_or_stands_still_is_no_load(post: Post) -> None:
    post.sysfs.put(ENERGY, 900_000_000)
    post.sentry.post([post.order(energy=[[post.path(ENERGY), None, 500.0]])])
    for counter_uj in (5, 5, 20_000_005):
        post.sysfs.put(ENERGY, counter_uj)
        assert post.pass_s(1.0) == b""


def test_busy_processor(post: Post) -> None:
    post.sentry.post([{"busy": post.path(STAT), "low": -20_000.0, "high": 20_000.0}])
    post.sysfs.put(STAT, "cpu  110 0 100 890 0 0 0 0 0 0")
    assert post.pass_s(1.0) == b""
    post.sysfs.put(STAT, "cpu  150 0 100 950 0 0 0 0 0 0")
    assert post.pass_s(1.0) == LOAD


def test_one_die_without_an_answer_makes_no_sum(post: Post) -> None:
    post.sysfs.put("sys/other_uj", 0)
    counters = [[post.path(name), None, 500.0] for name in (ENERGY, "sys/other_uj")]
    post.sentry.post([post.order(energy=counters)])
    post.sysfs.put(ENERGY, 90_000_000)
    assert post.pass_s(1.0) == b""  # the other one did not move


@pytest.mark.parametrize("clocks", [(1.0, 4.0, 4.0), (1.0, 1.0, 9.0), (1.0, 1.0, -9.0)])
def test_suspend_and_clock_step_are_rung_for(post: Post, clocks: tuple[float, float, float]) -> None:
    post.sentry.post([post.order(gpu="GPU-1")])
    assert post.pass_s(3.0) == b""
    assert post.move(*clocks) == LOAD


def test_what_cannot_be_looked_at_is_told_as_trouble(post: Post) -> None:
    post.sentry.post([post.order(energy=[[post.path("sys/gone_uj"), None, 500.0]])])
    assert post.rung() == TROUBLE and post.sentry.rest_s() is None
    post.sentry.post([post.order(gpu="GPU-2")])
    assert post.rung() == TROUBLE
    post.sentry.post([post.order(energy=[[post.path(ENERGY), None, 500.0]])])
    post.sysfs.put(ENERGY, "a word")
    assert post.pass_s(1.0) == TROUBLE


class TestChild:
    """The same through a real child, which gets its orders with a look."""

    @pytest.fixture
    def state(self, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
        state = tmp_path / "nvml.json"
        monkeypatch.setenv(STATE_VARIABLE, str(state))
        write_state(state, "580.1", [GpuState()])
        return state

    @pytest.fixture
    def link(self, state: Path, tmp_path: Path) -> Iterator[NvmlLink]:
        link = NvmlLink(library=DOUBLE)
        nvml_groups(link, tmp_path / "sys")
        yield link
        link.close()

    @pytest.fixture
    def orders(self, link: NvmlLink) -> list[dict[str, Any]]:
        return [{"gpu": link.gpus[0].uuid, "which": 0, "scale": 1, "low": 0, "high": 40_000}]

    def test_no_bell_without_orders(self, link: NvmlLink) -> None:
        link.look(1.0)
        assert link.bell is None

    def test_load_is_rung_for_and_the_child_goes_on_answering(
        self, link: NvmlLink, orders: list[dict[str, Any]], state: Path
    ) -> None:
        link.orders = orders
        assert link.look(1.0)
        bell = link.bell
        assert bell is not None
        # Asked in between, as by a search for new sensors, and it still looks out.
        assert link.facts(link.gpus[0].uuid) and link.peek(1.5) and link.attach(state.parent / "sys")
        assert link.bell == bell
        write_state(state, "580.1", [GpuState(power_w=80.0)])
        assert select.select([bell], [], [], GENEROUS_S)[0]
        assert link.hear() == LOAD
        assert not link.bell
        link.orders = None
        assert isinstance(link.look(2.0), dict)
        assert not link.bell

    def test_child_that_dies_is_noticed_at_once(self, link: NvmlLink, orders: list[dict[str, Any]]) -> None:
        link.orders = orders
        link.look(1.0)
        bell, pid = link.bell, link.pid
        assert bell is not None and pid is not None
        os.kill(pid, 9)
        assert select.select([bell], [], [], GENEROUS_S)[0]
        assert link.hear() == b"" and link.bell is None
