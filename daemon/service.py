"""The service: one thread that looks, keeps, writes and survives.

Everything that touches a sensor or a file happens in the thread that calls `Service.run`; the coarse
clockwork only posts wishes to it, the courier speaks to a server beside it, and long work goes to children.
"""

from __future__ import annotations

import logging
import threading
from collections.abc import Callable
from functools import partial

from ..store.errors import HeatdriftError, NoSensorsError, StoreError
from ..store.records import Boot, Cadence, Gap, GapReason
from .children import Child
from .clock import Clock
from .coarse import Clockwork, Wish
from .errands import Errands, StartWork
from .health import SensorHealth
from .heartbeat import Heartbeat
from .identity import IdentityWatch
from .layout import Layout
from .notify import Notifier, SilentNotifier
from .pen import Pen, Scribe
from .poller import Harvest, Poller
from .registration import differences, register, same_sensors, unmet
from .rejoin import close_left_out, joined
from .service_settings import ServiceSettings
from .startup import open_pen, wait_for_time
from .vigil import PlainRest, Rest
from .watch import Watch

__all__ = ["Service", "ServiceSettings"]

log = logging.getLogger(__name__)

RESCAN_REST_S = 600.0
QUIET_S = 300.0
FIRST_FLUSH_LOOKS = 15
# Just after resume some devices are not back yet: looking for them then would find them gone.
RESCAN_AFTER_JUMP_S = 90.0


class Service:
    """Records one machine until told to stop.

    Parameters
    ----------
    layout_factory
        Finds the sensors; called again to find them anew. What it returns is closed by the service.
    pen_factory
        Opens the store for writing.
    clock
        Time.
    settings
        How to behave.
    has_news
        Says that devices became known which the layout does not hold yet; asked at every tick.
    notifier
        Who is told that all is well.
    start_work
        Starts child processes.
    watch
        Guards hard limits and sends messages.
    rest
        What the loop does between two ticks.
    """

    def __init__(
        self,
        layout_factory: Callable[[], Layout],
        pen_factory: Callable[[], Pen],
        clock: Clock,
        settings: ServiceSettings,
        *,
        has_news: Callable[[], bool] = lambda: False,
        notifier: Notifier | None = None,
        start_work: StartWork = Child,
        watch: Watch | None = None,
        rest: Rest | None = None,
    ) -> None:
        self._layout_factory, self._pen_factory = layout_factory, pen_factory
        self._clock, self._settings = clock, settings
        self._has_news, self._watch = has_news, watch
        self._notifier = notifier or SilentNotifier()
        self._rest = rest or PlainRest(clock)
        self._errands = Errands(settings.tasks, settings.database_url, settings.child_deadline_s, start_work)
        self._clockwork = Clockwork(
            {
                Wish.RESCAN: settings.rescan_s,
                Wish.CHECK_DUE: settings.check_due_s,
                Wish.HEARTBEAT: settings.heartbeat_s,
            }
        )
        self._heartbeat = Heartbeat(clock)
        self._looks_since_flush = 0
        self._flushed_at_s = self._busy_at_s = clock.monotonic_s()
        self._rescanned_at_s = self._flushed_at_s - RESCAN_REST_S
        self._rescan_due_s: float | None = None
        self._is_blind = False
        self._never_since_utc_ms = 0

    def run(self, stop: threading.Event) -> int:
        """Look until ``stop`` is set.

        Returns
        -------
        int
            Exit status: 0 after an orderly stop.

        Raises
        ------
        NoSensorsError
            There is nothing to record; no database was made.
        StoreError
            The database is not ours to write.
        """
        self._layout = self._layout_factory()
        try:
            start = partial(self._errands.run_now, clock=self._clock)
            pen = open_pen(self._pen_factory, start, self._clock, self._notifier, stop)
            if pen is None or not wait_for_time(self._clock, self._notifier, stop):
                return 0
            self._begin(pen)
            self._clockwork.start()
            try:
                while not self._rest.wait(self._poller, stop):
                    self.tick()
            finally:
                self._clockwork.stop()
                self._end()
        finally:
            self._layout.close()
        return 0

    def tick(self) -> None:
        """One turn of the loop."""
        poller, scribe = self._poller, self._scribe
        if poller.tick():
            self._looks_since_flush += 1
            now_s = self._clock.monotonic_s()
            scribe.hold(poller.take(), now_s)
            # A young record is written sooner, so that whoever has just started it soon sees rows.
            least = max(FIRST_FLUSH_LOOKS, poller.n_looks // 2)
            is_full = self._looks_since_flush >= min(self._settings.flush_looks, least)
            if is_full or now_s - self._flushed_at_s >= self._settings.flush_s:
                self._flush(now_s)
        if poller.has_jumped:
            poller.has_jumped = False
            self._busy_at_s = self._clock.monotonic_s()
            self._clockwork.plan_anew()
            self._clockwork.post(Wish.CHECK_DUE)
            self._rescan_due_s = self._clock.monotonic_s() + RESCAN_AFTER_JUMP_S
        if poller.health.has_vanished or self._has_news():
            poller.health.has_vanished = False
            self._rescan_soon()
        if self._rescan_due_s is not None and self._clock.monotonic_s() >= self._rescan_due_s:
            self._rescan()
        self._errands.advance(scribe, self._clock, is_quiet=self._is_quiet())
        for wish in self._clockwork.take():
            self._grant(wish)
        if self._watch is not None:
            self._watch.turn(scribe.is_lent)
        self._notifier.alive(self._clock.monotonic_s())

    def _is_quiet(self) -> bool:
        """Whether nobody seems to want the machine: it idles, and has not only just begun to."""
        now_s = self._clock.monotonic_s()
        if self._poller.keeper.mode is not Cadence.IDLE:
            self._busy_at_s = now_s
        return now_s - self._busy_at_s >= QUIET_S

    def _grant(self, wish: Wish) -> None:
        if wish is Wish.RESCAN:
            self._rescan()
        elif wish is Wish.CHECK_DUE:
            self._errands.check(self._scribe, self._clock, self._never_since_utc_ms)
        else:
            # Rows and sign of life in one go: each commit alone would write the same pages once more.
            self._flush(self._clock.monotonic_s())
            self._beat("running")
            if self._watch is not None:
                self._watch.check()

    def _flush(self, now_s: float) -> None:
        if self._scribe.may_try(now_s) and self._scribe.flush(now_s):
            self._looks_since_flush = 0
            self._flushed_at_s = now_s

    def _begin(self, pen: Pen) -> None:
        now_ms = self._clock.wall_utc_ms()
        self._scribe = Scribe(pen, self._settings.hold_s, self._settings.retry_s)
        register(self._layout, pen, now_ms)
        self._identity = IdentityWatch(pen.facts())
        self._scribe.hold_boot(Boot(self._clock.boot_id(), now_ms))
        last_ms = pen.last_sample_utc_ms()
        if last_ms is not None and last_ms > now_ms:
            log.warning(
                "the newest row lies %.0f s in the future: the clock was set back", (last_ms - now_ms) / 1000
            )
            last_ms = pen.last_sample_utc_ms(now_ms)
        self._never_since_utc_ms = now_ms if last_ms is None else last_ms
        why = "the service was not running"
        gaps = [] if last_ms is None else [Gap(last_ms, now_ms, GapReason.STOPPED, "", why)]
        self._poller = self._new_poller()
        now_s = self._clock.monotonic_s()
        self._scribe.hold(Harvest([], [], gaps, []), now_s)
        self._flush(now_s)
        self._clockwork.post(Wish.CHECK_DUE)
        self._clockwork.post(Wish.HEARTBEAT)
        self._notifier.ready()
        names = [source.name for source in self._layout.sources]
        log.info("recording %s", ", ".join(names) or "probes only")
        self._notifier.status(f"recording {len(names)} sources, {len(self._layout.probes)} probes")

    def _end(self) -> None:
        """Write everything that is held; it takes well under the five seconds that are promised."""
        self._notifier.stopping()
        now_s = self._clock.monotonic_s()
        self._scribe.hold(self._poller.finish(), now_s)
        self._errands.stop(self._scribe, self._clock)
        if self._watch is not None:
            self._watch.stop()
        if not self._scribe.flush(now_s):
            log.warning("%d rows could not be written and are lost", self._scribe.n_rows)
            return
        self._beat("stopped")
        try:
            self._scribe.pen.checkpoint()
        except StoreError as error:
            log.info("the last checkpoint is left to the next start: %s", error)
        self._scribe.pen.release()
        log.info("stopped; every row is written")

    def _beat(self, state: str) -> None:
        if self._scribe.is_lent:
            return
        values = self._heartbeat.values(state, self._poller, self._scribe, self._clockwork.n_troubles)
        try:
            self._scribe.pen.put_state(values, self._clock.wall_utc_ms())
        except StoreError as error:
            log.debug("no heartbeat: %s", error)

    def _rescan_soon(self) -> None:
        """Look for the sensors again, but never in a storm."""
        now_s = self._clock.monotonic_s()
        self._rescan_due_s = max(now_s, self._rescanned_at_s + RESCAN_REST_S)

    def _rescan(self) -> None:
        """Find the sensors anew; devices come, go and change their numbers."""
        if self._scribe.is_lent:
            return  # new devices must be registered first; the next rescan is not far
        self._rescanned_at_s = self._clock.monotonic_s()
        self._rescan_due_s = None
        try:
            found = self._layout_factory()
        except NoSensorsError as error:
            if not self._is_blind:
                log.warning("no temperature is left, its place stays empty: %s", error.message)
                self._rescan_soon()
            self._is_blind = True
            return
        except (HeatdriftError, OSError) as error:
            log.warning("the sensors could not be looked for, those known stay in use: %s", error)
            return
        self._is_blind = False
        layout = joined(found, self._layout)
        is_same = same_sensors(layout, self._layout)
        if is_same and not self._poller.health.anything_lost:
            found.close()
            return
        try:
            register(layout, self._scribe.pen, self._clock.wall_utc_ms())
        except StoreError as error:
            log.warning("new sensors wait, because they cannot be registered now: %s", error)
            found.close()
            self._rescan_soon()
            return
        self._scribe.hold(self._poller.finish(), self._clock.monotonic_s())
        health = self._poller.health if is_same else None
        before, self._layout = self._layout, layout
        close_left_out(before, layout)
        self._poller = self._new_poller(health)
        if not is_same:
            log.info("sensors changed: %s", differences(before, layout))
            self._rescan_soon()  # devices of a docking station come one after the other

    def _new_poller(self, health: SensorHealth | None = None) -> Poller:
        if health is None and self._watch is not None:
            health = self._watch.health(self._layout)
        return Poller(
            self._layout,
            self._clock,
            self._settings.cadence,
            self._identity,
            health=health,
            overload_s=self._settings.overload_s,
            unmet=unmet(self._layout, self._scribe.pen),
        )
