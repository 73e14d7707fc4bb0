"""A computer made by hand, and a pen that writes into lists."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence

import pytest

from heatdrift.daemon.clock import TurnableClock
from heatdrift.daemon.layout import Layout, Place, ProbeLayout, SourceLayout
from heatdrift.daemon.sensors.base import Reading
from heatdrift.store.errors import StoreError
from heatdrift.store.records import Batch, Channel, Missing
from heatdrift.store.units import QUANTITY_INDEX, SOURCE_QUANTITIES

QUANTITIES = ("temperature_c", "power_w", "enforced_limit_w")


class HandMadeGroup:
    """One graphics card whose power follows a function of the boot clock, or whatever a test says."""

    def __init__(self, name: str = "card", min_period_s: float = 0.0) -> None:
        self.name = name
        self.channels = tuple(Channel(f"{name}:{quantity}", quantity, "hwmon") for quantity in QUANTITIES)
        self.min_period_s = min_period_s
        self.power_w: Callable[[float], float] = lambda _boot_s: 10.0
        self.missing: Missing | None = None
        self.error: Exception | None = None
        self.known_facts: dict[str, str] = {}
        self.n_reads = self.n_peeks = 0
        self.is_closed = False

    def read(self, at_boot_s: float) -> Sequence[Reading]:
        self.n_reads += 1
        if self.error is not None:
            raise self.error
        if self.missing is not None:
            return (self.missing,) * 3
        power_w = self.power_w(at_boot_s)
        return round(30_000 + 400 * power_w), round(power_w * 1000), 100_000

    def peek(self, at_boot_s: float) -> Sequence[Reading]:
        self.n_peeks += 1
        if self.missing is not None:
            return (self.missing,) * 3
        return Missing.NOT_READ, round(self.power_w(at_boot_s) * 1000), Missing.NOT_READ

    def facts(self) -> Mapping[str, str]:
        return dict(self.known_facts)

    def close(self) -> None:
        self.is_closed = True


class HandMadeComputer:
    """A card, and a case thermometer that wants to rest a minute between reads."""

    def __init__(self) -> None:
        self.card = HandMadeGroup()
        self.case = HandMadeGroup("case", min_period_s=60.0)
        self.groups: tuple[HandMadeGroup, ...] = (self.card, self.case)

    def layout(self) -> Layout:
        places: list[Place | None] = [None] * len(SOURCE_QUANTITIES)
        for index, quantity in enumerate(QUANTITIES):
            places[QUANTITY_INDEX[quantity]] = Place(0, index)
        sources = (SourceLayout("gpu0", "gpu", tuple(places)),)
        probes = (ProbeLayout("ambient", "temperature_c", Place(1, 0)),)
        return Layout(self.groups, sources, probes)


class ListPen:
    """A pen that keeps what is written, and fails when it is told to."""

    def __init__(self) -> None:
        self.batches: list[Batch] = []
        self.trouble: StoreError | None = None
        self.state: dict[str, str] = {}
        self.tasks: list[tuple[str, int, bool]] = []
        self.known_facts: dict[str, str] = {}
        self.last_ms: int | None = None
        self.last_ms_before: int | None = None
        self.sources: tuple[str, ...] = ()
        self.registered: list[str] = []
        self.is_released = False
        self.n_checkpoints = 0

    @property
    def rows(self) -> Batch:
        """Everything written, as one batch."""
        return Batch(
            *(
                tuple(row for batch in self.batches for row in getattr(batch, kind))
                for kind in ("sources", "probes", "gaps", "boots", "changes")
            )
        )

    def register_source(self, name: str, kind: str, at_utc_ms: int) -> None:
        self.registered.append(name)

    def register_channel(self, found: Channel, owner: str, at_utc_ms: int) -> None:
        self.registered.append(found.key)

    def write(self, batch: Batch) -> None:
        assert not self.is_released, "written without the pen"
        if self.trouble is not None:
            raise self.trouble
        self.batches.append(batch)

    def note_task(self, task: str, at_utc_ms: int, ok: bool, detail: str = "") -> None:
        self.tasks.append((task, at_utc_ms, ok))

    def last_task_utc_ms(self, task: str, only_ok: bool = True) -> int | None:
        return max((at for name, at, ok in self.tasks if name == task and (ok or not only_ok)), default=None)

    def put_state(self, values: Mapping[str, str], at_utc_ms: int) -> None:
        self.state |= values

    def facts(self) -> dict[str, str]:
        return dict(self.known_facts)

    def source_names(self, kind: str) -> list[str]:
        return list(self.sources)

    def last_sample_utc_ms(self, until_utc_ms: int | None = None) -> int | None:
        moments = [self.last_ms, self.last_ms_before]
        had = [at for at in moments if at is not None and (until_utc_ms is None or at <= until_utc_ms)]
        return max(had, default=None)

    def checkpoint(self) -> None:
        self.n_checkpoints += 1

    def release(self) -> None:
        self.is_released = True

    def take(self) -> None:
        if self.trouble is not None:
            raise self.trouble
        self.is_released = False


@pytest.fixture
def clock() -> TurnableClock:
    return TurnableClock()


@pytest.fixture
def computer() -> HandMadeComputer:
    return HandMadeComputer()


@pytest.fixture
def pen() -> ListPen:
    return ListPen()
