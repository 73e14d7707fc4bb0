"""What a new search found, joined with what was known."""

from __future__ import annotations

from dataclasses import replace

from heatdrift.daemon.layout import Layout, Place, ProbeLayout, SourceLayout
from heatdrift.daemon.registration import same_sensors
from heatdrift.daemon.rejoin import close_left_out, joined
from heatdrift.store.units import POWER, SOURCE_QUANTITIES, TEMPERATURE

from .conftest import HandMadeComputer, HandMadeGroup


def card_alone(group: HandMadeGroup, name: str = "gpu0") -> Layout:
    places: list[Place | None] = [None] * len(SOURCE_QUANTITIES)
    places[TEMPERATURE], places[POWER] = Place(0, 0), Place(0, 1)
    return Layout((group,), (SourceLayout(name, "gpu", tuple(places)),), ())


def keys(layout: Layout) -> dict[str, list[str | None]]:
    return {
        source.name: [layout.channel(place).key if place else None for place in source.places]
        for source in layout.sources
    }


def test_what_is_found_again_leaves_nothing_of_the_old(computer: HandMadeComputer) -> None:
    known, found = computer.layout(), HandMadeComputer().layout()
    layout = joined(found, known)
    assert layout.groups == found.groups
    assert same_sensors(layout, known)
    close_left_out(known, layout)
    assert [group.is_closed for group in computer.groups] == [True, True]


def test_source_and_probe_that_are_gone_stay_beside_a_new_source(computer: HandMadeComputer) -> None:
    known = computer.layout()
    new = HandMadeGroup("new")
    layout = joined(card_alone(new, "gpu1"), known)
    assert layout.groups == (new, computer.card, computer.case)
    assert keys(layout)["gpu0"][:4] == ["card:temperature_c", None, None, "card:power_w"]
    assert keys(layout)["gpu1"][:4] == ["new:temperature_c", None, None, "new:power_w"]
    assert layout.probes == (ProbeLayout("ambient", "temperature_c", Place(2, 0)),)
    close_left_out(known, layout)
    assert not computer.card.is_closed
    assert same_sensors(joined(card_alone(HandMadeGroup("new"), "gpu1"), layout), layout)


def test_quantity_that_is_gone_stays_in_its_source(computer: HandMadeComputer) -> None:
    known = computer.layout()
    found = card_alone(HandMadeGroup("card"))
    (source,) = found.sources
    places = list(source.places)
    places[POWER] = None
    found = replace(found, sources=(replace(source, places=tuple(places)),))
    layout = joined(found, known)
    (source,) = layout.sources
    assert source.places[TEMPERATURE] == Place(0, 0)
    assert source.places[POWER] == Place(1, 1)
    assert layout.groups[1] is computer.card


def test_other_device_under_the_same_name_takes_its_place(computer: HandMadeComputer) -> None:
    layout = joined(card_alone(HandMadeGroup("other")), computer.layout())
    assert keys(layout)["gpu0"][:4] == ["other:temperature_c", None, None, "other:power_w"]
    assert computer.card not in layout.groups
