"""A stretch of everything that one machine recorded, with true power, as the fits want it."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import TypeVar

import pandas as pd

from ..store.reader import Reader
from .power_history import DatedScale, correct_power

Rows = TypeVar("Rows", pd.DataFrame, pd.Series)

SPEEDS = (
    "speed_rpm",
    "intended_speed_pct",
)  # of a fan that shows both, what was counted rather than what was asked for
TEMPERATURE = "temperature_c"
POWER_STAGE = "vrm"  # by how a source is called


@dataclass(frozen=True, slots=True, eq=False)
class MachineFrames:
    """Rows of a stretch.

    Attributes
    ----------
    sources
        As `Reader.source_frame` gives them, power corrected; only sources that have rows.
    fans
        Speed of each fan in one unit.
    probes
        Temperature of each probe [°C].
    """

    sources: dict[str, pd.DataFrame]
    fans: dict[str, pd.Series]
    probes: dict[str, pd.Series]

    def between(self, from_utc_ms: int, to_utc_ms: int) -> MachineFrames:
        """A part of the stretch, from the first moment up to, not including, the second."""
        return MachineFrames(
            {name: _cut(frame, from_utc_ms, to_utc_ms) for name, frame in self.sources.items()},
            {name: _cut(speed, from_utc_ms, to_utc_ms) for name, speed in self.fans.items()},
            {name: _cut(readings, from_utc_ms, to_utc_ms) for name, readings in self.probes.items()},
        )

    def others(self, source: str) -> dict[str, pd.DataFrame]:
        """The other sources whose power is known."""
        return {
            name: frame
            for name, frame in self.sources.items()
            if name != source and frame["power_w"].notna().any()
        }

    def temperatures_beside(self, source: str) -> dict[str, pd.Series]:
        """Temperatures of all other sources, power stages among them [°C]."""
        return {name: frame["temperature_c"] for name, frame in self.sources.items() if name != source}


def read_frames(
    reader: Reader, scales: Mapping[str, Sequence[DatedScale]], from_utc_ms: int, to_utc_ms: int
) -> MachineFrames:
    """Read a stretch of the record.

    Parameters
    ----------
    reader
        Of the machine.
    scales
        What reported power meant, of each source; see `power_scales`.
    from_utc_ms, to_utc_ms
        From the first moment up to, not including, the second [ms since 1970].
    """
    sources: dict[str, pd.DataFrame] = {}
    for entry in reader.sources():
        frame = reader.source_frame(entry.name, from_utc_ms, to_utc_ms)
        if len(frame):
            frame["power_w"] = correct_power(frame["power_w"], scales[entry.name])
            sources[entry.name] = frame
    loose = reader.probe_frames(from_utc_ms, to_utc_ms)
    fans: dict[str, pd.Series] = {}
    for quantity in reversed(SPEEDS):
        fans |= {name: one["value"] for (name, what), one in loose.items() if what == quantity and len(one)}
    probes = {name: one["value"] for (name, what), one in loose.items() if what == TEMPERATURE and len(one)}
    return MachineFrames(sources, fans, probes)


def _cut(rows: Rows, from_utc_ms: int, to_utc_ms: int) -> Rows:
    edges = pd.to_datetime([from_utc_ms, to_utc_ms], unit="ms", utc=True)
    begin, end = pd.DatetimeIndex(rows.index).searchsorted(edges)
    return rows.iloc[begin:end]
