"""What every report says of itself: how it knows, what it cannot know, and what is dangerous."""

from __future__ import annotations

from ...store.journal_entry import EntryKind
from ..advice import BEFORE_OPENING, SHUNT_CHANGED, risks_of
from ..message_words import READS_ONLY

STATES = (
    ("holding", "nothing has changed that could be told from chance"),
    ("watch", "something has changed; nothing presses"),
    ("act", "the path itself has become worse by 15 % or more, or a fan gives up"),
    ("not judged yet", "too few days under load"),
)
PARTS_ON_TOP = (
    "Interface part: what the joint between chip and heatsink resists. Airflow part: the rest of the way, "
    "from the heatsink to the air. Both are thermal resistances: up is worse, hotter at the same power. A "
    "kelvin (K) is a difference of one °C; the baseline is what the first ten to fourteen days showed."
)
METHOD = (
    "A heat path is taken apart by time. In the first seconds after a step of power the die answers "
    "through the joint with its heatsink: kelvin for each watt of that answer are the interface part. It "
    "is a difference, so the room has no part in it. What the settled temperature adds to that is the "
    "airflow part: heatsink, fins, fan and air.",
    "Only like is compared with like: steps and stretches of the same power, the same busy memory, the "
    "same fan. Each day is held against the same kind of work in the baseline, the first ten to fourteen "
    "days after the last work on the path.",
    "A change is told only when the evidence of several days weighs more than chance would bring about "
    "once in many machine-years. Then each cause is asked what marks it would leave: a joint moves the "
    "interface part alone, lint the airflow part alone, a wrong power reading both by one factor, a wrong "
    "thermometer idle and load by the same kelvin, a tired fan its speed at the same heat.",
    "A 95 % interval is meant to hold the truth nineteen times in twenty, an outlook's four times in five.",
)
LIMITS = (
    "Resistances are psi-like in the sense of JESD51-12: all power over one sensor, not theta-JC. They "
    "are good for comparing a machine with itself, not with another.",
    "K/W are as good as the power reading. Until a calibration is in the journal they are as reported; a "
    "shunt known by its marking alone leaves 10 %.",
    "What has no sensor is not seen: memory, regulators, cables and connectors can overheat unnoticed.",
    "A cause is a likelihood among those that were looked at, not a proof. Two things that changed on one "
    "day can look like a third.",
    "The outlook carries on what was; another room, another game or a cleaning ends it.",
)
METAL, SHUNT = risks_of(EntryKind.LIQUID_METAL), risks_of(EntryKind.SHUNT)
CAUTIONS = (
    *BEFORE_OPENING,
    METAL[0],
    METAL[1],
    f"With a smaller shunt t{SHUNT[0].removeprefix('T')}",
    SHUNT_CHANGED,
)
FOOTER = READS_ONLY
