"""The settings in force, from defaults, the owner's file, the environment and options.

A wrong key, type or value is refused with its file and line: a repaired setting would run wrong for a year.
"""

from __future__ import annotations

import difflib
import re
from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any

from ..daemon.discovery import Overrides
from ..store.errors import SettingsError
from ..store.owner_file import parse_toml, read_text
from ..store.shown_url import without_password
from ..store.units import OWNER, QUANTITY_INDEX
from .knobs import CLOCKS, SECTIONS, Knob, knobs
from .places import default_database, default_settings_file, is_there
from .toml_lines import KeyPath, key_lines, line_of, syntax_complaint
from .toml_values import toml

DATABASE_VARIABLE = "HEATDRIFT_DATABASE"
SETTINGS_VARIABLE = "HEATDRIFT_SETTINGS"
TOP_KEYS = ("database", "machine_name")
SENSOR_TABLES = ("sources", "probes", "ignore")
IGNORE_KEYS = ("channels", "disks")
CLOCK = re.compile(r"([01]\d|2[0-3]):[0-5]\d")
SCHEME = re.compile(r"[A-Za-z][A-Za-z0-9+.-]*(?=://)")
HIDDEN = "://***"
MOST_WHOLE = 2**53  # what a number with a point still holds exactly
URLS_REMEDY = 'write a list of addresses in quotes, such as ["json://localhost:8080"]'
KIND_WORDS = {bool: "true or false", int: "a whole number", float: "a number", str: "a text in quotes"}


@dataclass(frozen=True, slots=True)
class Settings:
    """Everything that the owner may choose, with where each choice came from.

    Attributes
    ----------
    database
        URL or path of the database.
    machine_name
        Name of this machine in the record; empty means its host name.
    sections
        Every setting of each section, by section name and key.
    overrides
        Which sensor belongs where, against what discovery would propose.
    origins
        Setting name to ``default``, ``FILE:LINE``, an environment variable or an option.
    file
        The settings file that was read, None where there is none.
    """

    database: str
    machine_name: str
    sections: Mapping[str, dict[str, Any]]
    overrides: Overrides
    origins: Mapping[str, str]
    file: Path | None = None

    def values(self) -> dict[str, object]:
        """Every setting by its printed name, in a fixed order; without passwords and addresses."""
        values: dict[str, object] = {
            "database": without_password(self.database),
            "machine_name": self.machine_name,
        }
        for knob in knobs():
            value = self.sections[knob.section][knob.key]
            values[knob.name] = [outline(url) for url in value] if knob.is_secret else value
        for source, places in self.overrides.sources.items():
            values |= {f"sources.{source}.{quantity}": key for quantity, key in places.items()}
        values |= {f"probes.{probe}": key for probe, key in self.overrides.probes.items()}
        values["ignore.channels"] = list(self.overrides.ignored)
        values["ignore.disks"] = not self.overrides.read_disks
        return values


@dataclass(slots=True)
class SettingsFile:
    """One settings file while it is read: its tables, its lines and what was found so far."""

    path: Path
    tables: dict[str, Any]
    lines: Mapping[KeyPath, int]
    origins: dict[str, str] = field(default_factory=dict)

    def where(self, path: KeyPath) -> str:
        """File and line of a key."""
        return f"{self.path}:{line_of(path, dict(self.lines))}"

    def note(self, path: KeyPath) -> None:
        """Remember where a setting was given."""
        self.origins[".".join(path)] = self.where(path)

    def unknown(self, path: KeyPath, valid: list[str]) -> SettingsError:
        """The error for a key that nobody reads."""
        near = difflib.get_close_matches(path[-1], valid, n=1, cutoff=0.5)
        hint = f"did you mean {near[0]}?" if near else f"known here: {', '.join(valid)}"
        return SettingsError(f"{self.where(path)}: no setting is called {'.'.join(path)}", remedy=hint)

    def table(self, path: KeyPath) -> dict[str, Any]:
        """The table at a path, empty where there is none."""
        found: Any = self.tables
        for key in path:
            found = found.get(key, {})
        if not isinstance(found, dict):
            raise SettingsError(
                f"{self.where(path)}: {'.'.join(path)} is a table, not a value",
                remedy=f"write [{'.'.join(path)}] on a line of its own and its settings below",
            )
        return found

    def text(self, path: KeyPath, value: object) -> str:
        """A text at a path."""
        if not isinstance(value, str) or not (value or path == ("machine_name",)):
            shown = "no text" if path == ("database",) else repr(value)  # it may hold a password
            raise SettingsError(
                f"{self.where(path)}: {'.'.join(path)} is {shown}", remedy="write a text in quotes"
            )
        self.note(path)
        return value


def load(
    *,
    database: str | None = None,
    settings_file: Path | None = None,
    environment: Mapping[str, str],
    default_file: Path | None = None,
) -> Settings:
    """Put the settings together: option before environment before file before default.

    Parameters
    ----------
    database, settings_file
        From options, None where not given.
    environment
        Variables of the process.
    default_file
        Where a settings file is looked for when none is named; None means the usual places.

    Raises
    ------
    SettingsError
        A named file that is not there, a syntax error, an unknown key, a wrong type or a value out of range.
    """
    path, named_by = settings_file, "--settings"
    if path is None and environment.get(SETTINGS_VARIABLE):
        path, named_by = Path(environment[SETTINGS_VARIABLE]), SETTINGS_VARIABLE
    if path is None:
        fallback = default_file or default_settings_file(environment)
        path = fallback if is_there(fallback) else None
    found = _read(path, named_by) if path else SettingsFile(Path(), {}, {})
    settings = _from_file(found, environment)
    settings = replace(settings, file=path)
    for value, origin in ((environment.get(DATABASE_VARIABLE), DATABASE_VARIABLE), (database, "--database")):
        if value:
            settings = replace(settings, database=value, origins={**settings.origins, "database": origin})
    return settings


def _read(path: Path, named_by: str) -> SettingsFile:
    try:
        text = read_text(path)
    except FileNotFoundError:
        raise SettingsError(
            f"there is no settings file {path}",
            remedy=f"correct {named_by}, or `heatdrift settings --example`",
        ) from None
    try:
        tables = parse_toml(text)
    except ValueError as error:
        line, complaint = syntax_complaint(error)
        place = f"{path}:{line or len(text.splitlines())}"
        raise SettingsError(f"{place}: this is not TOML: {complaint}", remedy="texts need quotes") from error
    return SettingsFile(path, tables, key_lines(text))


def _from_file(found: SettingsFile, environment: Mapping[str, str]) -> Settings:
    valid = [*TOP_KEYS, *SECTIONS, *SENSOR_TABLES]
    for key in found.tables:
        if key not in valid:
            raise found.unknown((key,), valid)
    top = {key: found.text((key,), found.tables[key]) for key in TOP_KEYS if key in found.tables}
    sections = {name: _section(found, name) for name in SECTIONS}
    overrides = _overrides(found)
    database, database_origin = default_database(environment)
    return Settings(
        database=top.get("database", database),
        machine_name=top.get("machine_name", ""),
        sections=sections,
        overrides=overrides,
        origins={"database": database_origin, **found.origins},
    )


def _section(found: SettingsFile, name: str) -> dict[str, Any]:
    known = {knob.key: knob for knob in knobs() if knob.section == name}
    effective: dict[str, Any] = {key: knob.default for key, knob in known.items()}
    for key, value in found.table((name,)).items():
        if key not in known:
            raise found.unknown((name, key), list(known))
        effective[key] = _checked(found, known[key], value)
        found.note((name, key))
    return effective


def _checked(found: SettingsFile, knob: Knob, value: object) -> object:
    where, wanted = found.where((knob.section, knob.key)), type(knob.default)
    if knob.is_secret:
        return _urls(where, knob, value)
    if type(value) is int and abs(value) > MOST_WHOLE:
        raise SettingsError(f"{where}: {knob.name} is no such large number", remedy="write a smaller one")
    if wanted is float and type(value) is int:
        value = float(value)
    if type(value) is not wanted:
        raise SettingsError(
            f"{where}: {knob.name} is {value!r}",
            remedy=f"write {KIND_WORDS[wanted]}, such as {toml(knob.default)}",
        )
    if knob.name in CLOCKS and not CLOCK.fullmatch(str(value)):
        raise SettingsError(f"{where}: {knob.name} is {value!r}", remedy='write a time such as "22:00"')
    limits = knob.limits
    # Written so that NaN, which compares false with everything, is refused too.
    if limits and isinstance(value, int | float) and not limits.lowest <= value <= limits.highest:
        raise SettingsError(
            f"{where}: {knob.name} = {value:g} is outside its range",
            remedy=f"write {limits.lowest:g} to {limits.highest:g}; the default is {toml(knob.default)}",
        )
    return value


def _urls(where: str, knob: Knob, value: object) -> tuple[str, ...]:
    """Addresses of channels; a complaint about one must not show it."""
    if not isinstance(value, list) or not all(isinstance(url, str) and "://" in url for url in value):
        raise SettingsError(f"{where}: {knob.name} is no list of addresses", remedy=URLS_REMEDY)
    if any(HIDDEN in url for url in value):
        raise SettingsError(
            f"{where}: {knob.name} holds an address as `heatdrift settings` shows it, without its secret",
            remedy="write the whole address",
        )
    return tuple(value)


def _overrides(found: SettingsFile) -> Overrides:
    sources: dict[str, dict[str, str]] = {}
    quantities = [*QUANTITY_INDEX, "limit_reasons"]
    for source in found.table(("sources",)):
        _need_name(found, ("sources", source))
        places = found.table(("sources", source))
        for quantity in places:
            if quantity not in quantities:
                raise found.unknown(("sources", source, quantity), quantities)
        sources[source] = {q: found.text(("sources", source, q), key) for q, key in places.items()}
    for probe in found.table(("probes",)):
        _need_name(found, ("probes", probe))
    probes = {probe: found.text(("probes", probe), key) for probe, key in found.table(("probes",)).items()}
    ignore = found.table(("ignore",))
    for key in ignore:
        if key not in IGNORE_KEYS:
            raise found.unknown(("ignore", key), list(IGNORE_KEYS))
    keys, disks = ignore.get("channels", []), ignore.get("disks", True)
    if not isinstance(keys, list):
        raise SettingsError(
            f"{found.where(('ignore', 'channels'))}: ignore.channels is {keys!r}",
            remedy='write a list of channel keys in quotes: ["..."]',
        )
    ignored = tuple(found.text(("ignore", "channels"), key) for key in keys)
    if not isinstance(disks, bool):
        raise SettingsError(
            f"{found.where(('ignore', 'disks'))}: ignore.disks is {disks!r}", remedy="write true or false"
        )
    if "disks" in ignore:
        found.note(("ignore", "disks"))
    return Overrides(sources=sources, probes=probes, ignored=ignored, read_disks=not disks)


def _need_name(found: SettingsFile, path: KeyPath) -> None:
    """Refuse what could be no heading of a table."""
    if not OWNER.fullmatch(path[-1]):
        raise SettingsError(
            f"{found.where(path)}: nothing can be called {path[-1]!r}",
            remedy="write small letters, digits and _, a letter first, such as gpu0",
        )


def outline(url: str) -> str:
    """What may be shown of a channel's address: its kind."""
    scheme = SCHEME.match(url)
    return (scheme[0] if scheme else "") + HIDDEN
