"""From a batch of cells to rows of our tables: one table for each source, one for all probes."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from functools import partial

import numpy as np
import numpy.typing as npt
import pyarrow as pa

from .import_cells import Flags, Floats, is_blank, numbers, texts
from .import_complaints import KEPT, Complaints
from .import_mapping import ImportMapping
from .import_moments import FINE, REASONS, read_moments
from .import_targets import Owners, Target
from .packing import PROBE_SCHEMA, SOURCE_SCHEMA, TIME, completed
from .records import REASON_BITS, Cadence, Missing
from .series import PROBES
from .units import MILLI, SOURCE_QUANTITIES, Quantity

SIGNS = {"c": "°C", "w": "W", "mhz": "MHz", "pct": "%", "rpm": "rpm"}
Moments = npt.NDArray[np.int64]
ChannelIds = Callable[[str, str, tuple[int, int]], int]
"""Number of the channel of an owner's quantity, had over a span [ms since 1970]."""


@dataclass(frozen=True, slots=True)
class Plan:
    """Which columns of a file are read, and as what."""

    mapping: ImportMapping
    columns: Mapping[str, Target]
    owners: Owners

    @property
    def wanted(self) -> list[str]:
        """The headings, time first."""
        return [*self.mapping.time_columns, *self.columns]


@dataclass(frozen=True, slots=True)
class _Column:
    """Values of one column in thousandths, and why there is none where there is none (0: there is)."""

    values: npt.NDArray[np.int32]
    reasons: npt.NDArray[np.int8]


def read_rows(
    batch: pa.RecordBatch,
    plan: Plan,
    now_utc_ms: int,
    complaints: Complaints,
    channel_ids: ChannelIds,
) -> dict[str, pa.Table]:
    """Turn a batch into rows.

    Parameters
    ----------
    batch
        The columns of ``plan.wanted``.
    now_utc_ms
        Now [ms since 1970].
    complaints
        Told what is left out.
    channel_ids
        Gives probes their numbers.

    Returns
    -------
    dict
        By source, a table of `SOURCE_SCHEMA`; under `PROBES` one of `PROBE_SCHEMA`. In the order of the
        file; only rows in which something was had.
    """
    moments, is_fine = _moments(batch, plan, now_utc_ms, complaints)
    kept = np.flatnonzero(is_fine)
    found: dict[str, dict[str, _Column]] = {}
    for heading, target in plan.columns.items():
        quantity = plan.owners.quantity_of(target)
        column = _column(batch.column(heading), kept, target, quantity, plan.mapping)
        _complain(batch.column(heading), column, kept, quantity, partial(complaints.cells, heading))
        found.setdefault(target.owner, {})[target.quantity] = column
    tables: dict[str, pa.Table] = {}
    for owner, columns in found.items():
        if owner in plan.owners.kinds:
            tables[owner] = _source_table(moments[kept], columns)
    probes = {owner: columns for owner, columns in found.items() if owner not in plan.owners.kinds}
    tables[PROBES] = _probe_table(moments[kept], probes, channel_ids)
    return {name: table for name, table in tables.items() if table.num_rows}


def _moments(
    batch: pa.RecordBatch, plan: Plan, now_utc_ms: int, complaints: Complaints
) -> tuple[Moments, Flags]:
    columns = [batch.column(name) for name in plan.mapping.time_columns]
    read = read_moments(columns, plan.mapping, now_utc_ms)
    for fault, reason in REASONS.items():
        places = np.flatnonzero(read.faults == fault)
        if not len(places):
            continue
        if reason.startswith("there is no"):
            # An empty line is nothing to complain of.
            blank = np.logical_and.reduce([is_blank(column) for column in batch.columns])
            complaints.rows(places[~blank[places]], reason)
        else:
            cells = [" ".join(row) for row in zip(*(texts(c, places[:KEPT]) for c in columns), strict=True)]
            complaints.rows(places, reason, cells)
    return read.utc_ms, read.faults == FINE


def _column(
    cells: pa.Array, kept: npt.NDArray[np.int64], target: Target, quantity: Quantity, mapping: ImportMapping
) -> _Column:
    values, is_bad = numbers(cells, mapping.decimal, mapping.missing)
    if len(kept) != len(values):
        values, is_bad = values[kept], is_bad[kept]
    with np.errstate(over="ignore"):  # 1e308 times a scale is infinite, and refused as such
        ours: Floats = values * target.scale + target.offset if _scales(target) else values
    reasons = np.where(np.isnan(ours), np.int8(Missing.NOT_READ.value), np.int8(0))
    with np.errstate(invalid="ignore"):
        reasons[(ours < quantity.lowest) | (ours > quantity.highest)] = Missing.IMPLAUSIBLE.value
    reasons[is_bad] = Missing.NOT_NUMERIC.value
    milli = np.rint(np.where(reasons == 0, ours, 0.0) * MILLI).astype(np.int32)
    return _Column(milli, reasons)


def _scales(target: Target) -> bool:
    return target.scale != 1.0 or target.offset != 0.0


def _complain(
    cells: pa.Array,
    column: _Column,
    kept: npt.NDArray[np.int64],
    quantity: Quantity,
    complain: Callable[[npt.NDArray[np.int64], str, Sequence[str]], None],
) -> None:
    bounds = f"is outside {quantity.lowest:g} to {quantity.highest:g} {SIGNS[quantity.unit]}"
    for code, reason in ((Missing.NOT_NUMERIC, "is no number"), (Missing.IMPLAUSIBLE, bounds)):
        bad = kept[column.reasons == code.value]
        if len(bad):
            complain(bad, reason, texts(cells, bad[:KEPT]))


def _source_table(moments: Moments, columns: Mapping[str, _Column]) -> pa.Table:
    packed = np.zeros(len(moments), np.int64)
    for index, quantity in enumerate(SOURCE_QUANTITIES):
        column = columns.get(quantity.name)
        reasons = Missing.NOT_EXPOSED.value if column is None else column.reasons.astype(np.int64)
        packed |= reasons << np.int64(REASON_BITS * index)
    had = np.zeros(len(moments), bool)
    for column in columns.values():
        had |= column.reasons == 0
    cells = {TIME: pa.array(moments[had])}
    for quantity in SOURCE_QUANTITIES:
        column = columns.get(quantity.name)
        if column is not None:
            cells[quantity.stored_name] = pa.array(column.values[had], mask=column.reasons[had] != 0)
    n_rows = int(had.sum())
    cells["cadence"] = pa.array(np.full(n_rows, int(Cadence.IDLE), np.int32))
    cells["n_looks"] = pa.array(np.ones(n_rows, np.int32))
    cells["missing_reasons"] = pa.array(packed[had])
    return completed(pa.table(cells), SOURCE_SCHEMA)


def _probe_table(
    moments: Moments, probes: Mapping[str, Mapping[str, _Column]], channel_ids: ChannelIds
) -> pa.Table:
    parts = []
    for owner, columns in probes.items():
        for quantity, column in columns.items():
            had = column.reasons == 0
            if not had.any():
                continue
            at = moments[had]
            number = channel_ids(owner, quantity, (int(at.min()), int(at.max())))
            cells: Sequence[pa.Array] = [
                pa.array(at),
                pa.array(np.full(len(at), number, np.int32)),
                pa.array(column.values[had]),
                pa.array(np.zeros(len(at), np.int32)),
            ]
            parts.append(pa.table(list(cells), schema=PROBE_SCHEMA))
    return pa.concat_tables(parts) if parts else PROBE_SCHEMA.empty_table()
