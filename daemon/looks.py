"""What one look at the machine holds, and the mean of several."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from typing import NamedTuple

from ..store.records import REASON_BITS, Cadence, Missing, ProbeSample, SourceSample

REASON_MASK = (1 << REASON_BITS) - 1
NOT_READ = Missing.NOT_READ.value


class SourceLook(NamedTuple):
    """What one source said at one look.

    ``values`` holds thousandths or None for each of `SOURCE_QUANTITIES`; ``missing_reasons`` packs a reason
    for each None as in `SourceSample`.
    """

    values: tuple[int | None, ...]
    limit_reasons: int | None
    missing_reasons: int


class Look(NamedTuple):
    """Everything read at one moment, sources and probes in layout order.

    ``probes`` is None when the probes were not read at this look; otherwise ``probe_reasons`` holds a
    `Missing` code for each of them, 0 where the value was had.
    """

    time_utc_ms: int
    sources: tuple[SourceLook, ...]
    probes: tuple[int | None, ...] | None
    probe_reasons: tuple[int, ...] | None


def mean_of_had(column: Sequence[int | None]) -> int | None:
    """Mean of the integers in a column, rounded to the nearest one (half upward); None where it has none."""
    count = len(column)
    # Nearly every column is all there or all missing, and to ask each value costs more than to add it.
    if column[0] is not None:
        try:
            return (2 * sum(column) + count) // (2 * count)  # type: ignore[arg-type]
        except TypeError:
            pass  # a look in between had none
    elif column.count(None) == count:
        return None
    return mean_of_had([value for value in column if value is not None])


def mean_source(time_utc_ms: int, source: str, cadence: Cadence, looks: Sequence[SourceLook]) -> SourceSample:
    """Average looks at one source, quantity by quantity.

    A quantity is the mean of the looks that had it; where none had it, it stays missing with the reason
    of the last look. Limit reasons are joined (bitwise or), so that a limit met once in the mean is not lost.

    Parameters
    ----------
    time_utc_ms
        Mean moment of the looks [ms since 1970].
    source
        Name of the source.
    cadence
        How densely was looked.
    looks
        At least one look, all from one stretch without a gap.
    """
    n_looks = len(looks)
    if n_looks == 1:
        return SourceSample(time_utc_ms, source, looks[0][0], looks[0][1], cadence, 1, looks[0][2])
    values, limits, reasons = zip(*looks, strict=True)
    means: list[int | None] = []
    missing = 0
    for index, column in enumerate(zip(*values, strict=True)):
        mean = mean_of_had(column)
        means.append(mean)
        if mean is None:
            shift = REASON_BITS * index
            missing |= (((reasons[-1] >> shift) & REASON_MASK) or NOT_READ) << shift
    limit_reasons: int | None = None
    for limit in limits:
        if limit is not None:
            limit_reasons = limit | (limit_reasons or 0)
    return SourceSample(time_utc_ms, source, tuple(means), limit_reasons, cadence, n_looks, missing)


def mean_probes(
    time_utc_ms: int, names: Sequence[tuple[str, str]], looks: Sequence[Look]
) -> Iterator[ProbeSample]:
    """Average what the probes said; a probe that nobody tried to read in these looks gives no row.

    Parameters
    ----------
    time_utc_ms
        Mean moment of the looks [ms since 1970].
    names
        Name and quantity of each probe, in layout order.
    looks
        At least one look, all from one stretch without a gap.
    """
    read = [look for look in looks if look.probes is not None]
    if len(read) == 1:  # under load, where probes are read every fifth time
        yield from single_probes(time_utc_ms, names, read[0])
    if len(read) < 2:
        return
    columns = zip(*[look.probes or () for look in read], strict=True)
    reasons = zip(*[look.probe_reasons or () for look in read], strict=True)
    for (probe, quantity), column, codes in zip(names, columns, reasons, strict=True):
        mean = mean_of_had(column)
        if mean is not None:
            yield ProbeSample(time_utc_ms, probe, quantity, mean, 0)
            continue
        tried = [code for code in codes if code != NOT_READ]
        if tried:
            yield ProbeSample(time_utc_ms, probe, quantity, None, tried[-1])


def single_probes(time_utc_ms: int, names: Sequence[tuple[str, str]], look: Look) -> Iterator[ProbeSample]:
    """What the probes said at one look, without those that nobody tried to read; parameters as above."""
    if look.probes is None or look.probe_reasons is None:
        return
    for (probe, quantity), value, reason in zip(names, look.probes, look.probe_reasons, strict=True):
        if value is not None or reason != NOT_READ:
            yield ProbeSample(time_utc_ms, probe, quantity, value, reason)
