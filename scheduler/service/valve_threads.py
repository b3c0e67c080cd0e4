"""One thread per valve. It opens and closes the valve, and closes it in time even if disk or clock hang."""

from __future__ import annotations

import logging
import queue
import threading
import time
from collections.abc import Callable, Mapping, Sequence
from contextlib import AbstractContextManager, nullcontext, suppress
from dataclasses import dataclass, field
from typing import Any, Literal, Protocol

from scheduler.relays.base import (
    ACTS_WITHIN_S,
    LIMIT_S,
    Doubt,
    Driver,
    HearsState,
    ReadsState,
    ValveFailed,
    asked,
    doubt,
)
from scheduler.service.actions import ValveEvent
from scheduler.service.queues import drained

log = logging.getLogger(__name__)

STALE_S = 4.0  # an open that is not on its way after so long is never sent
LOOK_S = 60.0  # how often a valve that can say whether it is open is asked while it is closed
LOOK_OPEN_S = 10.0  # and else
UNREAD = 2  # so often in a row an open valve that could be asked gave no answer: it may have closed
CONFIRM_S = 2.0  # the longest that is waited for that answer after a command
FIRST_PAUSE_S = 0.5
LONGEST_PAUSE_S = 15.0
Command = Literal["open", "close"]


@dataclass(slots=True)
class ValveState:
    """The command that one valve needs next, and until when it may be open.

    Pure: `now` is always a monotonic clock's. A new valve counts as open, and is closed first. A close is
    repeated, with growing pauses, for ever. After an open that was not confirmed it is repeated, also where
    it was confirmed, until that open cannot take effect any more; only a close sent after that ends it.
    A close that was not confirmed may take effect late too: who opens the valve has to wait for that.
    """

    key: str
    cap_s: float
    acts_within_s: float = ACTS_WITHIN_S
    confirmed_closed: bool = False
    want_close: bool = True
    order: tuple[str, float, float] | None = None  # uid, seconds, ordered at
    open_uid: str | None = None
    deadline: float | None = None
    tries: int = 0
    next_try: float = float("-inf")
    late_until: float = float("-inf")
    shut_until: float = float("-inf")  # a close that was not confirmed may still take effect
    helped_since: float | None = None  # the guard closes it too
    changed: float = float("-inf")  # what was seen before says nothing any more
    seen_at: float | None = None  # when it was last seen as it should be
    is_open: bool = False  # its open was confirmed
    ended: str | None = None  # why it may have closed by itself, after `seen_at`
    answers: bool = False  # it can say whether it is open
    unread: int = 0  # times in a row that it did not

    def ask_open(self, uid: str, seconds: float, now: float) -> None:
        """The deadline stands before any command is sent."""
        self.order = (uid, min(seconds, self.cap_s), now)
        self.deadline = now + min(seconds, self.cap_s)
        self.want_close = False

    def ask_close(self) -> None:
        self.want_close = True
        self.next_try = float("-inf")

    def ask_late(self, now: float) -> ValveEvent:
        """An open that is not this process's may still take effect."""
        self.late_until = now + self.acts_within_s
        self.ask_close()
        self.confirmed_closed, self.tries = False, 0
        return ValveEvent(self.key, "late", now, self.open_uid, late_until=self.late_until)

    def may_shut(self, now: float) -> None:
        """A close that was not confirmed may take effect from now on."""
        self.shut_until = max(self.shut_until, now + self.acts_within_s)

    def due(self, now: float) -> Command | None:
        if self.deadline is not None and now >= self.deadline:
            self.want_close = True
        if self.want_close:
            return "close" if now >= self.next_try else None
        return "open" if self.order is not None else None

    def wait_s(self, now: float) -> float | None:
        """Seconds until `due` may answer otherwise; None: not before somebody asks."""
        if self.want_close:
            return max(self.next_try - now, 0.0)
        if self.order is not None:
            return 0.0
        return None if self.deadline is None else max(self.deadline - now, 0.0)

    def refuse(self, now: float) -> ValveEvent | None:
        """An open that comes too late (the program stood still) is not sent."""
        if self.order is None:
            return None
        uid, _, ordered = self.order
        if not self.want_close and now <= ordered + STALE_S:
            return None
        self.order = None
        self.want_close = True
        self.open_uid = uid
        return ValveEvent(self.key, "open failed", now, uid, "it was too late to send it")

    def sending(self) -> tuple[str, float]:
        """The open that goes out now: (uid, seconds)."""
        assert self.order is not None
        uid, seconds, _ = self.order
        self.order = None
        self.open_uid = uid
        self.confirmed_closed = False
        self.changed = float("inf")
        return uid, seconds

    def opened(
        self, now: float, failure: str | None, *, simulated: bool = False, may_act: bool = True
    ) -> ValveEvent:
        """may_act: an open that failed may still take effect."""
        self.changed, self.is_open, self.seen_at, self.unread = now, failure is None, now, 0
        if failure is None:
            return ValveEvent(self.key, "opened", now, self.open_uid, simulated=simulated)
        self.ask_close()
        if not (may_act and self.acts_within_s > 0):
            return ValveEvent(self.key, "open failed", now, self.open_uid, failure)
        self.late_until = now + self.acts_within_s
        return ValveEvent(self.key, "open failed", now, self.open_uid, failure, late_until=self.late_until)

    def closed(
        self,
        now: float,
        failure: str | None,
        *,
        doubt: Doubt | None = None,
        sent: float | None = None,
    ) -> ValveEvent:
        """doubt: a reason to think that it had closed before; sent: when, if not now."""
        sent = now if sent is None else sent
        if doubt is not None and self.ended is None and self.open_uid is not None:
            self.ended, self.seen_at = doubt
        since, why = (self.seen_at, self.ended) if self.ended else (None, "")
        if failure is not None or sent < self.late_until:
            pause = min(FIRST_PAUSE_S * 2 ** min(self.tries, 10), LONGEST_PAUSE_S)
            self.tries += 1
            self.next_try = now + pause
            self.confirmed_closed = False
        if failure is not None:
            return ValveEvent(self.key, "close failed", now, self.open_uid, failure, since)
        if sent < self.late_until:
            self.next_try = min(self.next_try, self.late_until)
            return ValveEvent(
                self.key, "late", now, self.open_uid, why, sent=sent, late_until=self.late_until
            )
        self.changed, self.is_open = now, False
        self.ended, self.seen_at = None, now
        uid, self.open_uid, self.deadline = self.open_uid, None, None
        self.want_close, self.tries, self.next_try = False, 0, float("-inf")
        self.confirmed_closed, self.late_until, self.helped_since = True, float("-inf"), None
        shut = self.shut_until if self.shut_until > now else None
        return ValveEvent(self.key, "closed", now, uid, why, since, sent=sent, late_until=shut)

    def closed_by_guard(self, now: float) -> ValveEvent | None:
        """The guard tried too, and its close was confirmed."""
        if not self.want_close or self.helped_since is None:
            return None
        self.may_shut(now)  # its other tries
        return self.closed(now, None, sent=self.helped_since)

    def lost(self, doubt: Doubt, now: float) -> ValveEvent | None:
        """The way to an open valve broke, so it may have closed: it is closed, to be known again."""
        if not self.is_open or self.want_close:
            return None
        self.ended, self.seen_at = doubt
        self.ask_close()
        return ValveEvent(self.key, "doubt", now, self.open_uid, doubt.why, doubt.since)

    def unseen(self, now: float) -> ValveEvent | None:
        """It could not be asked whether it is open. Where it could before, it may be without power."""
        if not (self.answers and self.is_open) or self.want_close:
            return None
        self.unread += 1
        if self.unread != UNREAD:
            return None
        why = "it could not be asked any more whether it is open"
        return ValveEvent(self.key, "doubt", now, self.open_uid, why, self.seen_at)

    def seen(self, opened: bool, at: float, now: float) -> ValveEvent | None:
        """What the valve itself says, as of `at`; an event where it is open and should not be."""
        self.answers = True
        if at < self.changed or self.order is not None:
            return None
        late = self.want_close and at < self.late_until
        if opened and (self.confirmed_closed or late):
            self.ask_close()
            self.confirmed_closed, self.late_until = False, at  # what was to come has come
            return ValveEvent(self.key, "seen open", now, self.open_uid, doubt_since=self.seen_at)
        if self.is_open and not self.want_close:
            if not opened:
                self.ended = "it reports that it closed by itself"
                self.ask_close()
                return None
            self.seen_at, unread, self.unread = at, self.unread, 0
            return ValveEvent(self.key, "doubt", now, self.open_uid) if unread >= UNREAD else None
        if self.confirmed_closed:
            self.seen_at = at
        return None

    @property
    def settled(self) -> bool:
        """Known to be closed, and nothing else is to come."""
        return self.confirmed_closed and self.order is None


class Watcher(Protocol):
    """The part of the guard's link that a thread needs."""

    def opened(self, key: str, seconds: float) -> None: ...
    def closed(self, key: str) -> None: ...
    def answered(self, key: str, acts_within_s: float) -> None: ...
    def close(self, key: str) -> None: ...


@dataclass(slots=True)
class ValveThread:
    """A thread that cares for one valve. Commands may take their time here: no other valve waits for it."""

    state: ValveState
    driver: Driver
    watcher: Watcher
    report: Callable[[ValveEvent], None]
    clock: Callable[[], float] = time.monotonic
    share: Callable[[], AbstractContextManager[None]] = nullcontext  # of what is kept back for closes
    look_open_s: float = LOOK_OPEN_S
    _orders: queue.SimpleQueue[tuple[Any, ...]] = field(default_factory=queue.SimpleQueue)
    _thread: threading.Thread | None = None
    _ending: bool = False
    _over: threading.Event = field(default_factory=threading.Event)

    def start(self) -> None:
        if isinstance(self.driver, HearsState):
            self.driver.listen(
                lambda opened: self._orders.put(("seen", opened, self.clock())),
                lambda: self._orders.put(("lost",)),
            )
        self._thread = threading.Thread(target=self._run, name=f"valve {self.state.key}"[:60], daemon=True)
        self._thread.start()

    def open(self, uid: str, seconds: float) -> None:
        self._orders.put(("open", uid, seconds, self.clock()))

    def close(self) -> None:
        self._orders.put(("close",))

    def late(self) -> None:
        """An open of an earlier process may still take effect."""
        self._orders.put(("late",))

    def closed_by_guard(self) -> None:
        self._orders.put(("guard closed",))

    def end(self) -> None:
        """Close, give up pins and connections, and end; comes back at once."""
        self._orders.put(("end",))

    def join(self, seconds: float) -> bool:
        if self._thread is not None:
            self._thread.join(seconds)
            return not self._thread.is_alive()
        return True

    def _run(self) -> None:
        if isinstance(self.driver, ReadsState) and self.driver.reads_state:
            name = f"look {self.state.key}"[:60]
            with suppress(RuntimeError):  # no thread is left: then it is not asked
                threading.Thread(target=self._look, args=(self.driver,), name=name, daemon=True).start()
        while True:
            try:
                self._until_ended()
            except MemoryError:  # what was in hand is closed: this thread is the only one that does
                self.state.ask_close()
                time.sleep(FIRST_PAUSE_S)
            else:
                break
        self._over.set()
        try:
            self.driver.release()
        except Exception as error:  # the close before it was confirmed
            self.state.may_shut(self.clock())
            log.warning("%s: %s", self.state.key, error)

    def _until_ended(self) -> None:
        while True:
            self._take_orders(self.state.wait_s(self.clock()))
            now = self.clock()
            refused = self.state.refuse(now)
            if refused is not None:
                self.report(refused)
            match self.state.due(now):
                case "close":
                    self._send_close()
                case "open":
                    self._send_open()
            if self._ending and self.state.confirmed_closed:
                break

    def _look(self, driver: ReadsState) -> None:
        """Ask the valve itself from time to time: no close waits for the answer."""
        failed: str | None = None
        while not self._over.wait(LOOK_S if self.state.settled else self.look_open_s):
            at = self.clock()
            try:
                opened = driver.state(LIMIT_S)
            except Exception as error:  # whatever it is, it says nothing of the valve
                if (why := str(error)) != failed:
                    log.warning("%s: cannot be asked whether it is open: %s", self.state.key, why)
                failed = why
                self._orders.put(("unseen",))
                continue
            failed = None
            if opened is not None:
                self._orders.put(("seen", opened, at))

    def _take_orders(self, wait_s: float | None) -> None:
        try:
            order = self._orders.get(timeout=wait_s) if wait_s != 0 else self._orders.get_nowait()
            while True:
                match order:
                    case ("open", str(uid), float() | int() as seconds, float() as at):
                        if not self._ending:
                            self.state.ask_open(uid, seconds, at)
                    case ("close",):
                        self.state.ask_close()
                    case ("late",):
                        self.report(self.state.ask_late(self.clock()))
                    case ("end",):
                        self._ending = True
                        self.state.ask_close()
                    case _:
                        self._news(order)
                order = self._orders.get_nowait()
        except queue.Empty:
            pass

    def _news(self, news: tuple[Any, ...]) -> None:
        """What is heard of the valve beside the answers to commands."""
        event, now = None, self.clock()
        match news:
            case ("seen", bool() as opened, float() as at):
                event = self.state.seen(opened, at, now)
            case ("unseen",):
                event = self.state.unseen(now)
            case ("lost",) if (found := doubt(self.driver)) is not None:
                event = self.state.lost(found, now)
            case ("guard closed",) if not asked(self.driver, CONFIRM_S):
                event = self.state.closed_by_guard(now)
                self._over_with(event)
        if event is not None:
            self.report(event)

    def _send_open(self) -> None:
        uid, seconds = self.state.sending()
        log.info("open valve=%s opening=%s seconds=%.0f", self.state.key, uid, seconds)
        key = self.state.key
        failure, may_act = self._tried(lambda: self.watcher.opened(key, seconds)), False
        if failure is None:
            failure = self._tried(lambda: self.driver.open(seconds))
            may_act = failure is not None and failure.may_act
            if may_act and asked(self.driver, CONFIRM_S):
                failure = None  # its answer was lost on the way
        why = None if failure is None else failure.text
        event = self.state.opened(self.clock(), why, simulated=self.driver.simulated, may_act=may_act)
        late_s = 0.0 if event.late_until is None else event.late_until - event.mono
        self._tried(lambda: self.watcher.answered(key, late_s))
        self.report(event)

    def _send_close(self) -> None:
        before, sent = doubt(self.driver), self.clock()
        with self.share():
            failure = self._tried(self.driver.close)
        if failure is not None and failure.may_act:
            self.state.may_shut(self.clock())
        opened = asked(self.driver, CONFIRM_S)
        if opened is not None:
            failure = ValveFailed("it still reports open") if opened else None
        if failure is not None and not self.state.tries:
            self.state.helped_since = self.clock()
            self._tried(lambda: self.watcher.close(self.state.key))  # it may have what is short here
        if failure is None and self.state.helped_since is not None and self.state.acts_within_s > 0:
            self.state.may_shut(self.clock() + self.driver.limit_s)  # the guard may just be trying
        why = None if failure is None else failure.text
        event = self.state.closed(self.clock(), why, doubt=before or doubt(self.driver), sent=sent)
        self._over_with(event)
        self.report(event)

    def _over_with(self, event: ValveEvent | None) -> None:
        if event is not None and event.kind == "closed":
            log.info("closed valve=%s", self.state.key)
            self._tried(lambda: self.watcher.closed(self.state.key))

    def _tried(self, command: Callable[[], None]) -> ValveFailed | None:
        """None where it was confirmed. A defect of a driver is a failure too: the thread goes on."""
        try:
            command()
        except ValveFailed as failed:
            return failed
        except Exception as error:
            log.exception("%s", self.state.key)
            return ValveFailed(f"{type(error).__name__}: {error}")
        return None


class ValveThreads:
    """The threads of all valves."""

    def __init__(
        self,
        watcher: Watcher,
        *,
        clock: Callable[[], float] = time.monotonic,
        share: Callable[[], AbstractContextManager[None]] = nullcontext,
        look_open_s: float = LOOK_OPEN_S,
    ) -> None:
        self._look_open_s = look_open_s
        self._watcher = watcher
        self._share = share
        self._clock = clock
        self._threads: dict[str, ValveThread] = {}
        self._events: queue.SimpleQueue[ValveEvent] = queue.SimpleQueue()

    def take(self, drivers: Mapping[str, tuple[Driver, float, float]], *, may_shut: bool = False) -> None:
        """Threads for these valves, key -> (driver, cap_s, acts_within_s); each is closed first.

        may_shut: a close that an earlier process sent may still take effect.
        """
        for key, (driver, cap_s, acts_within_s) in drivers.items():
            if key not in self._threads:
                state = ValveState(key, cap_s, acts_within_s)
                if may_shut:
                    state.may_shut(self._clock())
                thread = ValveThread(
                    state,
                    driver,
                    self._watcher,
                    self._events.put,
                    self._clock,
                    self._share,
                    self._look_open_s,
                )
                self._threads[key] = thread
                thread.start()
            state = self._threads[key].state
            state.cap_s, state.acts_within_s = cap_s, acts_within_s

    def drop(self, key: str) -> None:
        """A valve that is confirmed closed and no longer wanted."""
        self._threads.pop(key).end()

    def every_valve(self) -> set[str]:
        return set(self._threads)

    def unconfirmed(self) -> list[str]:
        """Valves that are not known to be closed now."""
        return [key for key, thread in self._threads.items() if not thread.state.confirmed_closed]

    def quiet(self) -> bool:
        """Every valve is known to be closed, and no close is still to take effect."""
        now = self._clock()
        return all(t.state.confirmed_closed and t.state.shut_until <= now for t in self._threads.values())

    def open(self, key: str, uid: str, seconds: float) -> None:
        self._threads[key].open(uid, seconds)

    def close(self, key: str) -> None:
        if key in self._threads:
            self._threads[key].close()

    def late(self, key: str) -> None:
        if key in self._threads:
            self._threads[key].late()

    def closed_by_guard(self, key: str) -> None:
        if key in self._threads:
            self._threads[key].closed_by_guard()

    def events(self) -> list[ValveEvent]:
        return drained(self._events)

    def end(self, seconds: float) -> Sequence[str]:
        """Close everything and let go; the keys of the valves that were not confirmed within the time."""
        for thread in self._threads.values():
            thread.end()
        give_up = self._clock() + seconds
        return [
            key for key, thread in self._threads.items() if not thread.join(max(give_up - self._clock(), 0.0))
        ]
