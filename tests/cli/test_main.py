"""The command itself: help, errors, exit status, and what it loads."""

from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path

import click
import pytest
from click.testing import CliRunner

from heatdrift import __version__
from heatdrift.cli.main import SUBCOMMANDS, heatdrift, place_font_cache
from heatdrift.cli.service import command as service_group

HEAVY = ("rich", "pandas", "numpy", "pyarrow", "alembic", "pynvml")
EVERY_COMMAND = [[name] for name in SUBCOMMANDS] + [["service", name] for name in service_group.commands]


def in_a_shell(*arguments: str, home: Path) -> subprocess.CompletedProcess[str]:
    keep = {key: value for key, value in os.environ.items() if not key.startswith(("HEATDRIFT", "XDG"))}
    return subprocess.run(
        [sys.executable, "-m", "heatdrift", *arguments],
        capture_output=True,
        text=True,
        check=False,
        env={**keep, "HOME": str(home)},
    )


@pytest.mark.parametrize("path", EVERY_COMMAND, ids=" ".join)
def test_each_command_s_help_has_one_example_and_fits(path: list[str]) -> None:
    shown = CliRunner().invoke(heatdrift, [*path, "--help"], prog_name="heatdrift", terminal_width=80)
    assert shown.exit_code == 0
    assert shown.output.count("Example:") == 1
    example = shown.output.split("Example:")[1].strip().splitlines()[0]
    assert "heatdrift" in example
    assert path[-1] in example
    assert all(len(line) <= 80 for line in shown.output.splitlines())


@pytest.mark.parametrize("name", SUBCOMMANDS)
def test_each_command_has_its_line_in_the_list(name: str) -> None:
    shown = CliRunner().invoke(heatdrift, ["--help"], terminal_width=80)
    assert all(len(line) <= 80 for line in shown.output.splitlines())
    assert any(line.split()[:1] == [name] for line in shown.output.splitlines())


@pytest.mark.parametrize("path", EVERY_COMMAND, ids=" ".join)
def test_example_in_help_can_be_parsed(path: list[str]) -> None:
    """An example that our own parser refuses would be worse than none."""
    command: click.Command = heatdrift
    for name in path:
        assert isinstance(command, click.Group)
        found = command.get_command(click.Context(command), name)
        assert found is not None
        command = found
    line = next(line for line in (command.epilog or "").splitlines() if "heatdrift" in line)
    words = line.split("|")[0].split(">")[0].split(f" {path[-1]}", 1)[1].split()
    if isinstance(command, click.Group):
        assert words[0] in command.commands
    else:
        command.make_parser(click.Context(command)).parse_args(words)


def test_version() -> None:
    assert CliRunner().invoke(heatdrift, ["--version"]).output == f"heatdrift {__version__}\n"


def test_unknown_command_is_one_line_and_status_2(tmp_path: Path) -> None:
    done = in_a_shell("rune", home=tmp_path)
    assert done.returncode == 2
    assert done.stdout == ""
    assert len(done.stderr.splitlines()) == 1
    assert done.stderr.startswith("heatdrift: No such command 'rune'")


def test_output_that_nobody_reads_is_no_error(tmp_path: Path) -> None:
    command = f"{sys.executable} -m heatdrift settings --example | true"
    done = subprocess.run(
        ["/bin/sh", "-c", command], capture_output=True, text=True, check=True, env={"HOME": str(tmp_path)}
    )
    assert done.stderr == ""


def test_the_way_to_recording_loads_no_heavy_library() -> None:
    code = f"import sys, heatdrift.cli.run; print([m for m in {HEAVY!r} if m in sys.modules])"
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stdout.strip() == "[]"


def test_recording_goes_without_tls_and_leaves_it_to_others() -> None:
    code = (
        "import sys, click\n"
        "from heatdrift.cli.main import heatdrift\n"
        "heatdrift.get_command(click.Context(heatdrift), 'run')\n"
        "print('asyncio' in sys.modules, '_ssl' in sys.modules)\n"
        "import ssl\n"
        "print(ssl.SSLContext.__name__)"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stdout.split() == ["True", "False", "SSLContext"]


def test_fonts_are_listed_where_the_service_may_write() -> None:
    own = {"STATE_DIRECTORY": "/var/lib/heatdrift:/var/lib/other"}
    place_font_cache(own)
    assert own["MPLCONFIGDIR"] == "/var/lib/heatdrift/matplotlib"
    chosen = {**own, "MPLCONFIGDIR": "/elsewhere"}
    place_font_cache(chosen)
    assert chosen["MPLCONFIGDIR"] == "/elsewhere"
    nobody: dict[str, str] = {}
    place_font_cache(nobody)
    assert nobody == {}
