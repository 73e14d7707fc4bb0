"""The first screen: what each finding is typical of, both parts named, how far the limit, how sure."""

from __future__ import annotations

from dataclasses import replace
from types import SimpleNamespace
from typing import Any

import pytest

from heatdrift.reports.baseline import Change
from heatdrift.reports.cause import Blame, Cause
from heatdrift.reports.hot_spell import HOT_SPELL
from heatdrift.reports.outlook import ENDS, TOO_WIDE, Outlook
from heatdrift.reports.pages.first_lines import NOT_JUDGED, FirstLines, first_lines
from heatdrift.reports.reference_conditions import ReferenceConditions
from heatdrift.reports.verdict import Verdict

from ..made_verdicts import verdict as made_verdict

ONSET = "2026-03-03T12:00:00Z"
ROOM = ReferenceConditions()


def verdict(
    cause: Cause,
    leading: str,
    shape: str = "step",
    pct: float = 12.0,
    *,
    blame: Blame | None = None,
    state: str = "watch",
    counts_fan: bool = True,
) -> Verdict:
    one = made_verdict("gpu0", cause, leading, onset=ONSET, pct=pct, blame=blame)
    model: Any = SimpleNamespace(shared_with=(), fan="", reference=None)
    part = one.leading
    assert part is not None and part.detection is not None
    found: Any = part.detection
    part = replace(part, detection=replace(found, shape=shape))
    parts: dict[str, Any] = {leading: part, "leading": part}
    if not counts_fan:
        parts["fan"] = replace(
            one.fan, detection=None, reason="a speed that was only asked for proves nothing"
        )
    return replace(one, model=model, state=state, **parts)


def lines(one: Verdict, outlook: Outlook | None = None, kinds: tuple[str, ...] = ()) -> FirstLines:
    return first_lines(one, outlook, ROOM, kinds)


def blamed(best: str, misfits: dict[str, float], cause: Cause, excluded: tuple[str, ...] = ()) -> Blame:
    return Blame(cause, 0.97, misfits, excluded, misfits[best], 400.0)


@pytest.mark.parametrize(
    ("cause", "leading", "shape", "kinds", "typical"),
    [
        (Cause.INTERFACE, "interface", "creep", (), "compound pumping out or drying"),
        (Cause.INTERFACE, "interface", "step", (), "a heatsink that was moved or knocked"),
        (Cause.INTERFACE, "interface", "undecided", (), "compound that gives way"),
        (Cause.INTERFACE, "interface", "creep", ("liquid_metal",), "liquid metal creeping away"),
        (Cause.INTERFACE, "interface", "step", ("liquid_metal",), "liquid metal that has run"),
        (Cause.AIRFLOW, "airflow", "creep", (), "fins clogging with lint"),
        (Cause.AIRFLOW, "airflow", "step", (), "blocked vents or another place"),
        (Cause.AIRFLOW, "airflow", "undecided", (), "fins clogging with lint"),
        (Cause.FAN, "fan", "creep", (), "a fan that wears"),
        (Cause.FAN, "fan", "step", (), "a worn fan"),
        (Cause.FAN, "fan", "undecided", (), "a worn fan"),
    ],
)
def test_every_cause_says_what_it_is_typical_of(
    cause: Cause, leading: str, shape: str, kinds: tuple[str, ...], typical: str
) -> None:
    said = lines(verdict(cause, leading, shape), kinds=kinds)
    assert said.sentence.startswith("gpu0: ")
    assert f"Typical of {typical}" in said.sentence
    assert "interface part" in said.found
    assert "airflow part" in said.found
    assert "since 3 March" in said.found
    assert said.what_to_do
    assert said.in_short not in ("", "Nothing.")


def test_the_sentence_as_it_is_read() -> None:
    outlook = Outlook(87.0, 25.0, 115.0, 81.2, 74.0, (50.0, 120.0))
    said = lines(verdict(Cause.INTERFACE, "interface", "creep"), outlook)
    assert said.sentence == (
        "gpu0: interface part up 12 % (11 to 13) since 3 March 2026, creeping; airflow part unchanged "
        "(within 1 %). Typical of compound pumping out or drying. About 74 days (50 to 120) to its limit of "
        "87 °C at 115 W in a 25 °C room."
    )
    assert said.state_word == "watch"


def test_readings_that_changed_leave_the_path_and_its_limit_alone() -> None:
    scale = blamed("power scale", {"power scale": 3.0, "temperature offset": 90.0}, Cause.TELEMETRY)
    outlook = Outlook(87.0, 25.0, 115.0, 81.2, None, None, "nothing creeps")
    said = lines(verdict(Cause.TELEMETRY, "interface", blame=scale), outlook)
    assert "a power reading that changed, not of the path" in said.typical
    assert "a power reading with another scale: very likely, 97 %" in said.how_sure
    assert said.ahead == ""
    offset = blamed("temperature offset", {"power scale": 90.0, "temperature offset": 3.0}, Cause.TELEMETRY)
    said = lines(verdict(Cause.TELEMETRY, "airflow", blame=offset))
    assert "a thermometer that changed, not of the path" in said.typical
    assert "a thermometer that is off: very likely, 97 %" in said.how_sure


def test_what_another_source_decided_has_no_probability_of_its_own() -> None:
    """Alone it looked like a thermometer; its probability is not that of the air."""
    alone = blamed("temperature offset", {"temperature offset": 0.6, "airflow part": 14.4}, Cause.TELEMETRY)
    remark = "the air of cpu0 changed alike on the same day"
    said = lines(replace(verdict(Cause.AIRFLOW, "airflow", blame=alone), remark=remark))
    assert "Typical of blocked vents" in said.typical
    assert "The air of cpu0 changed alike on the same day." in said.how_sure
    assert "thermometer" not in said.how_sure
    assert "97 %" not in said.how_sure
    own = blamed("airflow part", {"temperature offset": 14.4, "airflow part": 0.6}, Cause.AIRFLOW)
    said = lines(verdict(Cause.AIRFLOW, "airflow", blame=own))
    assert "the way from the heatsink to the air: very likely, 97 %" in said.how_sure


def test_unknown_names_the_suspects_and_what_would_settle_it() -> None:
    left = {"interface part": 5.0, "power scale": 3.0, "fan": 40.0}
    open_ = blamed("power scale", left, Cause.UNKNOWN, ("fan: the readings would be 1000 times less likely",))
    said = lines(verdict(Cause.UNKNOWN, "interface", blame=open_))
    assert (
        "a power reading with another scale or the joint between die and heatsink would explain it"
        in said.typical
    )
    assert said.would_settle
    assert "not sure" in said.how_sure
    assert said.what_to_do[0].startswith("Do not open the machine")
    nobody = lines(verdict(Cause.UNKNOWN, "interface", blame=replace(open_, excluded=tuple(left))))
    assert "no single one explains all" in nobody.typical


def test_better_is_no_alarm() -> None:
    said = lines(verdict(Cause.INTERFACE, "interface", pct=-12.0))
    assert "interface part down 12 % (11 to 13)" in said.found
    assert "better than it was" in said.typical
    assert said.what_to_do[0].startswith("Nothing needs to be done")


def test_liquid_metal_that_moved_comes_before_all() -> None:
    said = lines(verdict(Cause.INTERFACE, "interface", state="act"), kinds=("liquid_metal",))
    assert said.in_short == "Shut down, unplug, inspect."
    assert said.what_to_do[0].startswith("The liquid metal may have moved. Shut the machine down")


def test_without_a_counted_speed_a_tired_fan_is_not_ruled_out() -> None:
    said = lines(verdict(Cause.AIRFLOW, "airflow", "creep", counts_fan=False))
    assert "a tired fan would look the same" in said.typical
    assert said.missing == (("fan speed at the same heat", "a speed that was only asked for proves nothing"),)
    assert "tired fan" not in lines(verdict(Cause.AIRFLOW, "airflow", "creep")).typical


def holding() -> Verdict:
    one = verdict(Cause.NONE, "idle", pct=0.0)
    return replace(one, leading=None, state="holding", idle=replace(one.idle, detection=None))


def test_holding_names_both_parts_with_what_they_are_good_to() -> None:
    said = lines(holding(), Outlook(87.0, 25.0, 115.0, 61.0, None, None, "nothing creeps"))
    assert said.sentence == (
        "gpu0: both parts unchanged, interface part within 1 % and airflow part within 1 %. At 115 W in a "
        "25 °C room it stands at 61 °C, 26 K below its limit of 87 °C."
    )
    assert said.state_word == "holding"
    assert said.in_short == "Nothing."


def test_what_may_be_a_hot_spell_says_what_to_do_meanwhile() -> None:
    said = lines(replace(holding(), remark=HOT_SPELL))
    assert (said.in_short, said.state_word) == ("Wait.", "holding")
    assert "inlets" in said.what_to_do[0] and "at once" in said.what_to_do[0]
    assert "hot spell looks the same" in said.how_sure


def test_what_may_have_changed_is_not_called_unchanged() -> None:
    one = holding()
    one = replace(one, airflow=replace(one.airflow, change=Change(6.0, (2.0, 10.0))))
    said = lines(one)
    assert "airflow part perhaps up 6 % (+2 to +10), too early to tell" in said.found
    assert "both parts unchanged" not in said.found


def test_one_part_that_is_not_known_says_why() -> None:
    one = holding()
    no = "no day with usable steps"
    one = replace(
        one, interface=replace(one.interface, detection=None, change=Change(None, None, no), reason=no)
    )
    said = lines(one)
    assert f"interface part not known ({no})" in said.found
    assert said.how_sure.startswith("That the airflow part holds")
    assert said.state_word == "holding"


def test_nothing_known_is_not_called_holding() -> None:
    one = holding()
    no = "no day with usable load"
    parts: dict[str, Any] = {
        part.name: replace(part, detection=None, change=Change(None, None, no), reason=no)
        for part in (one.interface, one.airflow)
    }
    said = lines(replace(one, **parts))
    assert said.state_word == NOT_JUDGED
    assert f"neither interface part nor airflow part can be judged yet: {no}" in said.found
    assert said.how_sure == "Nothing is claimed yet."


@pytest.mark.parametrize(
    ("now_c", "reason", "expected"),
    [
        (81.2, ENDS, "when it would get there cannot be said: the creep may also come to an end"),
        (81.2, TOO_WIDE, "when it would get there cannot be said: the interval is wider than a year"),
        (88.0, "already at its limit", "At 115 W in a 25 °C room it would be at its limit of 87 °C already."),
        (None, "the whole path is not known", ""),
    ],
)
def test_a_limit_without_a_date_says_why(now_c: float | None, reason: str, expected: str) -> None:
    outlook = Outlook(87.0, 25.0, 115.0, now_c, None, None, reason)
    said = lines(verdict(Cause.INTERFACE, "interface", "creep"), outlook)
    assert said.ahead.endswith(expected.rstrip(".") + "." if expected else "")
    assert bool(said.ahead) == bool(expected)


def test_what_wrong_readings_show_only_seems_so() -> None:
    said = lines(verdict(Cause.TELEMETRY, "interface", "step")).found
    assert "interface part seems up" in said
    assert "seems" not in lines(verdict(Cause.INTERFACE, "interface", "step")).found


def test_air_beside_a_tired_fan_is_that_at_its_speed() -> None:
    assert lines(verdict(Cause.FAN, "fan", "creep")).found.endswith("at the same fan speed.")
