"""The one thread that touches the disk: the ledger, the plan, today.json. Valves never wait for it."""

from __future__ import annotations

import contextlib
import logging
import queue
import threading
from collections import deque
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import date, datetime, timedelta
from typing import Any

from scheduler.errors import CouldNot
from scheduler.model import Applied, Note, Unsettled
from scheduler.planning.on_record import Spent, gathered, given_lines, holds, spent, unanswered
from scheduler.planning.spans import ASK_BACK_DAYS
from scheduler.service.actions import Beat, Beaten, Book, Hold, Write, Written
from scheduler.service.queues import drained
from scheduler.store import older, openings
from scheduler.store.store import Store

log = logging.getLogger(__name__)

REBOOK_S = 10.0
MOST_WAITING_BEATS = 4  # behind a locked database heartbeats pile up; more of them say nothing new


@dataclass(frozen=True, slots=True)
class AskDay:
    """What the books say of this local day. books: how many bookings were handed in before it."""

    day: date
    books: int = 0


@dataclass(frozen=True, slots=True)
class AskLost:
    """Openings that nobody closed in the books."""


@dataclass(frozen=True, slots=True)
class Publish:
    """Lay the service's own words over today.json."""

    page: Mapping[str, Any]


@dataclass(frozen=True, slots=True)
class DayRead:
    day: date
    page: Mapping[str, Any] | None  # of the newest plan
    made_at: datetime | None
    tried: frozenset[openings.Identity]
    held: Mapping[str, date]
    unanswered: tuple[tuple[date, str, int, float], ...]  # earlier planned runs: day, zone, pulse, minutes
    as_watered: bool  # a new database stands in for a lost one: today counts as watered
    newest_record: datetime | None
    given: Sequence[Mapping[str, Any]]  # water since yesterday, as today.json shows it
    spent: Sequence[Spent] = ()  # water on record of this month
    older: str | None = None  # the records are older than what was done since, and nobody said they are right
    facts: int = 0  # on record
    books: int = 0  # of the request: what was handed in before it is counted in


@dataclass(frozen=True, slots=True)
class Lost:
    openings: tuple[Unsettled, ...]


@dataclass(frozen=True, slots=True)
class Disk:
    """How the last use of the disk went; of the books "well" is said of a write only."""

    of: str  # "books" or "summary"
    why: str | None  # None: well
    notices: tuple[str, ...] = ()  # of opening the database


BookRequest = Write | Beat | Book | AskDay | AskLost | Hold | Publish
Answer = Written | Beaten | DayRead | Lost | Disk


class Books:
    """What is asked of the disk, one request after the other. The disk's faults are answers."""

    def __init__(
        self,
        open_store: Callable[[], Store],
        publish: Callable[[Mapping[str, Any]], None],
        compare: Callable[[Store, date], None] = lambda _store, _day: None,
    ) -> None:
        """compare: of the records with what else remembers them, before they say anything of a day."""
        self._open_store = open_store
        self._publish = publish
        self._compare = compare
        self._store: Store | None = None
        self._refused = True  # nothing is proven yet; then: and no write has succeeded since
        self.unbooked: deque[Book] = deque()
        self.unheld: deque[Hold] = deque()  # zones to stay dry that the disk refused so far

    @property
    def waits(self) -> bool:
        """Something that the disk refused is still to be written."""
        return bool(self.unbooked or self.unheld)

    def do(self, request: BookRequest) -> list[Answer]:
        if isinstance(request, Publish):
            return [self._published(request)]
        if isinstance(request, Book):
            self.unbooked.append(request)
        if isinstance(request, Hold):
            self.unheld.append(request)
        try:
            store, answers = self._at_hand()
            answers += self._in_books(store, request)
        except openings.AlreadyOpened as error:
            assert isinstance(request, Write)
            return [Written(request.opening.uid, False, error.text, already=True)]
        except CouldNot as error:
            refused = self._failed(error)
            if isinstance(request, Write):
                refused.append(Written(request.opening.uid, False, error.text))
            return refused
        if isinstance(request, AskDay | AskLost):
            return [*answers, *self._proven(store)] if isinstance(request, AskDay) else answers
        if any(isinstance(answer, Written) and not answer.ok for answer in answers):
            return answers  # nothing was written
        self._refused = False
        return [*answers, Disk("books", None)]

    def _failed(self, error: CouldNot) -> list[Answer]:
        self._let_go()
        self._refused = True
        return [Disk("books", error.text)]

    def _proven(self, store: Store) -> list[Answer]:
        """That a disk which refused can be read shows nothing: one write has to succeed."""
        if not self._refused:
            return []
        try:
            store.prove()
        except CouldNot as error:
            return self._failed(error)
        self._refused = False
        return [Disk("books", None)]

    def rebook(self) -> list[Answer]:
        """What the disk refused before, again."""
        if not self.waits:
            return []
        try:
            store, answers = self._at_hand()
            self._book(store)
            self._hold(store)
        except CouldNot as error:
            return self._failed(error)
        self._refused = False
        return [*answers, Disk("books", None)]

    def close(self) -> None:
        self._let_go()

    def _at_hand(self) -> tuple[Store, list[Answer]]:
        if self._store is not None:
            return self._store, []
        self._store = self._open_store()
        notices = self._store.notices
        return self._store, [Disk("books", None, notices)] if notices else []

    def _let_go(self) -> None:
        """A store that failed is opened anew: it may have been deleted, or its card come back."""
        store, self._store = self._store, None
        if store is not None:
            with contextlib.suppress(CouldNot):
                store.close()

    def _in_books(self, store: Store, request: BookRequest) -> list[Answer]:
        match request:
            case Write(opening):
                share = opening.shares[0]
                self._compare(store, share.day)  # it may have been exchanged since the day was read
                if share.pulse is not None and older.told(store, share.day):
                    return [Written(opening.uid, False, older.WAITS)]
                openings.open_in_books(store, opening)
                return [Written(opening.uid, True)]
            case Beat(open_seconds, at, mono):
                openings.beat(store, open_seconds, at)
                return [Beaten(mono)]
            case Book():
                self._book(store)
            case AskDay(day, books):
                self._compare(store, day)
                return [replace(_day(store, day), books=0 if self.unbooked else books)]
            case AskLost():
                self._book(store)  # what waits for the disk is not lost
                return [Lost(tuple(openings.unsettled(store)))]
            case Hold():
                self._hold(store)
        return []

    def _hold(self, store: Store) -> None:
        """A zone that was stopped stays dry also after a kill, once the disk takes it."""
        while self.unheld:
            hold = self.unheld[0]
            for zone in hold.zones:
                until = {"until": hold.until.isoformat()}
                store.add_note(Note("hold", hold.at.date(), hold.at, zone, until))
            self.unheld.popleft()

    def _book(self, store: Store) -> None:
        while self.unbooked:
            book = self.unbooked[0]
            openings.close_in_books(store, book.uid, book.records, book.at)
            self.unbooked.popleft()

    def _published(self, request: Publish) -> Disk:
        try:
            self._publish(request.page)
        except CouldNot as error:
            return Disk("summary", error.text)
        return Disk("summary", None)


def _day(store: Store, day: date) -> DayRead:
    first = day - timedelta(days=ASK_BACK_DAYS)
    tried = openings.tried(store, first, day)
    plan = store.plan(day)
    recent = store.applied(first, day)
    earlier = [
        (when, run.zone, run.pulse, run.minutes)
        for when, run in unanswered(store.plans(first, day - timedelta(days=1)), recent)
        if (when, run.zone, run.pulse) not in tried
    ]
    return DayRead(
        day=day,
        page=None if plan is None else plan.page,
        made_at=None if plan is None else plan.made_at,
        tried=frozenset(tried),
        held=holds(store.notes(kind="hold"), day),
        unanswered=tuple(earlier),
        as_watered=store.replaced_on(day),
        older=older.told(store, day),
        facts=openings.facts(store),
        newest_record=openings.newest_record(store),
        given=given_lines(_since_yesterday(recent, day), store.plans(day - timedelta(days=1), day)),
        spent=gathered(spent(store.applied(day.replace(day=1), day)), day),
    )


def _since_yesterday(records: Sequence[Applied], day: date) -> list[Applied]:
    return [record for record in records if record.day >= day - timedelta(days=1)]


class BookWriter:
    """The books in a thread of their own."""

    def __init__(self, books: Books) -> None:
        self._books = books
        self._requests: queue.SimpleQueue[BookRequest | None] = queue.SimpleQueue()
        self._answers: queue.SimpleQueue[Answer] = queue.SimpleQueue()
        self._thread = threading.Thread(target=self._run, name="books", daemon=True)
        self.failed: str | None = None  # a defect ended the thread

    def start(self) -> None:
        self._thread.start()

    def ask(self, request: BookRequest) -> None:
        if isinstance(request, Beat) and self._requests.qsize() > MOST_WAITING_BEATS:
            return
        self._requests.put(request)

    def answers(self) -> list[Answer]:
        return drained(self._answers)

    def end(self, seconds: float) -> bool:
        """Write what waits, as long as there is time; True if all of it is on disk."""
        self._requests.put(None)
        self._thread.join(seconds)
        return not self._thread.is_alive() and not self._books.waits

    def _run(self) -> None:
        try:
            while True:
                try:
                    request = self._requests.get(timeout=REBOOK_S if self._books.waits else None)
                except queue.Empty:
                    self._tell(self._books.rebook())
                    continue
                if request is None:
                    self._tell(self._books.rebook())
                    break
                self._tell(self._books.do(request))
        except BaseException as error:
            self.failed = f"{type(error).__name__}: {error}"
            log.exception("the pen broke")
        finally:
            self._books.close()

    def _tell(self, answers: Sequence[Answer]) -> None:
        for answer in answers:
            self._answers.put(answer)
