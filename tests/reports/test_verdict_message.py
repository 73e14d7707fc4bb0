"""What leaves for the owner: plain, narrow, complete, and the same key for the same finding."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest
from test_advice import ALONE, CHANGED, OFFSET, verdict  # type: ignore[import-not-found]

from heatdrift.reports.baseline import Change
from heatdrift.reports.cause import Blame, Cause
from heatdrift.reports.compare import Comparison, Temperatures
from heatdrift.reports.eras import Era, eras
from heatdrift.reports.judgement import JudgedPart, Verdict
from heatdrift.reports.message_words import clean, day, likelihood, signed, size
from heatdrift.reports.power_scale import PowerScale
from heatdrift.reports.sides import Stretch
from heatdrift.reports.verdict_message import entry_note, message_of, recovery_message
from heatdrift.store.database import open_writer
from heatdrift.store.errors import AnalysisError
from heatdrift.store.journal_entry import EntryKind, JournalEntry
from heatdrift.store.message import Lane, Message, Severity
from heatdrift.store.outbox import queue
from heatdrift.store.writer import Writer

DAY_MS = 86_400_000
MADE_UTC_MS = 1_775_000_000_000  # 31 March 2026
BOUGHT_UTC_MS = 1_772_323_200_000  # 1 March 2026


def told(one: Verdict, kinds: tuple[str, ...] = (), **others: Any) -> Message:
    arguments: dict[str, Any] = {
        "made_utc_ms": MADE_UTC_MS,
        "machine_name": "wren",
        "kinds_of_entries": kinds,
    }
    return message_of(one, **(arguments | others))


def plainly(message: Message) -> str:
    """The body on one line, after its layout was looked at."""
    assert message.lane is Lane.CREEP
    assert len(message.subject) <= 100 and "\n" not in message.subject
    assert max(map(len, message.body.splitlines())) <= 78
    for sign in ("!", "*", "#", "`", "<", "nan", "None"):
        assert sign not in message.subject + message.body
    return " ".join(message.body.split())


def ruled_out(one: Verdict, misfits: dict[str, float], cause: Cause, excluded: tuple[str, ...]) -> Verdict:
    return replace(one, blame=Blame(cause, 0.97, misfits, excluded, min(misfits.values())))


CREEP = ruled_out(
    verdict(Cause.INTERFACE, "interface"),
    {"interface part": 0.5, "power scale": 10.5},
    Cause.INTERFACE,
    ("power scale: the readings would be at least 100 times less likely",),
)


def test_a_creep_is_told_with_all_that_is_known() -> None:
    message = told(CREEP, outlook_words="At 25 °C and 115 W the limit is 74 days away.")
    assert message.subject == "gpu0: interface part up 12 % since 13 February, creeping"
    body = plainly(message)
    for words in (
        "On wren, the interface part of gpu0",
        "up 12 % (95 % interval 9 to 15 %)",
        "about 13 February 2026 (95 % interval: 4 February to 21 February)",
        "now by +9 % (+4 to +14) in 30 days",
        "the joint between die and heatsink (very likely, 97 %)",
        # exp(10 / 2) = 148, rounded down
        "Ruled out: a power reading with another scale; the readings would be at least 100 times less likely",
        "the limit is 74 days away",
        "airflow part +0.1 % (-0.5 to +0.7)",
        "1. If the machine shows a hot spot",
        "- Before you open the machine: power off",
        "How it was measured: the first seconds after load steps",
        "heatdrift only reads",
    ):
        assert words in body, words


@pytest.mark.parametrize("state", ["watch", "act"])
@pytest.mark.parametrize("shape", ["creep", "step", "undecided"])
@pytest.mark.parametrize("change_pct", [12.0, -12.0])
@pytest.mark.parametrize(
    ("cause", "leading"),
    [
        (Cause.INTERFACE, "interface"),
        (Cause.AIRFLOW, "airflow"),
        (Cause.FAN, "fan"),
        (Cause.TELEMETRY, "interface"),
        (Cause.UNKNOWN, "airflow"),
    ],
)
def test_every_message_is_plain_and_narrow(
    cause: Cause, leading: str, change_pct: float, shape: str, state: str
) -> None:
    misfits = {ALONE.get(cause.value, "airflow part"): 0.3, "temperature offset": 1.5}
    one = verdict(cause, leading, shape, change_pct, state=state, misfits=misfits)
    for kinds in ((), ("liquid_metal", "shunt")):
        assert "What to do" in plainly(told(one, kinds))


def test_the_same_finding_has_the_same_key_while_its_onset_moves() -> None:
    part = CREEP.interface
    later = replace(CHANGED, onset_utc="2026-02-15T12:00:00Z", change_pct=14.0, shape="undecided")
    moved = replace(CREEP, leading=replace(part, detection=later), interface=replace(part, detection=later))
    message, again = told(CREEP), told(moved, made_utc_ms=MADE_UTC_MS + 5 * DAY_MS)
    assert message.key == again.key
    assert message.repeat_after_days is not None


@pytest.mark.parametrize(
    "other",
    [
        replace(CREEP, state="act"),
        replace(CREEP, cause=Cause.UNKNOWN),
        replace(CREEP, source="gpu1"),
        replace(CREEP, era=replace(CREEP.era, from_utc_ms=BOUGHT_UTC_MS)),
        verdict(Cause.INTERFACE, "interface", change_pct=-8.0),
    ],
    ids=["state", "cause", "source", "era", "direction"],
)
def test_another_finding_has_another_key(other: Verdict) -> None:
    assert told(other).key != told(CREEP).key


def test_the_outbox_holds_a_finding_back_until_it_grows_or_is_old(tmp_path: Path) -> None:
    database = open_writer(str(tmp_path / "record.sqlite"))
    machine_id = Writer(database, "uuid", "wren").machine_id

    def is_told(days: int, one: Verdict) -> bool:
        return queue(database, machine_id, told(one, made_utc_ms=MADE_UTC_MS + days * DAY_MS))

    act = replace(CREEP, state="act")
    seen = [(0, CREEP), (1, CREEP), (2, act), (3, act), (4, CREEP), (33, act), (91, CREEP)]
    assert [is_told(*one) for one in seen] == [True, False, True, False, False, True, True]
    database.close()


def test_severity_follows_the_danger() -> None:
    assert told(CREEP).severity is Severity.NOTE
    assert told(replace(CREEP, state="act")).severity is Severity.WARNING
    assert told(verdict(Cause.TELEMETRY, "interface", "step")).severity is Severity.WARNING  # draws more
    assert told(verdict(Cause.TELEMETRY, "interface", "step", -11.0)).severity is Severity.NOTE
    low = verdict(Cause.TELEMETRY, "airflow", "step", -11.0, misfits=OFFSET)
    assert told(low).severity is Severity.WARNING


def test_a_step_under_liquid_metal_is_urgent() -> None:
    step = verdict(Cause.INTERFACE, "interface", "step")
    message = told(step, ("liquid_metal",))
    assert message.severity is Severity.URGENT and "shut down, unplug, inspect" in message.subject
    assert told(step).severity is Severity.NOTE
    assert told(CREEP, ("liquid_metal",)).severity is Severity.NOTE
    better = verdict(Cause.INTERFACE, "interface", "step", -9.0)
    assert told(better, ("liquid_metal",)).severity is Severity.NOTE


def test_a_power_reading_is_told_as_one() -> None:
    body = plainly(told(verdict(Cause.TELEMETRY, "interface", "step", -11.0)))
    assert "at the same reported power" in body
    assert "12 % more than it did" in body  # 1 / 0.89
    assert "It came in one step." in body


def test_unknown_names_what_is_left_and_what_would_settle_it() -> None:
    misfits = {"interface part": 0.2, "power scale": 3.3}
    one = ruled_out(verdict(Cause.UNKNOWN, "interface", misfits=misfits), misfits, Cause.INTERFACE, ())
    body = plainly(told(one))
    assert "The cause is not clear" in body and "possible is also a power reading with another scale" in body
    assert "plug-in meter" in body and "Ruled out" not in body
    assert told(one).subject.endswith(": cause not clear")


def test_without_a_counted_speed_a_tired_fan_is_part_of_the_air() -> None:
    one = verdict(Cause.AIRFLOW, "airflow")
    assert "tired fan included" not in plainly(told(one))
    blind = JudgedPart("fan", None, None, Change(None, None, "not counted"), "not counted")
    assert "to the air, a tired fan included (very likely" in plainly(told(replace(one, fan=blind)))


def test_the_subject_says_what_to_do_where_it_is_time() -> None:
    assert told(replace(CREEP, state="act")).subject.endswith("creeping: plan to renew the joint")
    step = verdict(Cause.INTERFACE, "interface", "step", state="act")
    assert told(step).subject.endswith("in one step: see how the heatsink sits")
    assert told(verdict(Cause.AIRFLOW, "airflow", state="act")).subject.endswith(": free its air")


def test_a_part_that_is_not_known_says_why() -> None:
    none = JudgedPart("airflow", None, None, Change(None, None, "no probe"), "no probe")
    assert "airflow part not known (no probe)" in plainly(told(replace(CREEP, airflow=none)))


def test_nothing_changed_is_nothing_to_tell() -> None:
    with pytest.raises(AnalysisError, match="nothing has changed on gpu0"):
        told(replace(CREEP, cause=Cause.NONE, leading=None))


def test_what_the_owner_wrote_is_quoted_without_tricks() -> None:
    note = "thin layer\x1b[31m\nof \u202epaste" + " and more" * 40
    entry = JournalEntry(BOUGHT_UTC_MS, EntryKind.COMPOUND, "gpu0", note=note)
    era = replace(CREEP.era, from_utc_ms=BOUGHT_UTC_MS, opened_by=(entry,))
    body = plainly(told(replace(CREEP, era=era)))
    assert 'compound of 2026-03-01 on gpu0: "thin layer [31m of paste and more' in body
    assert "\x1b" not in body and "\u202e" not in body
    assert len(clean(note)) <= 200


def test_a_recovery_is_told_once_nothing_else_is_changed() -> None:
    gone = replace(CHANGED, state="recovered", change_pct=0.5, recovered_utc="2026-03-26T00:00:00Z")
    back = replace(
        CREEP,
        state="holding",
        cause=Cause.NONE,
        leading=None,
        blame=None,
        interface=replace(CREEP.interface, detection=gone),
    )
    message = recovery_message(back, made_utc_ms=MADE_UTC_MS, machine_name="wren")
    assert message is not None and message.severity is Severity.NOTE
    assert message.subject == "gpu0: interface part back near its baseline since 26 March"
    assert "Nothing needs to be done" in plainly(message)
    warmer = replace(gone, change_ci95_pct=(-1.0, 2.0))
    idle = replace(back, interface=CREEP.airflow, idle=replace(CREEP.idle, name="idle", detection=warmer))
    cooler = recovery_message(idle, made_utc_ms=MADE_UTC_MS, machine_name="wren")
    assert cooler is not None and "idle temperature" in cooler.subject
    assert "+0.2 K (-0.5 to +1.0)" in plainly(cooler)  # per cent of such a series are half a kelvin
    for still in (replace(back, state="watch"), replace(back, interface=CREEP.airflow)):
        assert recovery_message(still, made_utc_ms=MADE_UTC_MS, machine_name="wren") is None


def comparison(
    kinds: tuple[EntryKind, ...],
    interface: tuple[float, float, float],
    airflow: tuple[float, float, float],
    n_days: int = 20,
) -> Comparison:
    entries = [
        JournalEntry(BOUGHT_UTC_MS + n, kind, "gpu0", numbers=numbers, note="as usual")
        for n, kind in enumerate(kinds)
        for numbers in [{"shunt_from_mohm": 5.0, "shunt_to_mohm": 4.0} if kind is EntryKind.SHUNT else {}]
    ]
    era = eras(entries, "gpu0", BOUGHT_UTC_MS - 30 * DAY_MS, BOUGHT_UTC_MS + 30 * DAY_MS)[-1]
    own, rest = (Change(pct, (low, high)) for pct, low, high in (interface, airflow))
    side = Stretch(era.from_utc_ms, era.to_utc_ms, n_days)
    degrees = Temperatures(25.0, 115.0, 78.0, 81.2, 3.2, (1.1, 5.3))
    return Comparison("gpu0", era, era.opened_by, side, side, None, own, rest, own, degrees)


def note(one: Comparison) -> Message | None:
    return entry_note(one, made_utc_ms=MADE_UTC_MS, machine_name="wren")


NOTHING = (0.2, -1.0, 1.4)


def test_a_repaste_that_made_it_worse_is_told() -> None:
    message = note(comparison((EntryKind.COMPOUND,), (9.0, 6.0, 12.0), NOTHING))
    assert message is not None and message.severity is Severity.NOTE
    assert message.subject == "gpu0: interface part up 9 % after the compound of 1 March: look again"
    body = plainly(message)
    assert "opposite of what such work should do" in body and '"as usual"' in body
    assert "At 115 W in a room of 25 °C that makes +3.2 K (+1.1 to +5.3)" in body
    worse = note(comparison((EntryKind.COMPOUND,), (19.0, 16.0, 22.0), NOTHING))
    assert worse is not None and worse.severity is Severity.WARNING and worse.key == message.key


@pytest.mark.parametrize(
    "one",
    [
        comparison((EntryKind.COMPOUND,), (-9.0, -12.0, -6.0), NOTHING),
        comparison((EntryKind.COMPOUND,), (9.0, -1.0, 19.0), NOTHING),
        comparison((EntryKind.COMPOUND,), (2.5, 1.5, 3.5), NOTHING),
        comparison((EntryKind.COMPOUND,), NOTHING, (9.0, 6.0, 12.0)),
        comparison((EntryKind.CLEANING,), (9.0, 6.0, 12.0), NOTHING),
        comparison((EntryKind.POSITION,), NOTHING, (9.0, 6.0, 12.0)),
        comparison((EntryKind.COMPOUND,), (9.0, 6.0, 12.0), NOTHING, n_days=3),
        comparison((EntryKind.SHUNT,), NOTHING, NOTHING),
    ],
    ids=["better", "chance", "too-small", "other-part", "cleaning", "no-promise", "too-early", "as-declared"],
)
def test_what_is_no_contradiction_is_not_told(one: Comparison) -> None:
    assert note(one) is None


@pytest.mark.parametrize("kind", [EntryKind.CLEANING, EntryKind.FAN])
def test_a_cleaning_or_fan_that_made_the_air_worse_is_told(kind: EntryKind) -> None:
    message = note(comparison((kind,), NOTHING, (8.0, 4.0, 12.0)))
    assert message is not None and "airflow part up 8 % after the" in message.subject
    assert "fan plug" in plainly(message)


def test_a_shunt_that_draws_more_than_entered_is_a_warning() -> None:
    message = note(comparison((EntryKind.SHUNT,), (12.0, 8.0, 16.0), (14.0, 7.0, 21.0)))
    assert message is not None and message.severity is Severity.WARNING
    assert message.subject == "gpu0: may draw 13 % more than the shunt of 1 March says"
    body = plainly(message)
    assert "1.13 W for each watt" in body and "can overheat" in body and "At 115 W" not in body
    less = note(comparison((EntryKind.SHUNT,), (-12.0, -16.0, -8.0), (-14.0, -21.0, -7.0)))
    assert less is not None and less.severity is Severity.NOTE and "14 % less" not in less.subject
    joint = note(comparison((EntryKind.SHUNT,), (12.0, 8.0, 16.0), NOTHING))
    assert joint is not None and "interface part up 12 %" in joint.subject  # the heatsink was off


def test_joint_work_is_told_as_joint() -> None:
    message = note(comparison((EntryKind.COMPOUND, EntryKind.CLEANING), (9.0, 6.0, 12.0), NOTHING))
    assert message is not None and "theirs together" in plainly(message)


def test_numbers_have_the_digits_that_their_interval_leaves() -> None:
    assert size(12.34, (9.1, 15.2)) == "up 12 % (95 % interval 9 to 15 %)"
    assert size(-4.26, (-4.9, -3.6)) == "down 4.3 % (95 % interval 3.6 to 4.9 %)"
    assert size(5.0, (-1.0, 11.0)) == "up 5 % (95 % interval -1 to 11 %)"
    assert signed(-0.04, (-0.6, 0.5)) == "0.0 % (-0.6 to +0.5)"


@pytest.mark.parametrize(
    ("probability", "words"),
    [
        (0.9999, "virtually certain, over 99 %"),
        (0.9951, "virtually certain, over 99 %"),
        (0.987, "very likely, 98 %"),  # the word and the number agree
        (0.93, "very likely, 93 %"),
        (0.7, "likely, 70 %"),
        (0.55, "more likely than not, 55 %"),
        (0.4, "not sure, 40 %"),
    ],
)
def test_a_probability_has_a_word_and_a_number(probability: float, words: str) -> None:
    assert likelihood(probability) == words


def test_a_day_names_its_year_where_it_is_another() -> None:
    assert day("2026-03-03T00:00:00Z", MADE_UTC_MS) == "3 March"
    assert day("2025-12-03T00:00:00Z", MADE_UTC_MS) == "3 December 2025"


def test_a_long_source_leaves_the_subject_short() -> None:
    era = Era("x" * 120, 0, 0, 1, (), (), frozenset(), PowerScale())
    assert len(told(replace(CREEP, source="x" * 120, era=era)).subject) == 100
