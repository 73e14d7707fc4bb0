"""The service's side of the NVML child: starts it, holds it to its deadline, lets go, never raises."""

from __future__ import annotations

import logging
import sys
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

from ...store.errors import NvmlError
from ...store.records import Missing
from .nvml_answers import LEAST_READING, NvmlGpu, Raw, facts_in, gpus_in, is_loaded, readings_in
from .nvml_pipe import ChildPipe, NvmlLateError
from .nvml_protocol import ENERGY, FATAL, VERSION_MISMATCH
from .nvml_wake import Door, WakeGuard

log = logging.getLogger(__name__)

DRIVER_BACKOFF_S = 600.0
FIRST_BACKOFF_S = 10.0  # for a child that hung or died; doubles up to DRIVER_BACKOFF_S
# Drivers leaked over days in the field: a fresh process each day, or when it has grown out of all proportion.
RECYCLE_S = 86400.0


class NvmlLink:
    """The one way to NVML; the child is started when it is first needed.

    Parameters
    ----------
    command
        Child process to run; the one of this package by default.
    deadline_s
        How long one answer may take [s].
    library
        The binding of NVML that the child imports.
    patience_s
        How long a look waits for an answer that is not overdue yet [s]; None for the whole deadline.

    Attributes
    ----------
    gpus
        The GPUs known so far.
    notice
        What is wrong now, empty when all is well.
    orders
        What the child is to look out for from the next look on, see `Sentry.post`; None for nothing.
    has_news
        GPUs became known after `attach`, so that the layout is worth discovering again.
    """

    def __init__(
        self,
        command: Sequence[str] | None = None,
        deadline_s: float = 5.0,
        library: str = "pynvml",
        patience_s: float | None = None,
    ) -> None:
        self._command = tuple(
            command or (sys.executable, "-m", f"{__package__}.nvml_child", "--library", library)
        )
        self._deadline_s, self._patience_s = deadline_s, patience_s
        self._sys_root, self._guard = Path("/sys"), WakeGuard(Path("/sys"))
        self._pipe: ChildPipe | None = None
        self._dying: ChildPipe | None = None
        self._is_open = False
        self._methods: dict[str, str] = {}
        self._backoff_s, self._failures = 0.0, 0
        self._retry_at_s: float | None = None
        self._recycle_at_s: float | None = None
        self._looked_at_s: float | None = None
        self._answer: Mapping[str, Raw] | Missing = Missing.NOT_READ
        self._facts: dict[str, dict[str, str]] = {}
        self._driver, self._n_users = "", 0
        self.gpus: tuple[NvmlGpu, ...] = ()
        self.orders: list[dict[str, Any]] | None = None
        self.notice, self.has_news, self._has_hung, self._is_watching = "", False, False, False

    @property
    def pid(self) -> int | None:
        """Process id of the child, None while there is none."""
        return self._pipe.pid if self._pipe is not None else None

    @property
    def is_pending(self) -> bool:
        """Whether there may be GPUs that have not been met yet: they sleep, or the driver takes its time."""
        return not self.gpus and (self._guard.can_sleep or self._has_hung)

    @property
    def bell(self) -> int | None:
        """Descriptor that can be read once the child rings; None while it does not look out."""
        return self._pipe.bell if self._pipe is not None and self._is_watching else None

    def hear(self) -> bytes:
        """What the child has rung, nothing where it is dead; it does not look out any more."""
        self._is_watching = False
        return self._pipe.heard() if self._pipe is not None else b""

    def attach(self, sys_root: Path) -> tuple[NvmlGpu, ...]:
        """List the GPUs; where one can sleep only if all are awake, and for no longer than that takes.

        Parameters
        ----------
        sys_root
            Where ``/sys`` is.
        """
        if sys_root != self._sys_root:
            self._sys_root, self._guard = sys_root, WakeGuard(sys_root)
        can_sleep = self._guard.can_sleep
        if can_sleep and (self.gpus or not self._guard.are_awake):
            return self.gpus
        if self._dying is not None and not self._dying.is_gone():
            return self.gpus
        try:
            self._open(None if not self.gpus else self._patience_s)
            self._recover()
        except NvmlLateError:
            return self.gpus
        except NvmlError as error:
            self._fail(error, None)
        if can_sleep:
            self._let_go(None)
        self.has_news = False
        return self.gpus

    def look(self, at_boot_s: float) -> Mapping[str, Raw] | Missing:
        """Readings of every GPU by UUID, as the child gave them; one question for all groups of a look."""
        if at_boot_s != self._looked_at_s:
            self._looked_at_s = at_boot_s
            self._answer = self._look(at_boot_s)
        return self._answer

    def peek(self, at_boot_s: float) -> Mapping[str, Raw] | Missing:
        """Power [mW] and utilisation [%] of every GPU, only where NVML is open anyway."""
        door = self._guard.look(at_boot_s)
        if door is Door.ASLEEP:
            return self._asleep(at_boot_s)
        if not self._is_open or door not in (Door.FREE, Door.KEEP):
            return Missing.NOT_READ
        try:
            return readings_in(self._ask({"ask": "peek"}, self._patience_s), 2)
        except NvmlLateError:
            return Missing.TIMEOUT
        except NvmlError as error:
            return self._fail(error, at_boot_s)

    def facts(self, uuid: str) -> Mapping[str, str]:
        """Facts of one GPU, from the child only where NVML is open anyway."""
        if self._is_open and not (self._guard.can_sleep and not self._guard.are_awake):
            try:
                for other, facts in facts_in(self._ask({"ask": "facts"}, self._patience_s)).items():
                    self._facts[other] = {**facts, "nvidia_driver": self._driver}
            except NvmlLateError:
                pass  # those known are still the best there are
            except NvmlError as error:
                self._fail(error, None)
        return self._facts.get(uuid, {})

    def enter(self) -> None:
        """A group uses the link."""
        self._n_users += 1

    def leave(self) -> None:
        """A group is done; with the last one the child ends."""
        self._n_users -= 1
        if self._n_users <= 0:
            self.close()

    def close(self) -> None:
        """End the child; a later look starts a new one."""
        self._kill()
        self._guard.closed()

    def _look(self, at_boot_s: float) -> Mapping[str, Raw] | Missing:
        door = self._guard.look(at_boot_s)
        if door is Door.ASLEEP:
            return self._asleep(at_boot_s)
        if door is Door.WAITING:
            return Missing.NOT_READ
        if self._is_backing_off(at_boot_s):
            return Missing.DRIVER_ERROR
        # A GPU that can sleep is asked only by who has just seen that it does not.
        question = {"ask": "read"} | ({"orders": self.orders} if self.orders and door is Door.FREE else {})
        self._is_watching = False
        try:
            self._freshen(at_boot_s)
            readings = readings_in(self._ask(question, self._patience_s), LEAST_READING)
        except NvmlLateError:
            return Missing.TIMEOUT
        except NvmlError as error:
            return self._fail(error, at_boot_s)
        self._is_watching = "orders" in question
        self._recover()
        if door is not Door.FREE and self._guard.must_close(at_boot_s, is_loaded(readings)):
            self._let_go(at_boot_s)
        return readings

    def _asleep(self, at_boot_s: float) -> Missing:
        is_asked = self._pipe is not None and self._pipe.owes
        if self._is_open or is_asked:  # fell asleep under our hands: not one more call into NVML
            self._kill()
            self._guard.closed(at_boot_s)
        return Missing.ASLEEP

    def _is_backing_off(self, at_boot_s: float) -> bool:
        if self._dying is not None:
            if not self._dying.is_gone():
                return True
            self._dying = None
        if self._backoff_s and self._retry_at_s is None:
            self._retry_at_s = at_boot_s + self._backoff_s
        return self._retry_at_s is not None and at_boot_s < self._retry_at_s

    def _freshen(self, at_boot_s: float) -> None:
        """Have NVML open; once a day in a new process, which opens before the old one closes."""
        if self._recycle_at_s is None:
            self._recycle_at_s = at_boot_s + RECYCLE_S
        is_bloated = self._pipe is not None and self._pipe.is_bloated(at_boot_s)
        if at_boot_s < self._recycle_at_s and not is_bloated:
            if not self._is_open:
                self._open(self._patience_s)
            return
        # Without another user the driver would unload in between, and its counters begin again.
        old, self._pipe, self._is_open = self._pipe, None, False
        self._recycle_at_s = at_boot_s + RECYCLE_S
        try:
            self._open(None)
        finally:
            if old is not None and not old.end():
                self._dying = old

    def _open(self, patience_s: float | None) -> None:
        may_count = not self._guard.can_sleep
        methods = {u: m for u, m in self._methods.items() if may_count or m != ENERGY}
        answer = self._ask({"ask": "open", "methods": methods, "may_count": may_count}, patience_s)
        self._is_open = True
        self._guard.opened()
        gpus = gpus_in(answer)
        self._driver = gpus[0].driver if gpus else ""
        if answer.get("lost"):
            log.warning("NVML: %s does not answer; the others are read", answer["lost"].get("where"))
        known = {gpu.uuid: gpu for gpu in self.gpus}
        self.has_news = self.has_news or any(gpu.uuid not in known for gpu in gpus)
        self.gpus = tuple({**known, **{gpu.uuid: gpu for gpu in gpus}}.values())
        for gpu in gpus:
            self._methods[gpu.uuid] = gpu.method
            self._facts[gpu.uuid] = {**gpu.facts, "nvidia_driver": gpu.driver}

    def _let_go(self, at_boot_s: float | None) -> None:
        """Close NVML but keep the idle child, unless the driver's files stay open in it."""
        if not self._is_open:
            return
        try:
            is_held = bool(self._ask({"ask": "shut"}, self._patience_s).get("held", True))
        except NvmlError:
            is_held = True
        self._is_open = False
        if is_held:
            self._kill()
        self._guard.closed(at_boot_s)

    def _ask(self, question: dict[str, Any], patience_s: float | None) -> dict[str, Any]:
        if self._pipe is None:
            self._pipe = ChildPipe(self._command, self._deadline_s)
        answer = self._pipe.ask(question, patience_s)
        if "code" in answer:
            code = answer["code"]
            remedy = "reboot pending after a driver update" if code == VERSION_MISMATCH else ""
            raise NvmlError(f"NVML code {code} from {answer.get('where')}", remedy=remedy, code=code)
        if "trouble" in answer:
            raise NvmlError(f"the NVML child: {answer['trouble']}")
        return answer

    def _fail(self, error: NvmlError, at_boot_s: float | None) -> Missing:
        """End the child, plan the next try and tell it once."""
        self._kill()
        self._guard.closed(at_boot_s)
        if error.code is None:
            self._backoff_s = min(DRIVER_BACKOFF_S, FIRST_BACKOFF_S * 2**self._failures)
            self._failures = min(self._failures + 1, 10)
        else:
            self._backoff_s = DRIVER_BACKOFF_S if error.code in FATAL else FIRST_BACKOFF_S
        self._retry_at_s = None if at_boot_s is None else at_boot_s + self._backoff_s
        if str(error) != self.notice:
            self.notice = str(error)
            level = logging.WARNING if self.gpus else logging.DEBUG  # no GPU here is no news
            log.log(level, "%s; next try in %.0f s", self.notice, self._backoff_s)
        self._has_hung = "within" in error.message
        return Missing.TIMEOUT if self._has_hung else Missing.DRIVER_ERROR

    def _recover(self) -> None:
        if self.notice:
            log.info("NVML answers again")
        self.notice, self._backoff_s, self._failures, self._retry_at_s = "", 0.0, 0, None

    def _kill(self) -> None:
        self._is_open = self._is_watching = False
        pipe, self._pipe = self._pipe, None
        if pipe is not None and not pipe.end():
            self._dying = pipe
