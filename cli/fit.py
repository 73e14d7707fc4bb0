"""``heatdrift fit``: the two resistances of each heat path, era by era."""

from __future__ import annotations

import json
import math
from pathlib import Path
from typing import Any

import click

from ..reports.fits import SourceEra, fit_every_era, fit_every_stage
from ..reports.heat_path import Estimate
from ..store.errors import SettingsError
from ..store.plain_text import escaped
from ..store.whole_file import write_whole
from .fit_details import detail_document, heating_document, stage_document, stage_lines
from .history import open_history
from .options import json_file_option, machine_option, settings_options
from .settings import Settings
from .speech import say, say_document
from .tables import WIDTH, columns, wrap
from .wording import rfc3339

EPILOG = """\b
Example:
  heatdrift fit
  heatdrift fit --json fit.json
"""
HEADING = ("source", "era", "interface K/W", "airflow K/W", "steps", "windows")
STANDARD_OUTPUT = Path("-")


@click.command("fit", epilog=EPILOG)
@json_file_option("Write the figures")
@machine_option
@settings_options
def command(*, settings: Settings, machine: str | None, json_file: Path | None) -> None:
    """Show the interface part and the airflow part of each heat path, in each era of the journal.

    The interface part is what answers within about three seconds of a load step; the airflow part is the
    rest, up to the air. Both in kelvin for each watt of total power, as one sensor sees it; each with its
    95 % interval.
    """
    with open_history(settings, machine) as history:
        derivation = history.update()
        found = fit_every_era(history.derived, derivation)
        stages = fit_every_stage(history.derived, derivation)
        details = [detail_document(one, history.derived) for one in found]
        heating = heating_document(history.derived, derivation)
    if json_file is not None:
        documents = [as_document(one) | more for one, more in zip(found, details, strict=True)]
        named = [stage_document(name, stage) for name, stage in stages.items()]
        write_json(json_file, {"sources": documents, "power_stages": named, "cross_heating": heating})
    if json_file != STANDARD_OUTPUT:
        for line in as_lines(found) + stage_lines(stages):
            say(line)


def json_text(document: dict[str, Any]) -> str:
    """A document as it is written for programs."""
    return escaped(json.dumps(document, indent=2, ensure_ascii=False, allow_nan=False)) + "\n"


def write_json(file: Path, document: dict[str, Any]) -> None:
    """Write a document to a file, or to standard output where it is called ``-``.

    Raises
    ------
    SettingsError
        The file cannot be written.
    """
    text = json_text(document)
    if file == STANDARD_OUTPUT:
        say_document(text)
        return
    try:
        write_whole(file, lambda whole: whole.write_text(text, encoding="utf-8"))
    except OSError as error:
        raise SettingsError(
            f"{file} cannot be written: {error.strerror}", remedy="name a file in a folder that is yours"
        ) from error


def as_lines(found: list[SourceEra]) -> list[str]:
    """A table, and below it what could not be known and why."""
    rows = [HEADING]
    notes: dict[str, list[str]] = {}  # each text once, with all that it is true of
    for one in found:
        steps = windows = "0"
        interface = airflow = None
        if one.fit is not None:
            interface, airflow = one.fit.interface, one.fit.airflow
            steps, windows = (str(part.n) if part else "0" for part in (interface, one.fit.total))
        rows.append((one.source, one.era.name, _figure(interface), _figure(airflow), steps, windows))
        has_several = sum(other.source == one.source for other in found) > 1
        for text in _notes(one):
            notes.setdefault(text, []).append(one.source + f" {one.era.name}" * has_several)
    lines = columns(rows, right=(2, 3, 4, 5))
    for text, sources in notes.items():
        names = "" if len(sources) == len(found) else ", ".join(dict.fromkeys(sources)) + ": "
        first, *more = wrap(names + text, WIDTH - 2)
        lines += [f"- {first}", *(f"  {line}" for line in more)]
    return lines


def as_document(one: SourceEra) -> dict[str, Any]:
    """One source in one era, for programs."""
    fit, model = one.fit, one.model
    document: dict[str, Any] = {
        "source": one.source,
        "era": one.era.name,
        "from": rfc3339(one.era.from_utc_ms),
        "to": rfc3339(one.era.to_utc_ms),
        "power_basis": one.era.scale.basis,
        "joint": one.era.is_joint,
    }
    if fit is None:
        reason = "not identifiable: no day with readings"
        return document | {
            "interface_resistance": None,
            "interface_reason": reason,
            "airflow_resistance": None,
            "airflow_reason": reason,
            "time_constants_s": [],
        }
    return document | {
        "interface_resistance": _estimate(fit.interface, "n_steps"),
        "interface_reason": fit.no_interface or None,
        "airflow_resistance": _estimate(fit.airflow, "n_windows"),
        "airflow_reason": fit.no_airflow or None,
        "total_resistance": _estimate(fit.total, "n_windows"),
        "time_constants_s": list(fit.time_constants_s),
        "fan": fit.fan or None,
        "fan_speed": _number(fit.speed),
        "memory_utilization_pct": _number(fit.memory_utilization_pct),
        "reference": fit.reference,
        "shares_sink_with": list(model.shared_with) if model else [],
    }


def _estimate(part: Estimate | None, count: str) -> dict[str, Any] | None:
    if part is None:
        return None
    return {"k_per_w": part.k_per_w, "ci95": list(part.ci95), count: part.n}


def _figure(part: Estimate | None) -> str:
    """Value and half width of its interval, no more digits than that leaves."""
    if part is None:
        return "-"
    half = part.ci95[1] - part.k_per_w
    digits = min(max(1 - math.floor(math.log10(half)), 0), 6) if half > 0.0 else 4
    return f"{part.k_per_w:.{digits}f} ± {half:.{digits}f}"


def _notes(one: SourceEra) -> list[str]:
    """What could not be known, for what the airflow part holds, and what absolute figures are worth."""
    fit = one.fit
    if fit is None:
        return ["no day with readings yet"]
    notes = []
    if fit.interface is None:
        notes.append(f"interface part {fit.no_interface}")
    if fit.airflow is None:
        notes.append(f"airflow part {fit.no_airflow}")
    else:
        fan = f", {fit.fan} at {fit.speed:.0f}" if fit.fan else ""
        notes.append(f"airflow part above {fit.reference}{fan}")
    if not one.era.scale.is_calibrated:
        notes.append(f"power {one.era.scale.basis}; ratios within an era do not depend on it")
    return notes


def _number(value: float) -> float | None:
    return value if math.isfinite(value) else None
