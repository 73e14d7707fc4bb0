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


def rounded_mean(values: Sequence[int]) -> int:
    """Mean of integers, rounded to the nearest one (half upward), without leaving the integers."""
    count = len(values)
    return (2 * sum(values) + count) // (2 * count)


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
    if len(looks) == 1:
        (only,) = looks
        return SourceSample(
            time_utc_ms, source, only.values, only.limit_reasons, cadence, 1, only.missing_reasons
        )
    last_reasons = looks[-1].missing_reasons
    means: list[int | None] = []
    missing = 0
    limit_reasons: int | None = None
    for index, column in enumerate(zip(*[look.values for look in looks], strict=True)):
        had = [value for value in column if value is not None] if None in column else column
        if had:
            means.append(rounded_mean(had))
        else:
            means.append(None)
            shift = REASON_BITS * index
            missing |= (((last_reasons >> shift) & REASON_MASK) or NOT_READ) << shift
    for look in looks:
        if look.limit_reasons is not None:
            limit_reasons = look.limit_reasons | (limit_reasons or 0)
    return SourceSample(time_utc_ms, source, tuple(means), limit_reasons, cadence, len(looks), missing)


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
    if not read:
        return
    columns = zip(*[look.probes or () for look in read], strict=True)
    reasons = zip(*[look.probe_reasons or () for look in read], strict=True)
    for (probe, quantity), column, codes in zip(names, columns, reasons, strict=True):
        had = [value for value in column if value is not None]
        if had:
            yield ProbeSample(time_utc_ms, probe, quantity, rounded_mean(had), 0)
            continue
        tried = [code for code in codes if code != NOT_READ]
        if tried:
            yield ProbeSample(time_utc_ms, probe, quantity, None, tried[-1])
