"""What each kind of entry risks, and what a layer of nickel costs: plain words for the owner."""

from __future__ import annotations

from dataclasses import dataclass

from ..store.journal_entry import EntryKind, JournalEntry

FIRST_OF_ALL = (
    "Power off, unplug, disconnect the battery, and let it cool. Local rules and a qualified technician come "
    "first. heatdrift only reads: it will not stop what overheats."
)

# Electroless nickel at about 22 um/h gives 15 um in 40 min (common practice, no source).
PLATING_UM_PER_H = 22.0
# Nickel with 1-13 % phosphorus conducts 4.2-6.7 W/(m K) by a maker's table; pure nickel about 91 W/(m K).
NICKEL_PHOSPHORUS_W_PER_M_K = (4.2, 6.7)


@dataclass(frozen=True, slots=True)
class Advice:
    """What a kind of work risks, and what to do afterwards so that its effect can be known."""

    risks: tuple[str, ...]
    afterwards: str


ADVICE: dict[EntryKind, Advice] = {
    EntryKind.COMPOUND: Advice(
        (
            "A sink tightened on one side first leaves a wedge, and can crack a bare die: "
            "cross-wise, in turns.",
            "Some compounds conduct a little or hold charge: none beside the die.",
        ),
        "The first days are a run-in: compound wets and spreads, and the interface part falls by itself.",
    ),
    EntryKind.LIQUID_METAL: Advice(
        (
            "It conducts: one drop beside the die shorts what it touches. Cover the parts around "
            "the die and dam "
            "the edge; a laptop that is carried shakes it out.",
            "It dissolves aluminium within hours and is drawn into bare copper over months; only "
            "nickel holds.",
            "It cannot be taken off without a trace: think of the warranty.",
        ),
        "On bare copper the interface part creeps up over weeks while the copper drinks; one "
        "renewal is common.",
    ),
    EntryKind.PADS: Advice(
        (
            "A pad too thick lifts the sink off the die, one too thin leaves memory or regulators "
            "bare: measure "
            "first, change one thickness at a time.",
            "Memory and regulators often have no sensor: what is not shown can still burn.",
        ),
        "Both parts get a new baseline: pads decide how hard the sink sits on the die.",
    ),
    EntryKind.HEATSINK_WORK: Advice(
        (
            "Flattening takes metal: a thin plate bends, and grinding through nickel or into a "
            "heat pipe cannot "
            "be undone.",
            "Metal dust conducts: none of it may come near the board.",
        ),
        "Enter what went between sink and die too, or its effect and this one cannot be told apart.",
    ),
    EntryKind.PLATING: Advice(
        (
            "Acids and nickel salts are poisonous and nickel sensitises the skin: gloves, goggles, "
            "fresh air, and "
            "the baths are hazardous waste.",
            "Heat pipes must not be heated above what their solder and filling bear.",
            "Nickel with phosphorus conducts about twenty times worse than pure nickel: no thicker "
            "than needed.",
        ),
        "Enter what went between sink and die too, or its effect and this one cannot be told apart.",
    ),
    EntryKind.CLEANING: Advice(
        (
            "Compressed air spins a fan faster than its bearing bears and makes it a generator: "
            "hold the blades.",
            "A vacuum cleaner's nozzle charges up: keep it off the board.",
        ),
        "The airflow part gets a new baseline; the interface part goes on.",
    ),
    EntryKind.FAN: Advice(
        (
            "Fans with the same plug differ in wiring and direction: a wrong one may run the wrong "
            "way or not at "
            "all, and few machines notice.",
            "Hold a load only after the speed was seen to rise with heat.",
        ),
        "The airflow part gets a new baseline; the law between speed and resistance is learned anew.",
    ),
    EntryKind.SHUNT: Advice(
        (
            "The machine draws more than it reports. Cables, connectors, inductors, transistors "
            "and the supply "
            "carry it, no sensor sees most of them, and they can catch fire.",
            "The power limit guards the reported power only: with a factor of 2 a limit of 150 W "
            "lets 300 W flow.",
            "Paint or solder on top of a shunt ages: the factor drifts, and with it everything in K/W.",
            "A wrong value, or a bridge beside it, can destroy the card when it is switched on.",
        ),
        "Hold it against a wall meter and enter a calibration; until then absolute figures are good to 10 %.",
    ),
    EntryKind.POWER_LIMIT: Advice(
        (
            "More power heats parts that no sensor sees, and asks more of the supply and its cables.",
            "A limit outside the maker's range can void the warranty.",
        ),
        "No new baseline: a resistance is degrees for each watt. Steps at the new power form "
        "classes of their own.",
    ),
    EntryKind.FIRMWARE: Advice(
        (
            "Power lost while it is written can leave the machine dead: on mains, with a full battery.",
            "It may change fan curves, limits and what the sensors say.",
        ),
        "No new baseline; a change of fans or readings on this day will be laid at its door.",
    ),
    EntryKind.DRIVER: Advice(
        ("It may change fan curves, limits and what the sensors say, the power above all.",),
        "No new baseline; a change of readings on this day will be laid at its door.",
    ),
    EntryKind.POSITION: Advice(
        ("A bed or a lap closes the inlets, and the surface can burn the skin under it.",),
        "The airflow part gets a new baseline; the interface part goes on.",
    ),
    EntryKind.CALIBRATION: Advice(
        (
            "A plug-in meter of the ordinary kind only: no open mains, no clamp around a bare conductor.",
            "Charge the battery fully first and keep screen and fans as they are, or their power "
            "is counted too.",
        ),
        "It holds for the whole stretch between two changes of the power reading, also for the "
        "days before it.",
    ),
    EntryKind.OTHER: Advice(
        ("What was opened can have moved a cable, a pad or a fan plug: look once more before closing it.",),
        "No new baseline: if it touched the cooling, enter it under its own kind.",
    ),
}


def plating_thickness_um(time_min: float, rate_um_per_h: float = PLATING_UM_PER_H) -> float:
    """Thickness of an electroless layer [um] after a time in the bath."""
    return rate_um_per_h * time_min / 60.0


def layer_um(entry: JournalEntry) -> float | None:
    """Thickness of the layer that an entry tells of [um]: as measured, else from its time in the bath."""
    if "plating_um" in entry.numbers or "plating_min" not in entry.numbers:
        return entry.numbers.get("plating_um")
    rate_um_per_h = entry.numbers.get("plating_um_per_h", PLATING_UM_PER_H)
    return plating_thickness_um(entry.numbers["plating_min"], rate_um_per_h)


def layer_mm2_k_per_w(thickness_um: float) -> tuple[float, float]:
    """What a layer of nickel with phosphorus adds, least and most [mm2 K/W]: thickness over conductivity."""
    worst, best = NICKEL_PHOSPHORUS_W_PER_M_K
    return thickness_um / best, thickness_um / worst
