"""The settings file to start from: every setting with its default, its limits and what it is for."""

from __future__ import annotations

from .knobs import SECTIONS, knobs
from .toml_values import toml

HEAD = """\
# Settings of heatdrift. Each line that starts with "#" shows the default:
# take the "#" away to change it. `heatdrift settings` shows what is in force.

# Where the record is kept: a file, or postgresql://user@host/name
#database = "/path/to/record.sqlite"

# Name of this machine in the record; empty means its host name.
#machine_name = ""
"""

TAIL = """
# Which sensor is read for what, where the proposal of `heatdrift sensors` is
# wrong. The keys in quotes are printed by `heatdrift sensors --json`.
#[sources.cpu0]
#temperature_c = "..."

#[probes]
#ambient = "..."

[ignore]
# Channels that are never read.
#channels = []

# Disks are left alone unless this is false: reading one can keep it from
# resting.
#disks = true
"""


def example_file() -> str:
    """A commented settings file that changes nothing until a line is uncommented."""
    lines = [HEAD]
    for section in SECTIONS:
        lines.append(f"[{section}]")
        for knob in knobs():
            if knob.section != section:
                continue
            limits = knob.limits
            reach = f"; {limits.lowest:.7g} to {limits.highest:.7g}" if limits else ""
            lines.append(f"# {knob.meaning}{reach}")
            lines += [f"#{knob.key} = {toml(knob.default)}", ""]
    return "\n".join(lines).rstrip("\n") + "\n" + TAIL
