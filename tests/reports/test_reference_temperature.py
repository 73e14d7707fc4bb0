"""What the air was: probes, cold starts and idle, with the error of each."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from heatdrift.reports.reference_temperature import (
    Reference,
    ReferenceKind,
    choose_reference,
    cold_offsets_k,
    from_case,
    from_own_idle,
    idle_windows,
)
from heatdrift.store.errors import AnalysisError

START = pd.Timestamp("2026-01-05T00:00:00Z")


def moments(hours: np.ndarray) -> pd.DatetimeIndex:
    return pd.DatetimeIndex(START + pd.to_timedelta(hours, "h"))


def windows(days: float = 10.0, idle_rise_k: float = 8.0) -> pd.DataFrame:
    """Two hours of work at 100 W every evening, idle at 10 W else; the room swings by the day."""
    hours = np.arange(0.0, 24.0 * days, 1.0 / 30.0)
    power_w = np.where((hours % 24.0 > 19.0) & (hours % 24.0 < 21.0), 100.0, 10.0)
    rise_k = np.where(power_w > 50.0, 40.0, idle_rise_k)
    return pd.DataFrame({"temperature_c": room_c(hours) + rise_k, "power_w": power_w}, index=moments(hours))


def room_c(hours: np.ndarray) -> np.ndarray:
    return 21.0 + 1.5 * np.sin(2 * np.pi * hours / 24.0)


def probe(offset_k: float, days: float = 10.0) -> pd.Series:
    hours = np.arange(0.0, 24.0 * days, 1.0 / 60.0)
    return pd.Series(room_c(hours) + offset_k, moments(hours))


def cold_started(offset_k: float = 7.0, days: int = 10) -> pd.Series:
    """A board probe of a machine that sleeps from 1 to 7 every night, and warms up in half an hour."""
    hours = np.arange(0.0, 24.0 * days, 1.0 / 60.0)
    hours = hours[(hours % 24.0 < 1.0) | (hours % 24.0 >= 7.0)]
    since_h = (hours - 7.0) % 24.0
    return pd.Series(room_c(hours) + offset_k * -np.expm1(-since_h / 0.5), moments(hours))


def test_probe_in_the_room_is_taken_first() -> None:
    frame = windows()
    found = choose_reference(frame, frame["temperature_c"], {"board": probe(6.0), "ambient": probe(0.0)})
    assert (found.kind, found.name, found.offset_k) == (ReferenceKind.AMBIENT, "ambient", 0.0)
    asked = np.array([30.01, 77.77])
    # Between readings a minute apart the room moves by less than 0.01 K.
    assert found.at(moments(asked)) == pytest.approx(room_c(asked), abs=0.01)


def test_stale_readings_are_not_drawn_on() -> None:
    found = choose_reference(windows(), windows()["temperature_c"], {"ambient": probe(0.0, days=2.0)})
    assert np.isnan(found.at(moments(np.array([60.0]))))[0]
    empty = Reference(ReferenceKind.AMBIENT, "ambient", pd.Series(dtype=float), 0.0, 1.0, 0.1)
    assert np.isnan(empty.at(moments(np.array([1.0, 2.0])))).all()


def test_probe_in_the_case_is_bounded_by_what_rooms_are_like() -> None:
    frame = windows()
    found = choose_reference(frame, frame["temperature_c"], {"board": probe(6.0), "ssd0": probe(9.0)})
    assert (found.kind, found.name, found.n_cold_starts) == (ReferenceKind.PROXY, "board", 0)
    assert found.offset_error_k == pytest.approx(3.0)
    assert abs(found.offset_k - 6.0) < 2 * found.offset_error_k


def test_cold_starts_teach_the_offset() -> None:
    found = from_case("board", cold_started(7.0), windows())
    assert found.n_cold_starts == 10  # ten nights
    assert found.offset_error_k < 1.1  # what the first minutes may have warmed, and ten of them
    assert found.offset_k == pytest.approx(7.0, abs=2 * found.offset_error_k)


def test_rise_after_a_cold_start_is_seen() -> None:
    # The warmest hours after the start hide 1.5 K of the room's own swing.
    assert cold_offsets_k(cold_started(7.0)) == pytest.approx(7.0, abs=1.5)
    assert len(cold_offsets_k(probe(7.0))) == 0
    assert len(cold_offsets_k(pd.Series(dtype=float, index=moments(np.array([]))))) == 0


def test_probe_that_wanders_is_no_reference() -> None:
    frame = windows()
    rng = np.random.default_rng(1)
    wandering = probe(6.0)
    wandering += 8.0 * np.repeat(rng.standard_normal(len(wandering) // 600 + 1), 600)[: len(wandering)]
    found = choose_reference(frame, frame["temperature_c"], {"board": wandering})
    assert found.kind is ReferenceKind.OWN_IDLE


def test_own_idle_follows_the_room() -> None:
    frame = windows(idle_rise_k=8.0)
    found = from_own_idle(frame, frame["temperature_c"])
    asked = np.array([50.0, 63.0, 80.0])
    # Medians of two hours lag a swing of 1.5 K a day by an hour: 0.4 K; the rest is the common offset.
    assert np.ptp(found.at(moments(asked)) - room_c(asked)) < 0.8
    assert abs(found.offset_k - 8.0) < 2 * found.offset_error_k


def test_idle_is_where_every_source_idles() -> None:
    frame = windows()
    frame["power_w.gpu0"] = np.where(np.arange(len(frame)) % 2, 5.0, 80.0)
    idle = idle_windows(frame)
    assert (idle["power_w"] == 10.0).all()
    assert (idle["power_w.gpu0"] == 5.0).all()


def test_never_idle_and_no_probe() -> None:
    frame = windows()
    busy = frame[frame["power_w"] > 50.0].iloc[:5]
    with pytest.raises(AnalysisError, match="not identifiable: no probe"):
        choose_reference(busy, busy["temperature_c"], {})
