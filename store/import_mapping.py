"""How another program's columns become ours: the mapping file, and the names of the exchange table.

A mapping file is TOML. ``[columns]`` gives each of their headings its place here, ``[time]`` says how their
moments are written, ``[file]`` how the file is::

    [columns]
    "GPU temperature [°F]" = {to = "gpu0.temperature_c", unit = "f"}
    "GPU power" = {to = "gpu0.power_w", scale = 0.001, offset = 0}
    "Fan" = "fan1.speed_rpm"

    [time]
    columns = ["Date", "Time"]
    format = "%d.%m.%Y %H:%M:%S"
    zone = "Europe/Berlin"

    [file]
    delimiter = ";"
    decimal = ","
    encoding = "cp1252"
    missing = ["N/A"]
    skip_lines = 0

A value here is ``scale`` times theirs plus ``offset``; ``unit`` stands for the usual pairs. ``method`` may
say how it came about: ``average`` for a power that is a mean over the second before, for one.
"""

from __future__ import annotations

import codecs
import math
import re
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from difflib import get_close_matches
from pathlib import Path
from typing import Any
from zoneinfo import ZoneInfo

import pandas as pd

from .errors import SettingsError
from .import_targets import QUANTITIES, Target, target_of
from .owner_file import parse_toml, read_text

METHODS = ("", "energy", "average", "instant", "intended", "relative")
MOST_SKIPPED = 10_000  # lines above the headings: a preamble, never a table
LITERALS = frozenset({"unicode-escape", "raw-unicode-escape", "punycode"})  # of programs and host names
RFC3339, UNIX_S, UNIX_MS = "rfc3339", "unix_s", "unix_ms"

# (scale, offset) from each unit that other programs write.
UNITS: dict[str, dict[str, tuple[float, float]]] = {
    "c": {"c": (1.0, 0.0), "f": (5 / 9, -160 / 9), "k": (1.0, -273.15), "mc": (0.001, 0.0)},
    "w": {"w": (1.0, 0.0), "mw": (0.001, 0.0), "uw": (1e-6, 0.0), "kw": (1000.0, 0.0)},
    "mhz": {"mhz": (1.0, 0.0), "ghz": (1000.0, 0.0), "khz": (0.001, 0.0), "hz": (1e-6, 0.0)},
    "pct": {"pct": (1.0, 0.0), "ratio": (100.0, 0.0)},
    "rpm": {"rpm": (1.0, 0.0), "hz": (60.0, 0.0)},
}


@dataclass(frozen=True, slots=True)
class ImportMapping:
    """How a table is to be read.

    Attributes
    ----------
    columns
        Their heading to its place here; headings that are already ours need no line.
    time_columns
        Joined with one space before they are read.
    time_format
        ``rfc3339``, ``unix_s``, ``unix_ms`` or a pattern of `datetime.strptime`; empty for RFC 3339 or Unix
        seconds, whichever it is.
    zone
        Where their clock stood, for moments without an offset; None refuses those.
    missing
        Cells that mean "not had", beside the empty one and ``nan``.
    skip_lines
        Lines above the headings.
    is_exchange
        No mapping was given: every column must be one of ours.
    """

    columns: Mapping[str, Target] = field(default_factory=dict)
    time_columns: tuple[str, ...] = ("time",)
    time_format: str = ""
    zone: str | None = None
    delimiter: str = ","
    decimal: str = "."
    encoding: str = "utf-8"
    missing: tuple[str, ...] = ()
    skip_lines: int = 0
    is_exchange: bool = True


def load_mapping(path: Path) -> ImportMapping:
    """Read a mapping file.

    Raises
    ------
    SettingsError
        It cannot be read, or says something that has no meaning; the message names the key.
    """
    try:
        text = read_text(path)
    except FileNotFoundError as error:
        raise SettingsError(f"{path} cannot be read: there is none", remedy="name a TOML file") from error
    return parse_mapping(text, str(path))


def parse_mapping(text: str, where: str) -> ImportMapping:
    """Read the text of a mapping file; ``where`` names it in complaints."""
    try:
        document = parse_toml(text)
    except ValueError as error:
        raise SettingsError(f"{where} is not TOML ({error})", remedy="mend that line") from error
    _only(document, {"columns", "time", "file"}, where)
    columns = _table(document, "columns", where)
    time, file = _table(document, "time", where), _table(document, "file", where)
    _only(time, {"column", "columns", "format", "zone"}, f"{where}: [time]")
    _only(file, {"delimiter", "decimal", "encoding", "missing", "skip_lines"}, f"{where}: [file]")
    mapping = ImportMapping(
        columns={name: _target(name, entry, where) for name, entry in columns.items()},
        time_columns=_time_columns(time, where),
        time_format=_text(time, "format", "", where),
        zone=_text(time, "zone", "", where) or None,
        delimiter=_text(file, "delimiter", ",", where),
        decimal=_text(file, "decimal", ".", where),
        encoding=_text(file, "encoding", "utf-8", where),
        missing=_texts(file.get("missing", []), f"{where}: missing"),
        skip_lines=file.get("skip_lines", 0),
        is_exchange=False,
    )
    _check(mapping, where)
    return mapping


def _check(mapping: ImportMapping, where: str) -> None:
    wrong = ""
    if mapping.zone is not None and not _is_zone(mapping.zone):
        wrong = f"zone {mapping.zone!r} is not known; write a name such as Europe/Berlin, or UTC"
    elif mapping.time_format not in {"", RFC3339, UNIX_S, UNIX_MS} and "%" not in mapping.time_format:
        wrong = f"format {mapping.time_format!r} is neither rfc3339, unix_s, unix_ms nor a pattern with %"
    elif "%" in mapping.time_format and not _is_pattern(mapping.time_format):
        wrong = f"format {mapping.time_format!r} is no pattern of strptime"
    elif len(mapping.delimiter) != 1 or mapping.delimiter in '"\r\n':
        wrong = f"delimiter {mapping.delimiter!r} is not one character"
    elif mapping.decimal not in {".", ","}:
        wrong = f"decimal {mapping.decimal!r} is neither a point nor a comma"
    elif mapping.decimal == mapping.delimiter:
        wrong = f"delimiter and decimal are both {mapping.decimal!r}"
    elif not _is_encoding(mapping.encoding):
        wrong = f"encoding {mapping.encoding!r} is not known; write one such as cp1252"
    elif type(mapping.skip_lines) is not int or not 0 <= mapping.skip_lines <= MOST_SKIPPED:
        wrong = f"skip_lines {mapping.skip_lines!r} is not a number of lines, {MOST_SKIPPED:,} at most"
    if wrong:
        raise SettingsError(f"{where}: {wrong}", remedy="mend it")
    seen: dict[tuple[str, str], str] = {}
    for name, target in mapping.columns.items():
        twin = seen.setdefault((target.owner, target.quantity), name)
        if twin != name:
            raise SettingsError(
                f"{where}: {twin!r} and {name!r} both go to {target.name}", remedy="keep one of them"
            )


def _target(heading: str, entry: Any, where: str) -> Target:
    place = f"{where}: column {heading!r}"
    if isinstance(entry, str):
        entry = {"to": entry}
    if not isinstance(entry, dict):
        raise SettingsError(f"{place} is {entry!r}", remedy='write {to = "gpu0.temperature_c"}')
    _only(entry, {"to", "scale", "offset", "unit", "method"}, place)
    target = target_of(str(entry.get("to", "")), place)
    if "unit" in entry:
        if "scale" in entry or "offset" in entry:
            raise SettingsError(f"{place} has both a unit and a scale", remedy="keep one of them")
        units = UNITS[QUANTITIES[target.quantity].unit]
        unit = str(entry["unit"]).lower()
        if unit not in units:
            raise SettingsError(f"{place} has unit {unit!r}", remedy=f"write one of {', '.join(units)}")
        scale, offset = units[unit]
    else:
        scale, offset = _number(entry, "scale", 1.0, place), _number(entry, "offset", 0.0, place)
        if scale == 0:
            raise SettingsError(f"{place} has scale 0", remedy="write the factor from theirs to ours")
    method = str(entry.get("method", ""))
    if method not in METHODS:
        raise SettingsError(f"{place} has method {method!r}", remedy=f"write one of {', '.join(METHODS[1:])}")
    return Target(target.owner, target.quantity, scale, offset, method)


def _only(table: Mapping[str, Any], known: set[str], where: str) -> None:
    for key in table:
        if key not in known:
            near = get_close_matches(key, known, 1)
            remedy = f"did you mean {near[0]}?" if near else f"known are {', '.join(sorted(known))}"
            raise SettingsError(f"{where} has {key!r}, which means nothing here", remedy=remedy)


def _table(document: Mapping[str, Any], key: str, where: str) -> dict[str, Any]:
    found = document.get(key, {})
    if not isinstance(found, dict):
        raise SettingsError(f"{where}: {key} is {found!r}", remedy=f"write a table [{key}]")
    return found


def _text(table: Mapping[str, Any], key: str, default: str, where: str) -> str:
    found = table.get(key, default)
    if not isinstance(found, str):
        raise SettingsError(f"{where}: {key} is {found!r}", remedy="write it in quotes")
    return found


def _texts(found: Any, where: str) -> tuple[str, ...]:
    texts = [found] if isinstance(found, str) else found
    if not isinstance(texts, Iterable) or not all(isinstance(text, str) for text in texts):
        raise SettingsError(f"{where} is {found!r}", remedy='write ["one", "two"]')
    return tuple(texts)


def _time_columns(time: Mapping[str, Any], where: str) -> tuple[str, ...]:
    if "column" in time and "columns" in time:
        raise SettingsError(f"{where}: [time] has both column and columns", remedy="keep one of them")
    found = _texts(time.get("columns", time.get("column", "time")), f"{where}: [time] columns")
    if not found:
        raise SettingsError(f"{where}: [time] names no column", remedy="name the one with the moments")
    return found


def _number(entry: Mapping[str, Any], key: str, default: float, where: str) -> float:
    found = entry.get(key, default)
    if type(found) not in {int, float} or not math.isfinite(found):
        raise SettingsError(f"{where} has {key} {found!r}", remedy="write a number")
    return float(found)


def _is_zone(name: str) -> bool:
    try:
        ZoneInfo(name)
    except (KeyError, ValueError, OSError):
        return False
    return True


def _is_pattern(style: str) -> bool:
    """Whether moments can be read by a pattern; one that does not fit the text tried is one none the less."""
    try:
        pd.to_datetime(pd.Series(["x"]), format=style, errors="coerce", utc=True)
    except (ValueError, KeyError, re.error):
        return False
    return True


def _is_encoding(name: str) -> bool:
    """Whether a codec turns bytes into text, piece by piece: others pack, cipher or spell host names."""
    try:
        b"0".decode(name, "ignore")
        codecs.getincrementaldecoder(name)
        return codecs.lookup(name).name not in LITERALS
    except (LookupError, ValueError):
        return False
