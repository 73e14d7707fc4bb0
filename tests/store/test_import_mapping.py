"""Mapping files: what they may say, and how a wrong one is refused."""

from __future__ import annotations

from pathlib import Path

import pytest

from heatdrift.store.errors import SettingsError
from heatdrift.store.import_mapping import ImportMapping, load_mapping, parse_mapping
from heatdrift.store.import_targets import Target, nearest, sort_owners

COLUMNS = '[columns]\n"GPU" = "gpu0.temperature_c"\n'


def test_a_whole_mapping() -> None:
    mapping = parse_mapping(
        '[columns]\n"A °F" = {to = "gpu0.temperature_c", unit = "f"}\n'
        '"B" = {to = "gpu0.power_w", scale = 0.001, offset = -2, method = "average"}\n'
        '"C" = "fan1.speed_rpm"\n'
        '[time]\ncolumns = ["Date", "Time"]\nformat = "%d.%m.%Y %H:%M"\nzone = "Europe/Berlin"\n'
        '[file]\ndelimiter = ";"\ndecimal = ","\nencoding = "cp1252"\nmissing = ["-"]\nskip_lines = 2\n',
        "m.toml",
    )
    assert mapping == ImportMapping(
        columns={
            "A °F": Target("gpu0", "temperature_c", 5 / 9, -160 / 9),
            "B": Target("gpu0", "power_w", 0.001, -2.0, "average"),
            "C": Target("fan1", "speed_rpm"),
        },
        time_columns=("Date", "Time"),
        time_format="%d.%m.%Y %H:%M",
        zone="Europe/Berlin",
        delimiter=";",
        decimal=",",
        encoding="cp1252",
        missing=("-",),
        skip_lines=2,
        is_exchange=False,
    )


@pytest.mark.parametrize(
    ("target", "unit", "theirs", "ours"),
    [
        ("gpu0.temperature_c", "f", 212.0, 100.0),
        ("gpu0.temperature_c", "f", 32.0, 0.0),
        ("gpu0.temperature_c", "k", 373.15, 100.0),
        ("gpu0.power_w", "mw", 250_000.0, 250.0),
        ("gpu0.clock_mhz", "ghz", 1.98, 1980.0),
        ("gpu0.utilization_pct", "ratio", 0.5, 50.0),
        ("fan1.speed_rpm", "hz", 20.0, 1200.0),
    ],
)
def test_units(target: str, unit: str, theirs: float, ours: float) -> None:
    found = parse_mapping(f'[columns]\nx = {{to = "{target}", unit = "{unit}"}}\n', "m").columns["x"]
    # Two roundings of a double, far below the thousandth that is stored.
    assert found.scale * theirs + found.offset == pytest.approx(ours, abs=1e-9)


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("[columns\n", "is not TOML"),
        ("[column]\n", "did you mean columns"),
        ("columns = 3\n", r"write a table \[columns\]"),
        ('[columns]\nx = "gpu0.powr_w"\n', r"did you mean gpu0\.power_w"),
        ('[columns]\nx = "GPU.power_w"\n', r"did you mean gpu\.power_w"),
        ("[columns]\nx = 3\n", "column 'x' is 3"),
        ('[columns]\nx = {to = "gpu0.power_w", scal = 1}\n', "did you mean scale"),
        ('[columns]\nx = {to = "gpu0.power_w", scale = 0}\n', "scale 0"),
        ('[columns]\nx = {to = "gpu0.power_w", scale = nan}\n', "scale nan"),
        ('[columns]\nx = {to = "gpu0.power_w", scale = true}\n', "scale True"),
        ('[columns]\nx = {to = "gpu0.power_w", unit = "f"}\n', "unit 'f': write one of w, mw"),
        ('[columns]\nx = {to = "gpu0.power_w", unit = "w", scale = 2}\n', "both a unit and a scale"),
        ('[columns]\nx = {to = "gpu0.power_w", method = "guess"}\n', "write one of energy, average"),
        ('[columns]\nx = "gpu0.power_w"\ny = "gpu0.power_w"\n', "'x' and 'y' both go to gpu0.power_w"),
        (COLUMNS + '[time]\nzone = "Berlin"\n', "zone 'Berlin'"),
        (COLUMNS + '[time]\nzone = "../etc/passwd"\n', "zone"),
        (COLUMNS + "[time]\nzone = 2\n", "zone is 2"),
        (COLUMNS + '[time]\nformat = "iso"\n', "format 'iso'"),
        (COLUMNS + '[time]\ncolumn = "a"\ncolumns = ["b"]\n', "both column and columns"),
        (COLUMNS + "[time]\ncolumns = []\n", "names no column"),
        (COLUMNS + '[file]\ndelimiter = ", "\n', "delimiter"),
        (COLUMNS + '[file]\ndecimal = "·"\n', "decimal"),
        (COLUMNS + '[file]\ndelimiter = ","\ndecimal = ","\n', "delimiter and decimal"),
        (COLUMNS + '[file]\nencoding = "klingon"\n', "encoding"),
        (COLUMNS + '[file]\nencoding = "zlib"\n', "encoding"),  # packs bytes, and reads none as text
        (COLUMNS + '[file]\nencoding = "a\\u0000"\n', "encoding"),
        (COLUMNS + '[file]\nencoding = "unicode_escape"\n', "encoding"),
        (COLUMNS + '[time]\nformat = "%Q"\n', "no pattern"),
        (COLUMNS + '[time]\nformat = "%d %d"\n', "no pattern"),
        (COLUMNS + "[file]\nskip_lines = 9223372036854775807\n", "skip_lines"),
        (COLUMNS + f"[file]\nskip_lines = {'9' * 5000}\n", "is not TOML"),
        (f"columns = {'[' * 5000}", "nests too deep"),
        (COLUMNS + "[file]\nskip_lines = -1\n", "skip_lines"),
        (COLUMNS + '[file]\nskip_lines = "2"\n', "skip_lines"),
        (COLUMNS + "[file]\nmissing = [3]\n", "missing"),
        (COLUMNS + "[file]\nmissing = 3\n", "missing"),
    ],
)
def test_wrong_mappings_are_refused(text: str, words: str) -> None:
    with pytest.raises(SettingsError, match=words):
        parse_mapping(text, "m.toml")


def test_a_file_that_cannot_be_read(tmp_path: Path) -> None:
    (tmp_path / "latin.toml").write_bytes(b"# \xb0C\n")
    for path in (tmp_path / "none.toml", tmp_path, tmp_path / "latin.toml"):
        with pytest.raises(SettingsError, match="cannot be read"):
            load_mapping(path)


@pytest.mark.parametrize(
    ("name", "near"),
    [
        ("gpu0.temprature_c", "gpu0.temperature_c"),
        ("GPU0.Power_W", "gpu0.power_w"),
        ("gpu 0.clock_mhz", "gpu0.clock_mhz"),
        ("timestamp", "time"),
        ("zzz", None),
    ],
)
def test_the_nearest_name(name: str, near: str | None) -> None:
    assert nearest(name) == near


def test_sources_and_probes_are_told_apart() -> None:
    targets = [
        Target("gpu0", "temperature_c"), Target("pump", "speed_rpm"), Target("soc", "power_w"),
        Target("soc", "temperature_c"), Target("board", "temperature_c"), Target("cpu7", "temperature_c"),
        Target("hub", "temperature_c"),
    ]  # fmt: skip
    owners = sort_owners(targets, {"hub": "chipset"}, {"cpu7"})
    assert owners.kinds == {"gpu0": "gpu", "soc": "soc", "hub": "chipset"}
    assert owners.quantity_of(targets[0]).lowest == 1.0  # a die is not at 0 °C
    assert owners.quantity_of(targets[4]).lowest == -30.0  # a probe may stand outdoors


def test_a_name_cannot_change_sides() -> None:
    with pytest.raises(SettingsError, match="ambient is a probe"):
        sort_owners([Target("ambient", "power_w")], {}, {"ambient"})
    with pytest.raises(SettingsError, match="gpu0 is a source and cannot have speed_rpm"):
        sort_owners([Target("gpu0", "speed_rpm")], {"gpu0": "gpu"}, set())
    with pytest.raises(SettingsError, match="word of the record itself"):
        sort_owners([Target("probes", "power_w")], {}, set())
