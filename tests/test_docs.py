"""What the README promises exists: every command it names, and its two commands for a bare machine."""

from __future__ import annotations

import re
from pathlib import Path

import click
import pytest
from click.testing import CliRunner

from heatdrift.cli.main import heatdrift as cli

ROOT = Path(__file__).resolve().parents[1]
README = (ROOT / "README.md").read_text(encoding="utf-8")
PAGES = [README, (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8")]
NAMED = sorted(
    {name for page in PAGES for name in re.findall(r"heatdrift ([a-z]+)\b(?= |`|\n)", page)} - {"is"}
)
COMMANDS = cli.list_commands(click.Context(cli))


def test_every_command_has_its_line_in_the_readme() -> None:
    for command in COMMANDS:
        assert f"| `heatdrift {command}` |" in README


@pytest.mark.parametrize("command", [name for name in NAMED if name in COMMANDS])
def test_every_command_named_gives_help_with_an_example(command: str) -> None:
    result = CliRunner().invoke(cli, [command, "--help"])
    assert result.exit_code == 0
    assert "Example:" in result.output


def test_only_real_commands_are_named_as_commands() -> None:
    for page in PAGES:
        for name in re.findall(r"`(?:sudo )?(?:\.venv/bin/)?heatdrift ([a-z]+)", page):
            assert name in COMMANDS, name


def test_options_in_the_readme_exist() -> None:
    for line in re.findall(
        r"^(?:sudo )?\S*heatdrift (run .*|service .*|sensors.*|status.*)$", README, re.MULTILINE
    ):
        words = line.split("#")[0].split()
        result = CliRunner().invoke(cli, [words[0], "--help"])
        for option in (word for word in words if word.startswith("--")):
            assert option in result.output


def test_ci_takes_its_command_from_the_readme() -> None:
    block = README.split("<!-- tests -->")[1].split("<!-- end tests -->")[0]
    assert "tests/check.sh" in block
    assert "<!-- tests -->" in (ROOT / ".ci" / "run").read_text(encoding="utf-8")
