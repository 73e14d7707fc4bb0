"""Carries what waits in the spool to its server, in a thread of its own.

The thread that looks at the sensors never waits for a server: it writes into the spool, wakes the courier
and goes on. The courier may stand in front of a closed door for a week, or wait half a minute for every
statement; what it could not deliver stays in the spool. A server that takes connections and then says nothing
is left after half an hour.
"""

from __future__ import annotations

import contextlib
import logging
import threading
import time
from collections.abc import Callable, Mapping
from typing import Any, Protocol, TypeVar

from ..store.delivery import Deliverer
from ..store.errors import (
    DatabaseBusyError,
    HeatdriftError,
    RefusedRowsError,
    SchemaOutdatedError,
    StoreError,
)
from ..store.spool import Spool
from ..store.spool_entries import Entry
from .acquaintance import as_known, learn_from, places_of
from .server_line import ServerLine

log = logging.getLogger(__name__)

Answer = TypeVar("Answer")

# Some thousand rows a transaction: a day's backlog is carried in a few dozen turns, and takes a few MB.
MOST_ROWS = 10_000
MOST_ENTRIES = 200
LAST_NUMBER = 2**63
MOST_REFUSALS = 3
PAUSE_S, LONGEST_PAUSE_S = 10.0, 300.0  # after the first failure; doubled with each
# A meeting is some forty answers, a delivery eight, and a server may well take half a minute for each.
DEADLINE_S = 1800.0


class Meet(Protocol):
    """Opens the server's database, handing its connection over before anything is asked through it."""

    def __call__(
        self, places: Mapping[tuple[str, str], str], on_connect: Callable[[Any], None], /
    ) -> Deliverer: ...


class Courier:
    """Delivers until stopped.

    Parameters
    ----------
    spool
        Where things wait; open.
    meet
        Opens the server's database.
    migrate
        Brings an earlier schema up to date; called at most once, and may take long.
    pause_s, longest_pause_s
        Between two tries while the server is in trouble [s].
    deadline_s
        How long one transaction may take [s].
    now_s
        A monotonic clock [s]: servers live in real time.

    Attributes
    ----------
    trouble
        Why nothing can be delivered, None while it can.
    has_met
        The server answered at least once.
    """

    def __init__(
        self,
        spool: Spool,
        meet: Meet,
        *,
        migrate: Callable[[], None] = lambda: None,
        pause_s: float = PAUSE_S,
        longest_pause_s: float = LONGEST_PAUSE_S,
        deadline_s: float = DEADLINE_S,
        now_s: Callable[[], float] = time.monotonic,
    ) -> None:
        self.trouble: HeatdriftError | None = None
        self.has_met = False
        self._spool = spool
        self._meet = meet
        self._migrate = migrate
        self._pause_s, self._longest_pause_s = pause_s, longest_pause_s
        self._line = ServerLine(deadline_s)
        self._now_s = now_s
        self._thread: threading.Thread | None = None
        self._wanted = threading.Event()
        self._has_tried = threading.Event()
        self._lock = threading.Lock()
        self._questions: dict[str, tuple[int, Callable[[Deliverer], Any]]] = {}
        self._answers: dict[str, Any] = {}
        self._deliverer: Deliverer | None = None
        self._n_failures = 0
        self._alone_until = self._refused = self._refusals = 0
        self._is_resting = self._is_ended = self._may_migrate = False

    def first_try(self, within_s: float) -> HeatdriftError | None:
        """Try to meet the server now; what went wrong, None where nothing did or nothing is known in time."""
        self._has_tried.clear()
        self._n_failures = 0
        if self._thread is None:
            self._thread = threading.Thread(target=self._run, name="courier", daemon=True)
            self._thread.start()
        self._wanted.set()
        return self.trouble if self._has_tried.wait(within_s) else None

    def record(self) -> None:
        """From now on nobody waits for the server any more; an earlier schema is for the courier to mend."""
        self._may_migrate = True

    def wake(self) -> None:
        """Something waits; and a server that was asked too long ago is left."""
        if self._line.is_overdue(self._now_s()):
            log.warning("the server has not answered for too long; the connection is given up")
            self._line.end()
        self._wanted.set()

    def rest(self) -> None:
        """Deliver nothing more for now: somebody else works on the database."""
        self._is_resting = True

    def go_on(self) -> None:
        """Deliver again."""
        self._is_resting = False
        self.wake()

    def ask(self, name: str, question: Callable[[Deliverer], Answer]) -> Answer:
        """The answer to a question, once it is there.

        Parameters
        ----------
        name
            Of the question: asked again under it, the answer is given.
        question
            Put to the server by the courier, after all that waits now was delivered.

        Raises
        ------
        DatabaseBusyError
            There is no answer yet; ask again.
        """
        with self._lock:
            if name in self._answers:
                found: Answer = self._answers.pop(name)
                return found
            after, _ = self._questions.get(name, (self._spool.newest(), question))
            self._questions[name] = after, question
        self.wake()
        raise DatabaseBusyError("the server has not answered yet", remedy="ask again in a moment")

    def settle(self, within_s: float) -> bool:
        """Wait a little for what is on its way; whether all of it arrived."""
        until_s = self._now_s() + within_s
        self._wanted.set()
        while self._spool.backlog().n_entries:
            if self.trouble is not None or self._now_s() > until_s:
                return False
            time.sleep(0.01)
        return True

    def stop(self, within_s: float = 2.0) -> None:
        """End the thread; one that hangs at a server is left behind."""
        self._is_ended = True
        self._wanted.set()
        if self._thread is not None:
            self._thread.join(within_s)
            if self._thread.is_alive():
                self._line.end()
                self._thread.join(within_s)
            self._thread = None

    def _run(self) -> None:
        while not self._is_ended:
            self._wanted.clear()
            try:
                self._work()
                self._recover()
            except HeatdriftError as error:
                self._fail(error)
            except Exception as error:  # whatever it is: rows that wait are not lost, a dead thread would be
                if not self._n_failures:
                    log.exception("the courier stumbled")
                self._fail(StoreError(f"rows cannot be delivered ({error})", remedy="report this"))
            self._has_tried.set()
            self._wait()
        self._part()

    def _wait(self) -> None:
        if not self._n_failures:
            self._wanted.wait()
            return
        pause_s = min(self._longest_pause_s, self._pause_s * 2 ** min(self._n_failures - 1, 10))
        until_s = self._now_s() + pause_s
        while not self._is_ended and self._n_failures and (left_s := until_s - self._now_s()) > 0:
            self._wanted.wait(left_s)
            self._wanted.clear()

    def _work(self) -> None:
        try:
            deliverer = self._deliverer = self._deliverer or self._introduced()
            while not self._is_resting and not self._is_ended:
                entries = self._spool.oldest(MOST_ROWS, MOST_ENTRIES)
                if not entries:
                    break
                if entries[0].number <= self._alone_until:
                    entries = entries[:1]
                self._deliver(deliverer, entries)
                self._recover()
                self._answer(deliverer, entries[-1].number)  # before a slow server something always waits
            if self._is_resting or not self._spool.newest():
                self._answer(deliverer, LAST_NUMBER)
        finally:
            self._line.done()

    def _answer(self, deliverer: Deliverer, delivered: int) -> None:
        with self._lock:
            questions = dict(self._questions)
        for name, (after, question) in questions.items():
            if after > delivered:
                continue
            self._line.begin(self._now_s())
            answer = question(deliverer)
            with self._lock:
                self._answers[name] = answer
                self._questions.pop(name, None)

    def _deliver(self, deliverer: Deliverer, entries: list[Entry]) -> None:
        before = dict(deliverer.places)
        self._line.begin(self._now_s())
        try:
            deliverer.deliver(entries, self._spool.set_aside)
        except RefusedRowsError as error:
            self._single_out(entries, error)
            raise
        self._line.praise(self._now_s())
        self._line.done()
        self._spool.forget(entries[-1].number, as_known(deliverer.places, before))

    def _single_out(self, entries: list[Entry], error: RefusedRowsError) -> None:
        """Find the entry that the server does not take; after some tries keep it and go on without it."""
        self._alone_until = max(self._alone_until, entries[-1].number)
        if len(entries) > 1:
            return
        number = entries[0].number
        self._refusals = self._refusals + 1 if number == self._refused else 1
        self._refused = number
        if self._refusals >= MOST_REFUSALS:
            log.error("entry %d is kept in the spool, because the server does not take it: %s", number, error)
            self._spool.set_aside(number)

    def _introduced(self) -> Deliverer:
        known = self._spool.known()
        self._line.begin(self._now_s())
        deliverer = self._meet(places_of(known), self._line.note)
        learn_from(deliverer, self._spool, known)
        return deliverer

    def _recover(self) -> None:
        if self.trouble is not None:
            log.info("the server takes rows again")
            self._spool.learn({"trouble": ""})
        self.trouble = None
        self.has_met = True
        self._n_failures = 0

    def _fail(self, error: HeatdriftError) -> None:
        self._part()
        self._n_failures += 1
        if type(error) is not type(self.trouble):
            log.warning("rows wait in %s until the server takes them: %s", self._spool.path, error)
            with contextlib.suppress(StoreError):  # the spool itself may be what fails
                self._spool.learn({"trouble": error.message})
        self.trouble = error
        if isinstance(error, SchemaOutdatedError) and self._may_migrate:
            self._may_migrate = False
            log.info("the server's database is of an earlier version and is brought up to date")
            self._migrate()

    def _part(self) -> None:
        deliverer, self._deliverer = self._deliverer, None
        if deliverer is not None:
            with contextlib.suppress(StoreError):
                deliverer.database.close()
