"""``heatdrift settings``: what is in force and where each came from."""

from __future__ import annotations

import click

from .example import example_file
from .options import json_option, settings_options
from .settings import Settings
from .speech import say, say_json
from .toml_values import toml

WIDTH = 80
EPILOG = """\b
Example:
  heatdrift settings --example > ~/.config/heatdrift/settings.toml
"""


@click.command("settings", epilog=EPILOG)
@click.option("--example", is_flag=True, help="Print a settings file to start from.")
@json_option
@settings_options
def command(settings: Settings, example: bool, as_json: bool) -> None:
    """Show the settings in force and where each came from.

    What is printed can be saved as a settings file. An option goes before the environment
    (HEATDRIFT_DATABASE, HEATDRIFT_SETTINGS), the environment before the file, the file before the default.
    """
    if example:
        say(example_file(), nl=False)
    elif as_json:
        say_json(
            {
                "file": str(settings.file) if settings.file else None,
                "settings": {
                    name: {"value": value, "from": settings.origins.get(name, "default")}
                    for name, value in settings.values().items()
                },
            }
        )
    else:
        say(effective_text(settings), nl=False)


def effective_text(settings: Settings) -> str:
    """The settings as TOML, each with a comment that says where it came from."""
    lines = [f"# settings file: {settings.file or 'none'}"]
    section = ""
    for name, value in settings.values().items():
        table, _, key = name.rpartition(".")
        if table != section:
            lines += ["", f"[{table}]"]
            section = table
        assignment = f"{key} = {toml(value)}"
        origin = f"# {settings.origins.get(name, 'default')}"
        if len(assignment) <= 34 and 36 + len(origin) <= WIDTH:
            lines.append(f"{assignment:<34}  {origin}")
        else:
            lines += [origin, assignment]
    return "\n".join(lines) + "\n"
