"""Rows that come in, joined with the rows that are there: each moment once, nothing that was had is lost."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import pyarrow as pa
import pyarrow.compute as pc

from .packing import SOURCE_SCHEMA, TIME
from .records import REASON_BITS, Cadence
from .sample_tables import VALUE_COLUMNS

# How densely a row was looked at shows in its distance from the next: single looks near a load step are
# kept every second, means under load every 5 s, means at idle every 60 s.
STEP_APART_MS = 2_000
LOAD_APART_MS = 20_000
Places = npt.NDArray[np.int64]


@dataclass(frozen=True, slots=True)
class Joined:
    """What becomes of rows that come in.

    Attributes
    ----------
    rows
        Those there and those new, one for each moment (and channel), in order.
    is_new
        Which of them were not there, shape (n_rows,).
    is_completed
        Which were there and get a value that they did not have, shape (n_rows,).
    n_already
        Rows that came in and added nothing.
    n_conflicts
        Rows that came in with another value than is there; what is there stays.
    """

    rows: pa.Table
    is_new: npt.NDArray[np.bool_]
    is_completed: npt.NDArray[np.bool_]
    n_already: int
    n_conflicts: int


def joined(there: pa.Table, coming: pa.Table) -> Joined:
    """Join rows of one series; of two rows of one moment, the first has the say, there before coming.

    Parameters
    ----------
    there, coming
        Tables of `SOURCE_SCHEMA` or of `PROBE_SCHEMA`, in any order.
    """
    is_source = coming.schema.equals(SOURCE_SCHEMA)
    names = list(VALUE_COLUMNS) if is_source else ["value_milli"]
    if _is_same(there, coming, [TIME, *names] if is_source else [TIME, "channel_id", *names]):
        nothing = np.zeros(there.num_rows, bool)
        return Joined(there, nothing, nothing, coming.num_rows, 0)
    both = pa.concat_tables([there, coming]).combine_chunks()
    keys = [both[TIME].to_numpy()]
    if not is_source:
        keys.insert(0, both["channel_id"].to_numpy())
    order = np.lexsort(keys)  # stable: what is there stays in front
    is_first = np.ones(len(order), bool)
    if len(order):
        is_first[1:] = np.any([np.diff(key[order]) != 0 for key in keys], axis=0)
    starts = np.flatnonzero(is_first)
    group = np.cumsum(is_first) - 1
    came = order >= there.num_rows
    rows = both.take(pa.array(order[starts]))
    if len(starts) == len(order):
        return Joined(rows, came, np.zeros(len(order), bool), 0, 0)
    filled = np.zeros(len(starts), np.int64)
    conflicts = np.zeros(len(order), bool)
    for index, name in enumerate(names):
        sorted_column = both[name].take(pa.array(order)).combine_chunks()
        best, differs = _first_had(sorted_column, starts, group)
        gets = best != starts
        conflicts |= differs
        if gets.any():
            rows = rows.set_column(rows.column_names.index(name), name, sorted_column.take(pa.array(best)))
            filled |= np.where(gets, np.int64(0xF) << np.int64(REASON_BITS * index), 0)
    reasons = "missing_reasons" if is_source else "missing_reason"
    cleared = rows[reasons].to_numpy() & ~filled
    kind = rows.schema.field(reasons).type
    rows = rows.set_column(rows.column_names.index(reasons), reasons, pa.array(cleared, kind))
    is_new = came[starts]
    is_completed = (filled != 0) & ~is_new
    n_conflicts = int((conflicts & came).sum())
    # A row that gave a value to another is neither new nor in vain.
    n_useful = int(is_new.sum() + is_completed.sum())
    return Joined(rows, is_new, is_completed, max(0, coming.num_rows - n_useful - n_conflicts), n_conflicts)


def with_cadence(rows: pa.Table) -> pa.Table:
    """The same rows of a source, in order, with the cadence that their distances show."""
    apart = np.diff(rows[TIME].to_numpy())
    far = np.array([np.iinfo(np.int64).max])
    nearest = np.minimum(np.concatenate([far, apart]), np.concatenate([apart, far]))
    dense = np.where(nearest <= LOAD_APART_MS, int(Cadence.LOAD), int(Cadence.IDLE))
    cadence = np.where(nearest <= STEP_APART_MS, int(Cadence.STEP), dense).astype(np.int32)
    return rows.set_column(rows.column_names.index("cadence"), "cadence", pa.array(cadence))


def _is_same(there: pa.Table, coming: pa.Table, names: list[str]) -> bool:
    """Whether the same rows come once more, as with a file that was imported before."""
    if there.num_rows != coming.num_rows:
        return False
    if "channel_id" in names:
        coming = coming.sort_by([(TIME, "ascending"), ("channel_id", "ascending")])
    return all(there[name].equals(coming[name]) for name in names)


def _first_had(column: pa.Array, starts: Places, group: Places) -> tuple[Places, npt.NDArray[np.bool_]]:
    """For each group of rows the first with a value (else its first row), and which rows say otherwise."""
    has = pc.is_valid(column).to_numpy(zero_copy_only=False)
    places = np.arange(len(column))
    first = np.minimum.reduceat(np.where(has, places, len(column)), starts)
    best = np.where(first < len(column), first, starts)
    values = np.asarray(pc.fill_null(column, 0).to_numpy(zero_copy_only=False))
    return best, has & (values != values[best[group]])
