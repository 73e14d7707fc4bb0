"""Whose temperature a fan answers to, though at rest it seems to follow both."""

from __future__ import annotations

from dataclasses import replace

import pandas as pd

from heatdrift.reports.fan_owners import owners_of, strangers_fans
from heatdrift.reports.machine_frames import MachineFrames

from .simulated_sink import machine


def test_each_fan_has_the_source_that_it_answers_to() -> None:
    frames = machine(is_shared=False).frames
    assert owners_of(frames) == {"fan1": "cpu0", "fan2": "gpu0"}
    assert strangers_fans(frames, "cpu0", ()) == {"fan2"}
    assert strangers_fans(frames, "gpu0", ()) == {"fan1"}


def test_on_one_sink_nobodys_fan_is_a_stranger() -> None:
    frames = machine(is_shared=True).frames
    assert strangers_fans(frames, "cpu0", ("gpu0",)) == frozenset()


def test_a_fan_that_never_turns_another_way_is_nobodys() -> None:
    made = machine(is_shared=False)
    steady = pd.Series(900.0, made.cpu.index)
    stands = pd.Series(0.0, made.cpu.index)
    frames = replace(made.frames, fans={"fan1": steady, "fan2": stands})
    assert strangers_fans(frames, "cpu0", ()) == frozenset()


def test_with_one_source_there_is_nobody_else() -> None:
    made = machine(is_shared=False)
    alone = MachineFrames({"cpu0": made.cpu}, made.fans, {})
    assert "fan2" not in owners_of(alone)
    assert strangers_fans(alone, "cpu0", ()) == frozenset()
