"""The sensors on paper: of an invented machine through the real doors, and of channels made by hand."""

from __future__ import annotations

import json

import pytest
from click.testing import CliRunner

from heatdrift.cli.main import heatdrift
from heatdrift.cli.sensors_text import as_document, as_lines, reading_words, where_words
from heatdrift.daemon.discovery import Found
from heatdrift.daemon.layout import Lack, Layout, SourceLayout
from heatdrift.store.records import Channel, Missing


def channel(quantity: str, **more: str) -> Channel:
    return Channel(**({"key": "k", "quantity": quantity, "door": "hwmon"} | more))


LAYOUT = Layout(
    (),
    (SourceLayout("cpu0", "cpu", ()),),
    (),
    (
        Lack("no fan speed", "lint and a tired fan cannot be told apart " * 3, "load the driver"),
        Lack("no room temperature", "the airflow part is known less sharply"),
    ),
)
FOUND = [
    Found(channel("temperature_c", driver="coretemp", label="Package id 0"), "cpu0", 61_000, 12.4),
    Found(channel("power_w", door="powercap", label="package-0", method="energy"), "cpu0", 44_500, 22.0),
    Found(channel("limit_reasons", door="nvml"), "cpu0", 0x24, 3.0),
    Found(channel("temperature_c", label="x" * 60), "board", Missing.PERMISSION, 1234.0),
    Found(channel("temperature_c"), "", 30_000, 5.0),
]


def test_table_fits_and_says_what_is_missing_last() -> None:
    lines = list(as_lines(FOUND, LAYOUT))
    assert all(len(line) <= 80 for line in lines)
    assert lines[1].split() == [
        "cpu0",
        "temperature",
        *["hwmon", "coretemp", "Package", "id", "0", "61.0", "°C", "12", "µs"],
    ]
    assert "1 more channel found and not used" in " ".join(lines)
    missing = lines[lines.index("Missing, and what that costs the verdict") :]
    assert missing[2] == "  missing   no fan speed"
    assert "  remedy    load the driver" in missing


def test_nothing_missing_is_said_too() -> None:
    assert "Nothing is missing that a verdict needs." in list(as_lines(FOUND, Layout((), (), ())))


@pytest.mark.parametrize(
    ("sensor", "words"),
    [(FOUND[0], "61.0 °C"), (FOUND[2], "0x24"), (FOUND[3], "not permitted")],
    ids=["value", "mask", "missing"],
)
def test_reading_in_words(sensor: Found, words: str) -> None:
    assert reading_words(sensor) == words


def test_label_that_is_too_long_is_cut_and_says_so() -> None:
    assert where_words(FOUND[3].channel).endswith("..")
    assert where_words(FOUND[1].channel) == "powercap package-0 (energy)"


def test_document_has_units_and_reasons() -> None:
    first, _, mask, refused, spare = as_document(FOUND, LAYOUT)["channels"]
    assert (first["value"], first["missing"], first["read_us"]) == (61.0, None, 12.4)
    assert mask["value"] == 0x24
    assert (refused["value"], refused["missing"]) == (None, "permission")
    assert spare["owner"] is None


def test_invented_laptop_shows_what_a_verdict_needs() -> None:
    done = CliRunner().invoke(heatdrift, ["sensors", "--fake", "laptop", "--json"])
    assert done.exit_code == 0, done.stderr
    found = json.loads(done.stdout)
    had = {(c["owner"], c["quantity"]) for c in found["channels"] if c["value"] is not None}
    for source in ("cpu0", "gpu0"):
        assert {(source, "temperature_c"), (source, "power_w")} <= had
    assert any("room temperature" in lack["what"] for lack in found["lacks"])
