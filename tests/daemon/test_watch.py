"""A guard whose record answers late, because it lies on a server."""

from __future__ import annotations

from heatdrift.daemon.guard import Past
from heatdrift.daemon.layout import Layout
from heatdrift.daemon.messages import MessageDesk
from heatdrift.daemon.watch import ASK_AGAIN_S, JOURNAL_S, Watch
from heatdrift.store.errors import DatabaseBusyError
from heatdrift.store.message import Message
from heatdrift.store.past_heat import FanPast

from .test_guard import Stand


class LateRecord:
    """Answers only the third time; notes what it was asked for."""

    def __init__(self) -> None:
        self.asked: list[bool] = []

    def __call__(self, layout: Layout, with_fans: bool) -> Past:
        self.asked.append(with_fans)
        if len(self.asked) < 3:
            raise DatabaseBusyError("the server has not answered yet")
        return Past({"fan1": FanPast(500, 3)} if with_fans else {})


class NoOutbox:
    """Where nothing is due."""

    def queue(self, wanted: Message) -> bool:
        return True

    def next_due_utc_ms(self, now_utc_ms: int) -> int | None:
        return None


def watched(stand: Stand, record: LateRecord) -> Watch:
    desk = MessageDesk(NoOutbox(), stand.clock, has_channels=False, environment={})
    watch = Watch(stand.guard, desk, record, stand.clock)
    watch.health(stand.layout())
    return watch


def test_past_is_asked_for_until_it_is_told() -> None:
    stand, record = Stand(), LateRecord()
    watch = watched(stand, record)
    assert stand.sees(60, cpu=(85, 45), fans=(0, 2000)) == []  # nobody knows that this fan used to turn
    for _ in range(5):
        watch.turn(is_lent=False)
        watch.turn(is_lent=False)  # not asked again at once
        stand.clock.turn(ASK_AGAIN_S)
    assert record.asked == [True] * 3
    assert len(stand.sees(60, cpu=(85, 45), fans=(0, 2000))) == 1


def test_past_counts_once() -> None:
    """A fan that stands at heat now and then is not made one that never does by asking twice."""
    stand = Stand(past=Past({"fan1": FanPast(500, 25)}))
    before = stand.guard._fans[0].turned_s, stand.guard._fans[0].stood_s
    stand.guard.recall(Past({"fan1": FanPast(500, 25)}))
    assert (stand.guard._fans[0].turned_s, stand.guard._fans[0].stood_s) == before


def test_journal_is_read_again_within_the_hour() -> None:
    stand, record = Stand(), LateRecord()
    record.asked = [True, True]
    watch = watched(stand, record)
    watch.check()
    assert len(record.asked) == 3
    stand.clock.turn(JOURNAL_S)
    watch.check()
    assert record.asked[3:] == [False]
