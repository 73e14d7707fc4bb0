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
    assert re.search(r"^  Examples?:$", result.output, re.MULTILINE)


def test_only_real_commands_are_named_as_commands() -> None:
    for page in PAGES:
        for name in re.findall(r"`(?:sudo )?(?:\.venv/bin/)?heatdrift ([a-z]+)", page):
            assert name in COMMANDS, name


def test_options_in_the_docs_exist() -> None:
    lines = [
        line for page in PAGES for line in re.findall(r"heatdrift ((?:[a-z]+) [^`\n|]*--[^`\n|]*)", page)
    ]
    assert lines
    for line in lines:
        words = re.split(r"#|&&", line)[0].split()
        command: click.Command | None = cli
        context = click.Context(cli)
        for word in words:
            if not isinstance(command, click.Group):
                break
            command = command.get_command(context, word)
        assert command is not None, line
        known = {option for one in command.params for option in (*one.opts, *one.secondary_opts)}
        assert {word for word in words if word.startswith("--")} <= known | {"--help"}, line


def test_every_command_is_run_by_a_test() -> None:
    texts = [path.read_text(encoding="utf-8") for path in (ROOT / "tests").rglob("*.py")]
    for command in COMMANDS:
        assert any(re.search(rf"""[(\[,]\s*["']{command}["']""", text) for text in texts), command


def test_ci_takes_its_command_from_the_readme() -> None:
    block = README.split("<!-- tests -->")[1].split("<!-- end tests -->")[0]
    assert "tests/check.sh" in block
    assert "<!-- tests -->" in (ROOT / ".ci" / "run").read_text(encoding="utf-8")
