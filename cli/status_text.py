"""How the state of the record reads, for people and for programs."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from ..store.latest import LatestProbe
from ..store.records import Cadence, Gap, SourceSample
from ..store.summary import DAY_MS, GAP_DAYS, StoreSummary
from ..store.units import MILLI, PROBE_QUANTITIES, SOURCE_QUANTITIES
from .pulse import Pulse
from .tables import columns, labelled, listed
from .wording import moment_text, rfc3339, size_text, span_text, value_text

CADENCES = {cadence.value: cadence.name.lower() for cadence in Cadence}
MOST_GAPS = 12  # more is a list nobody reads; the rest is counted, and --json has them all
# What a row of the table shows, the rest is left to --json; a column stands only where a source has it.
SHOWN = {
    "temperature_c": "die",
    "hotspot_temperature_c": "hot spot",
    "memory_temperature_c": "memory",
    "power_w": "power",
    "clock_mhz": "clock",
    "utilization_pct": "in use",
}
STARTED_S = 60.0  # before that its start is all that it cost
MOST_SAID = 1e15  # bytes, seconds and moments [ms] alike
COST_KEYS = ("cpu_s", "children_cpu_s", "rss_bytes", "pss_bytes", "children_pss_bytes", "written_bytes")


@dataclass(frozen=True, slots=True)
class Status:
    """Everything that is shown.

    Attributes
    ----------
    periods_days
        Days from one run to the next of each task of upkeep.
    waiting
        What waits here for a server, empty where nothing does for long.
    """

    now_utc_ms: int
    where: str
    summary: StoreSummary
    samples: list[SourceSample]
    probes: list[LatestProbe]
    heart: Pulse
    periods_days: Mapping[str, float]
    waiting: str = ""


def as_lines(status: Status) -> Iterator[str]:
    """The state in at most 80 columns."""
    found = status.summary
    yield from labelled("machine", found.machine_name)
    yield from labelled("recording", status.heart.words)
    cost = cost_text(found)
    if cost:
        yield from labelled("own cost", cost)
    yield from labelled("database", status.where)
    waiting = f" and {size_text(found.wal_bytes)} in the log beside it" if found.wal_bytes else ""
    size = size_text(found.size_bytes) + waiting
    sealed = f"; sealed: {found.n_sealed_rows:,} rows in {found.n_sealed_tables} tables"
    since = f", record since {found.oldest_day}" if found.oldest_day else ", no row yet"
    yield from labelled("", size + since + (sealed if found.n_sealed_tables else "; nothing sealed yet"))
    if status.waiting:
        yield from labelled("waiting", status.waiting)
    yield from labelled("next work", next_work_text(status))
    for task, note in found.tasks.items():
        if not note.ok:
            yield from labelled("trouble", f"{task} failed {moment_text(note.at_utc_ms)}: {note.detail}")
    repaired = found.tasks.get("repair")
    if repaired is not None and repaired.ok:
        yield from labelled("repaired", f"{moment_text(repaired.at_utc_ms)}: {repaired.detail}")
    yield ""
    yield from _readings(status)
    yield ""
    yield from _gaps(status)


def _readings(status: Status) -> Iterator[str]:
    newest = {sample.source: sample for sample in status.samples}
    columns_shown = [
        index
        for index, quantity in enumerate(SOURCE_QUANTITIES)
        if quantity.name in SHOWN and any(sample.values[index] is not None for sample in status.samples)
    ]
    rows = [
        ("source", "last row", "today", *(SHOWN[SOURCE_QUANTITIES[index].name] for index in columns_shown))
    ]
    for source in status.summary.sources:
        sample = newest.get(source.name)
        when = since_text(sample.time_utc_ms, status.now_utc_ms) if sample else "none of late"
        rows.append((source.name, when, f"{source.n_rows_today:,}", *_cells(sample, columns_shown)))
    yield from columns(rows, right=range(2, len(rows[0])))
    if status.probes:
        shown = [
            f"{probe.probe} {value_text(probe.value, PROBE_QUANTITIES[probe.quantity].unit)}"
            for probe in status.probes
            if probe.value is not None and probe.quantity in PROBE_QUANTITIES
        ]
        yield ""
        yield from labelled("probes", listed(shown) or "none had a value lately")


def _gaps(status: Status) -> Iterator[str]:
    gaps = status.summary.gaps
    if not gaps:
        yield f"no gap in the last {GAP_DAYS} days"
        return
    yield f"gaps of the last {GAP_DAYS} days"
    rows = [
        (
            moment_text(gap.from_utc_ms),
            span_text((gap.to_utc_ms - gap.from_utc_ms) / 1000),
            gap.reason.value.replace("_", " "),
            " ".join(part for part in (gap.source, gap.detail) if part),
        )
        for gap in gaps[-MOST_GAPS:]
    ]
    yield from columns(rows, right=(1,))
    if len(gaps) > MOST_GAPS:
        yield f"and {len(gaps) - MOST_GAPS} earlier ones"


def since_text(at_utc_ms: int, now_utc_ms: int) -> str:
    """The time of day of a moment, with its date where that is not today's."""
    text = moment_text(at_utc_ms)
    return text.split()[1] if at_utc_ms // DAY_MS == now_utc_ms // DAY_MS else text


def _cells(sample: SourceSample | None, columns_shown: Sequence[int]) -> list[str]:
    """One cell a column; a dash where the last row has no value."""
    values = [None if sample is None else sample.values[index] for index in columns_shown]
    return [
        "-" if value is None else value_text(value, SOURCE_QUANTITIES[index].unit)
        for index, value in zip(columns_shown, values, strict=True)
    ]


def cost_text(found: StoreSummary) -> str:
    """What the recorder itself takes, empty where it never said."""
    cost = costs(found)
    parts = []
    if "cpu_pct" in cost:
        parts.append(f"{cost['cpu_pct']:.2f} % of one core")
    memory = cost.get("pss_bytes", cost.get("rss_bytes"))
    if memory is not None:
        parts.append(f"{size_text(int(memory + cost.get('children_pss_bytes', 0)))} of memory")
    if "written_bytes" in cost:
        parts.append(f"{size_text(int(cost['written_bytes']))} written to disk since it started")
    return listed(parts)


def costs(found: StoreSummary) -> dict[str, float]:
    """What the recorder itself takes: its own figures and the share of one core [%]."""
    said = {key: number_of(found.state.get(key, "")) for key in (*COST_KEYS, "started_utc_ms")}
    cost = {key: value for key in COST_KEYS if (value := said[key]) is not None}
    started = said["started_utc_ms"]
    if "cpu_s" in cost and started is not None and found.state_at_utc_ms is not None:
        alive_s = (found.state_at_utc_ms - started) / 1000
        if alive_s >= STARTED_S:
            cost["cpu_pct"] = 100 * (cost["cpu_s"] + cost.get("children_cpu_s", 0.0)) / alive_s
    return cost


def number_of(said: str) -> float | None:
    """A number that the recorder left as text, None where it is none or has no measure."""
    try:
        value = float(said)
    except ValueError:
        return None
    return value if 0 <= value < MOST_SAID else None


def next_work(status: Status) -> dict[str, int]:
    """When each task of upkeep is due next [ms since 1970]."""
    due = {}
    for task, period_days in status.periods_days.items():
        note = status.summary.tasks.get(task)
        last = note.at_utc_ms if note and note.ok else None
        due[task] = status.now_utc_ms if last is None else last + round(period_days * DAY_MS)
    return due


def next_work_text(status: Status) -> str:
    """The same in words."""
    ahead_s = {task: (at - status.now_utc_ms) / 1000 for task, at in next_work(status).items()}
    # The child runs once a day: what falls due within the day is done that night.
    tonight = [task for task, wait_s in ahead_s.items() if wait_s * 1000 < DAY_MS]
    later = [f"{task} in {span_text(wait_s)}" for task, wait_s in ahead_s.items() if task not in tonight]
    return "; ".join([*(["tonight " + ", ".join(tonight)] if tonight else []), *later])


def as_document(status: Status) -> dict[str, Any]:
    """The state for programs; moments are RFC 3339 in UTC."""
    found = status.summary
    return {
        "schema": "heatdrift-status/1",
        "machine": {"uuid": found.machine_uuid, "name": found.machine_name},
        "recording": status.heart.is_recording,
        "recording_words": status.heart.words,
        "pid": status.heart.pid,
        "state": found.state,
        "state_at": _moment(found.state_at_utc_ms),
        "cost": costs(found),
        "database": status.where,
        "waiting": status.waiting,
        "size_bytes": found.size_bytes,
        "wal_bytes": found.wal_bytes,
        "oldest_day": found.oldest_day,
        "sealed_tables": found.n_sealed_tables,
        "sealed_rows": found.n_sealed_rows,
        "sources": _source_documents(status),
        "probes": [_probe_document(probe) for probe in status.probes],
        "gaps": [_gap_document(gap) for gap in found.gaps],
        "tasks": {
            task: {"at": _moment(note.at_utc_ms), "ok": note.ok, "detail": note.detail}
            for task, note in found.tasks.items()
        },
        "next_work": {task: _moment(at_utc_ms) for task, at_utc_ms in next_work(status).items()},
    }


def _source_documents(status: Status) -> list[dict[str, Any]]:
    newest = {sample.source: sample for sample in status.samples}
    return [
        {
            "source": source.name,
            "kind": source.kind,
            "rows_today": source.n_rows_today,
            "last_row": _sample_document(newest.get(source.name)),
        }
        for source in status.summary.sources
    ]


def _probe_document(probe: LatestProbe) -> dict[str, Any]:
    value = None if probe.value is None else probe.value / MILLI
    return {"probe": probe.probe, "at": _moment(probe.time_utc_ms), probe.quantity: value}


def _gap_document(gap: Gap) -> dict[str, Any]:
    return {
        "from": _moment(gap.from_utc_ms),
        "to": _moment(gap.to_utc_ms),
        "reason": gap.reason.value,
        "source": gap.source,
        "detail": gap.detail,
    }


def _sample_document(sample: SourceSample | None) -> dict[str, Any] | None:
    if sample is None:
        return None
    values = {
        quantity.name: None if value is None else value / MILLI
        for quantity, value in zip(SOURCE_QUANTITIES, sample.values, strict=True)
    }
    cadence = CADENCES.get(sample.cadence)
    return {
        "at": _moment(sample.time_utc_ms),
        "cadence": cadence,
        **values,
        "limit_reasons": sample.limit_reasons,
    }


def _moment(at_utc_ms: int | None) -> str | None:
    return None if at_utc_ms is None else rfc3339(at_utc_ms)
