"""Derived rows are the same whether they grew day by day or were made at once."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from sqlalchemy import select

from heatdrift.fake_sensors.history import record_history
from heatdrift.fake_sensors.machine import START_UTC_MS, FakeMachine
from heatdrift.reports.derivation import STAGES, Derivation, update
from heatdrift.reports.era_model import EraModel
from heatdrift.store.database import open_reader, open_writer
from heatdrift.store.derived import DerivedStore
from heatdrift.store.errors import SettingsError
from heatdrift.store.journal_entry import EntryKind, JournalEntry
from heatdrift.store.reader import Reader
from heatdrift.store.records import Batch, Cadence, SourceSample
from heatdrift.store.schema import channel, probe_sample, sealed_day, source_sample
from heatdrift.store.sealing import merge_sealed_weeks, seal_finished_days
from heatdrift.store.units import QUANTITY_INDEX, SOURCE_QUANTITIES
from heatdrift.store.writer import Writer

DAY_MS = 86_400_000
DAYS = 4.5


class Record:
    """A record in a file, its derived rows, and what they hold."""

    def __init__(self, path: Path) -> None:
        self.path = path
        self.writing = open_writer(str(path))
        self.writer = Writer(self.writing, "uuid", "wren")
        self.reading = open_reader(str(path))
        self.reader = Reader(self.reading)
        self.derived = DerivedStore(self.writing, self.reader.machine_id)

    def update(self, entries: list[JournalEntry] | None = None) -> Derivation:
        return update(self.reader, self.derived, entries or [])

    def rows(self) -> dict[str, pd.DataFrame]:
        return {
            f"{entry.name} {word}": read(entry.name)
            for entry in self.reader.sources()
            for word, read in (
                ("steps", self.derived.load_steps),
                ("windows", self.derived.windows),
                ("cells", self.derived.cells),
            )
        }


Maker = Callable[[], Record]


@pytest.fixture
def new(tmp_path: Path) -> Maker:
    made: list[Record] = []

    def make() -> Record:
        made.append(Record(tmp_path / f"{len(made)}.sqlite"))
        return made[-1]

    return make


@pytest.fixture(scope="module")
def whole(tmp_path_factory: pytest.TempPathFactory) -> Record:
    record = Record(tmp_path_factory.mktemp("whole") / "record.sqlite")
    record_history(record.writer, machine(), START_UTC_MS, DAYS)
    record.update()
    return record


def machine() -> FakeMachine:
    return FakeMachine.of("laptop", 3, load_hours_a_day=4.0)


def assert_same(one: dict[str, pd.DataFrame], other: dict[str, pd.DataFrame]) -> None:
    assert one.keys() == other.keys()
    for name, frame in one.items():
        if name.endswith("cells"):
            keys = ["day", "era_from_utc_ms", "part", "workload_class"]
            one_sorted, other_sorted = (f.sort_values(keys, ignore_index=True) for f in (frame, other[name]))
            pd.testing.assert_frame_equal(one_sorted, other_sorted, check_exact=True)
        else:
            pd.testing.assert_frame_equal(
                frame.sort_index(axis=1), other[name].sort_index(axis=1), check_exact=True
            )


def test_grown_day_by_day_is_the_same_as_made_at_once(new: Maker) -> None:
    grown, alive = new(), machine()
    for length in (0.5, 1.0, 0.3, 1.7, 1.0):
        record_history(grown.writer, alive, alive.time_utc_ms, length)
        grown.update()
    for frame in grown.rows().values():
        assert len(frame)  # else the comparison would say nothing
    # Each piece ends its last mean early, so that the whole is copied from it row by row.
    copied = new()
    for entry in grown.reader.sources():
        copied.writer.register_source(entry.name, entry.kind, START_UTC_MS)
    copy_rows(grown, copied)
    copied.update()
    assert_same(grown.rows(), copied.rows())


def copy_rows(one: Record, other: Record) -> None:
    """All raw rows of one record into another, as they are."""
    for table in (channel, source_sample, probe_sample):
        with one.writing.begin() as connection:
            rows = [dict(row._mapping) for row in connection.execute(select(table))]
        with other.writing.begin() as connection:
            connection.execute(table.insert(), rows)


def test_sealing_changes_nothing(whole: Record) -> None:
    before = whole.rows()
    seal_finished_days(whole.writing, START_UTC_MS + 40 * DAY_MS)
    merge_sealed_weeks(whole.writing, START_UTC_MS + 60 * DAY_MS)
    done = whole.update()
    assert (done.n_days, done.n_eras) == (0, 0)
    whole.derived.forget()
    assert whole.update().n_days > 0
    assert_same(before, whole.rows())


def test_nights_that_seal_and_merge_leave_what_a_rebuild_gives(new: Maker) -> None:
    """Saturday to Wednesday, each day sealed a day later and the week merged; then all made anew."""
    grown, alive = new(), FakeMachine.of("laptop", 4, load_hours_a_day=0.3)
    alive.advance(2 * 86_400.0)
    for _ in range(5):
        record_history(grown.writer, alive, alive.time_utc_ms, 1.0)
        grown.update()
        seal_finished_days(grown.writing, alive.time_utc_ms, 1)
        merge_sealed_weeks(grown.writing, alive.time_utc_ms, 1)
    with grown.writing.begin() as connection:
        sealed = connection.execute(select(sealed_day.c.first_day, sealed_day.c.last_day)).all()
    assert {first != last for first, last in sealed} == {True, False}  # weeks, and days that wait for theirs
    before = grown.rows()
    grown.derived.forget()
    assert grown.update().n_days >= 2 * 5  # the last look may lie in a sixth day
    assert_same(before, grown.rows())


def test_nothing_new_is_nothing_to_do(whole: Record) -> None:
    done = whole.update()
    assert (done.n_days, done.n_eras) == (0, 0)
    assert set(done.models) == {"cpu0", "gpu0"}


def test_an_era_is_learned_in_stages(whole: Record) -> None:
    n_days = [model.n_days for fits in whole.update().models.values() for model in fits.values()]
    assert n_days == [5, 5]
    assert 5 in STAGES and 6 not in STAGES


def test_an_entry_makes_anew_what_it_concerns_and_leaves_the_rest(whole: Record) -> None:
    before = whole.rows()
    entry = JournalEntry(START_UTC_MS + 3 * DAY_MS, EntryKind.COMPOUND, "gpu0")
    done = whole.update([entry])
    assert [era.number for era in done.eras["gpu0"]] == [0, 1]
    # The GPU's days alone: those since the entry, and those before it, which lost two days to learn from.
    assert (done.n_days, done.n_eras) == (5, 2)
    assert [model.n_days for model in done.models["gpu0"].values()] == [3, 2]
    after = whole.rows()
    for name, frame in before.items():
        if name.startswith("cpu0"):
            pd.testing.assert_frame_equal(frame, after[name])
    eras = after["gpu0 cells"].groupby("day")["era_from_utc_ms"].unique()
    assert [list(found) for found in eras] == [[START_UTC_MS]] * 3 + [[entry.at_utc_ms]] * 2
    whole.update()
    assert_same(before, whole.rows())


def test_an_entry_of_the_first_day_before_its_first_row_is_no_era_of_its_own(new: Maker) -> None:
    """Opened at noon, recorded from the evening on: nothing is known of the hours before."""
    record = new()
    record.writer.register_source("gpu0", "gpu", START_UTC_MS)
    late = [row._replace(time_utc_ms=row.time_utc_ms + DAY_MS // 2) for row in looks(lambda f: f)]
    record.writer.write(Batch(tuple(late)))
    entry = JournalEntry(START_UTC_MS + DAY_MS // 4, EntryKind.COMPOUND, "gpu0")
    done = record.update([entry])
    assert list(done.models["gpu0"]) == [entry.at_utc_ms]
    assert record.update([entry]).n_days == 0


def test_a_power_scale_divides_every_resistance(whole: Record) -> None:
    before = whole.rows()
    entry = JournalEntry(START_UTC_MS - DAY_MS, EntryKind.OTHER, "gpu0", numbers={"power_factor": 2.0})
    whole.update([entry])
    one, two = (rows["gpu0 steps"].query("not_identifiable == ''") for rows in (before, whole.rows()))
    # Larger steps of true watts clear the least step of 4 W more often; of the common ones the ratio is 2.
    both = one.merge(two, on="at_utc_ms")
    ratio = both["interface_resistance_k_per_w_x"] / both["interface_resistance_k_per_w_y"]
    assert len(both) > 50
    assert np.median(ratio) == pytest.approx(2.0, rel=1e-3)
    whole.update()
    assert_same(before, whole.rows())


def test_contradicting_entries_are_refused(whole: Record) -> None:
    twice = [
        JournalEntry(START_UTC_MS + DAY_MS, EntryKind.OTHER, "gpu0", numbers={"power_factor": factor})
        for factor in (2.0, 3.0)
    ]
    with pytest.raises(SettingsError, match="same moment"):
        whole.update(twice)


def test_an_interrupted_update_is_taken_up_again(
    whole: Record, new: Maker, monkeypatch: pytest.MonkeyPatch
) -> None:
    expected = whole.rows()
    whole.derived.forget()
    original = DerivedStore.replace_days
    calls = []

    def fails(self: DerivedStore, source: str, days: list) -> None:  # type: ignore[type-arg]
        calls.append(source)
        if len(calls) == 2:
            raise OSError("power is gone")
        original(self, source, days)

    monkeypatch.setattr(DerivedStore, "replace_days", fails)
    with pytest.raises(OSError, match="power is gone"):
        whole.update()
    monkeypatch.undo()
    whole.update()
    assert_same(expected, whole.rows())


def looks(spoil: Callable[[pd.DataFrame], pd.DataFrame], n_looks: int = 4000) -> list[SourceSample]:
    """Looks a second apart with a load of two minutes in every five."""
    at_s = np.arange(n_looks)
    is_load = (at_s // 60) % 5 < 2
    frame = pd.DataFrame(
        {"temperature_c": np.where(is_load, 70.0, 40.0) + at_s % 3, "power_w": np.where(is_load, 90.0, 10.0)}
    )
    rows = []
    for at, one in spoil(frame).iterrows():
        values: list[int | None] = [None] * len(SOURCE_QUANTITIES)
        for name, value in one.items():
            if np.isfinite(value):
                values[QUANTITY_INDEX[str(name)]] = round(value * 1000)
        rows.append(
            SourceSample(START_UTC_MS + 1000 * int(str(at)), "gpu0", tuple(values), None, Cadence.STEP, 1, 0)
        )
    return rows


@pytest.mark.parametrize(
    ("spoil", "n_looks", "no_steps", "no_air"),
    [
        (lambda f: f.assign(power_w=np.nan), 4000, "no reading of power", "shows no power"),
        (lambda f: f.assign(temperature_c=np.nan), 4000, "no reading of temperature", "shows no temperature"),
        (lambda f: f.assign(temperature_c=41.0), 4000, "always was 41", "not identifiable"),
        (lambda f: f.assign(power_w=60.0), 4000, "0 usable load steps", "not identifiable"),
        (lambda f: f.iloc[::7], 4000, "usable load steps", "not identifiable"),
    ],
    ids=["no-power", "no-temperature", "constant", "one-load", "no-one-second-data"],
)
def test_what_cannot_be_known_is_said(
    new: Maker, spoil: Callable[[pd.DataFrame], pd.DataFrame], n_looks: int, no_steps: str, no_air: str
) -> None:
    record = new()
    record.writer.register_source("gpu0", "gpu", START_UTC_MS)
    record.writer.write(Batch(tuple(looks(spoil, n_looks))))
    (model,) = record.update().models["gpu0"].values()
    assert no_steps in model.no_steps and no_air in model.no_air
    assert model.constants is None and model.air is None
    assert not len(record.derived.cells("gpu0").query("part in ('interface', 'total')"))


def test_three_samples_are_no_day(new: Maker) -> None:
    record = new()
    record.writer.register_source("gpu0", "gpu", START_UTC_MS)
    record.writer.write(Batch(tuple(looks(lambda f: f, 3))))
    assert record.update().models == {"gpu0": {}}


def test_a_model_comes_back_from_json_as_it_was(whole: Record) -> None:
    for fits in whole.update().models.values():
        for model in fits.values():
            text = model.to_json()
            assert "NaN" not in text and "Infinity" not in text  # strict JSON, for any reader
            assert EraModel.from_json(text).to_json() == text
