"""One tick of the service: what came back from the doors goes to the ledger, its actions to the doors."""

from __future__ import annotations

import logging
from collections import deque
from collections.abc import Callable, Collection, Iterable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from datetime import date, datetime, timedelta
from typing import Any, Protocol

from scheduler.model import Unsettled
from scheduler.service import water_records
from scheduler.service.actions import (
    Action,
    Beat,
    Beaten,
    Book,
    Close,
    DayPlan,
    Moment,
    Open,
    Recover,
    Replan,
    Rules,
    Tell,
    Untell,
    ValveEvent,
    Watering,
    Write,
    Written,
)
from scheduler.service.books import Answer, AskDay, AskLost, DayRead, Disk, Hold, Lost, Publish, Request
from scheduler.service.brief import Brief
from scheduler.service.dayplan import Rate, plan_from_page, shares_by_hand
from scheduler.service.job_times import JobDone, Mornings
from scheduler.service.ledger import Ledger
from scheduler.service.notices import Board

log = logging.getLogger(__name__)

ASK_AGAIN_S = 300.0  # the books are read at least this often
ASK_FAILED_S = 10.0  # pause before books that failed are asked again
KNOWN_BACK = timedelta(days=8)
MOST_KNOWN = 300  # runs kept in mind
REPLY_S = 1.5  # a person who asked gets an answer after this long, whatever the valve says


STANDS_IN = "a new database stands in for a lost one: today counts as watered"


class Valves(Protocol):
    def open(self, key: str, uid: str, seconds: float) -> None: ...
    def close(self, key: str) -> None: ...
    def drop(self, key: str) -> None: ...
    def events(self) -> list[ValveEvent]: ...


class Books(Protocol):
    def ask(self, request: Request) -> None: ...
    def answers(self) -> list[Answer]: ...


@dataclass(slots=True)
class Wish:
    """What a person asks for at the control door; `reply` is called once, with (done, words)."""

    kind: str  # "water" or "stop"
    zone: str | None
    minutes: float
    reply: Callable[[bool, str], None]


@dataclass(slots=True)
class _Pending:
    reply: Callable[[bool, str], None]
    said: str
    keys: set[str]
    uid: str | None
    give_up: float


@dataclass(slots=True)
class Runner:
    """The service without its threads: everything outside comes in as an argument."""

    ledger: Ledger
    brief: Brief
    valves: Valves
    books: Books
    board: Board
    start_job: Callable[[date, str], None]
    mornings: Mornings = field(default_factory=Mornings)
    liters: Callable[[str, float, float], float | None] = lambda _uid, _opened, _closed: None
    freeze_s: float = 2.0
    steps: int = 0
    day: DayRead | None = None
    plan: DayPlan | None = None
    rates: dict[str, Rate] = field(default_factory=dict)
    _asked: tuple[date, float] | None = None
    _reread: bool = True
    _booked: list[tuple[int, date, float]] = field(default_factory=list)  # litres the day read does not have
    _books: int = 0
    _recovered: bool = False
    _books_doubted: bool = False
    _ask_at: float = float("-inf")
    newest_s: float = float("-inf")  # the latest moment that was written down
    _settled: deque[str] = field(default_factory=lambda: deque(maxlen=200))
    _lost: list[Unsettled] = field(default_factory=list)
    _lost_beat_at: float = float("-inf")
    _last: float | None = None
    _pending: list[_Pending] = field(default_factory=list)
    _closed_at: dict[str, float] = field(default_factory=dict)
    _leaving: set[str] = field(default_factory=set)
    _shown: Any = None
    _early: list[ValveEvent] = field(default_factory=list)
    _laid: tuple[Any, Any, Any] = (None, None, None)

    # --- one tick ---

    def tick(
        self,
        at: Moment,
        *,
        hindrance: str | None = None,
        wishes: Iterable[Wish] = (),
        jobs: Iterable[JobDone] = (),
        adopt: Brief | None = None,
        plan_changed: bool = False,
        stopping: bool = False,
    ) -> None:
        """hindrance: why nothing may open, known outside (guard, shutdown)."""
        if self._last is not None and at.mono - self._last > self.freeze_s:
            self.perform(at, self.ledger.frozen(at, self._last))
        self._last = at.mono
        if adopt is not None:
            self._adopt(at, adopt)
        for done in jobs:
            self._job_done(at, done)
        self._read_books(at, plan_changed)
        blocked = hindrance or self._not_ready(at)
        early, self._early = self._early, []
        for event in [*early, *self.valves.events()]:
            self._valve(at, event)
        self._recover(at)
        for answer in self.books.answers():
            self._answer(at, answer, blocked)
        for wish in wishes:
            self._wish(at, wish, blocked)
        self.perform(at, self.ledger.step(at, self._plan_of(at), blocked))
        if not stopping:
            self._morning(at)
        self._reply(at)
        self._say_clock(at)
        self._publish(at)
        self.steps += 1

    def _plan_of(self, at: Moment) -> DayPlan | None:
        return self.plan if self.plan is not None and self.plan.day == at.wall.date() else None

    def _not_ready(self, at: Moment) -> str | None:
        if self.day is None or not self._recovered:
            return "the books are not read yet"
        if self._books_doubted:
            return "the record could not be written to disk"
        if self.day.day == at.wall.date() and self.day.as_watered:
            return STANDS_IN
        return None

    # --- doors ---

    def perform(self, at: Moment, actions: Sequence[Action]) -> None:
        for action in actions:
            match action:
                case Write(opening):
                    self._dated(opening.recorded_at)
                    self.books.ask(action)
                case Beat():
                    self._dated(action.at)
                    self.books.ask(action)
                case Book():
                    self._book(action)
                case Open(key, uid, seconds):
                    self.valves.open(key, uid, seconds)
                case Close(key, _):
                    self.valves.close(key)
                case Tell(key, level, text):
                    self.board.tell(key, level, text, at.wall)
                case Untell(key):
                    self.board.untell(key)
                case Replan(why):
                    self.mornings.want(why, at.mono)
                case Recover():
                    self.books.ask(AskLost())

    def _book(self, book: Book) -> None:
        self._dated(book.at)
        if book.uid is not None:
            self._settled.append(book.uid)
        self._books += 1
        self._booked += [(self._books, record.day, record.liters) for record in book.records]
        self._count_water()
        self._reread = True
        self.books.ask(book)

    def _count_water(self) -> None:
        """This month's litres: what the books said, and what was handed in since."""
        used = dict(self.day.used_l) if self.day else {}
        for _, day, liters in self._booked:
            used[day] = used.get(day, 0.0) + liters
        self.ledger.used_l = used

    def _dated(self, at: datetime) -> None:
        """No right clock is earlier than what was written down."""
        self.newest_s = max(self.newest_s, at.timestamp())

    def _valve(self, at: Moment, event: ValveEvent) -> None:
        if event.kind == "closed":
            self._closed_at[event.key] = event.mono
            if event.key in self._leaving and event.key not in self.ledger.rules.every_valve():
                self._leaving.discard(event.key)
                self.valves.drop(event.key)
                self.perform(at, self.ledger.valve(at, event))
                self.ledger.closed.discard(event.key)  # should it come back, it is closed first again
                return
        self.perform(at, self.ledger.valve(at, self._metered(event)))

    def _metered(self, event: ValveEvent) -> ValveEvent:
        held = self.ledger.holding.get(event.key)
        if event.kind != "closed" or held is None or held.opened_mono is None:
            return event
        return replace(event, liters=self.liters(held.opening.uid, held.opened_mono, event.mono))

    def hear(self, event: ValveEvent) -> None:
        """An event from before the first tick."""
        self._early.append(event)

    def leave(self, keys: Collection[str]) -> None:
        """Valves of an earlier configuration: let go once they are confirmed closed."""
        self._leaving |= set(keys)

    def _answer(self, at: Moment, answer: Answer, blocked: str | None) -> None:
        match answer:
            case Written():
                self.perform(at, self.ledger.written(at, answer, blocked))
            case Beaten(mono):
                self.ledger.beaten(mono)
            case DayRead():
                self._books_doubted = False
                self._day_read(at, answer)
            case Lost(openings):
                known = {h.opening.uid for h in self.ledger.holding.values()} | {*self._settled}
                self._lost = [lost for lost in openings if lost.opening.uid not in known]
                self._recovered = True
                self._recover(at)
            case Disk(of, why, notices):
                for k, text in enumerate(notices):
                    self.board.tell(f"database {at.wall:%Y%m%d%H%M} {k}", "problem", text, at.wall)
                key = "disk" if of == "books" else "summary"
                if of == "books" and why is not None:
                    self._books_doubted = True  # it may be another database when it answers again
                    self._ask_at = at.mono + ASK_FAILED_S
                if why is None:
                    self.board.untell(key)
                else:
                    self.board.tell(key, "problem", f"nothing opens, since it could not be recorded: {why}"
                                    if of == "books" else why, at.wall)  # fmt: skip

    def _recover(self, at: Moment) -> None:
        """Book what an earlier process left open, once its valve is confirmed closed."""
        if not at.dated:
            return  # a wrong date in the books would outlive the wrong clock
        left: list[Unsettled] = []
        for lost in self._lost:
            opening = lost.opening
            known = opening.valve in self.ledger.rules.every_valve() or opening.valve in self._leaving
            if known and opening.valve not in self._closed_at:
                left.append(lost)
                continue
            closed = self._closed_at.get(opening.valve, at.mono)
            records = water_records.recovered(
                lost, closed_mono=closed, boot=self.ledger.boot, beat_s=self.ledger.beat_s, now=at.wall
            )
            self._book(Book(opening.uid, records, at.wall))
            names = ", ".join(share.zone for share in opening.shares)
            least, most = records[0].least_minutes or 0.0, records[0].most_minutes or 0.0
            self.board.tell(
                f"end {opening.uid}",
                "look",
                f"{names}: interrupted, {records[0].minutes:.1f} min applied (surely {least:.1f}, at most "
                f"{most:.1f}): the service or the power went away meanwhile",
                at.wall,
            )
            if opening.shares[0].pulse is not None:
                self.mornings.want(f"{names} was interrupted", at.mono)
        self._lost = left
        if left and at.mono >= self._lost_beat_at + self.ledger.beat_s:
            self._lost_beat_at = at.mono  # as long as it may be open, the books say so
            pairs = tuple((lost.opening.uid, lost.open_seconds or 0.0) for lost in left)
            self.perform(at, [Beat(pairs, at.wall, at.mono)])

    # --- books and plan ---

    def _read_books(self, at: Moment, plan_changed: bool) -> None:
        if not at.trusted and self.day is not None:
            return
        day = at.wall.date()
        stale = self._asked is None or self._asked[0] != day or at.mono > self._asked[1] + ASK_AGAIN_S
        again = self._books_doubted and at.mono >= self._ask_at
        if stale or plan_changed or self._reread or again:
            self._ask_at = at.mono + ASK_FAILED_S
            self.books.ask(AskLost())
            self._asked, self._reread = (day, at.mono), False
            self.books.ask(AskDay(day, self._books))

    def _day_read(self, at: Moment, read: DayRead) -> None:
        self.day = read
        self._booked = [booked for booked in self._booked if booked[0] > read.books]
        self._count_water()
        if read.newest_record is not None:
            self._dated(read.newest_record)
        if read.as_watered and read.day == at.wall.date():
            self.board.tell(f"database {read.day}", "problem", f"{STANDS_IN}, and nothing opens", at.wall)
        self.ledger.tried |= read.tried
        # a date that a wrong clock made must not make it forget what it opened today
        if len(self.ledger.tried) > MOST_KNOWN:
            self.ledger.tried = {one for one in self.ledger.tried if one[0] >= read.day - KNOWN_BACK}
        self.ledger.held = dict(read.held)
        self.mornings.found(read.day, read.made_at, self.brief.plan_at, at.wall)
        if self.plan is not None and self.plan.day < read.day and at.trusted:
            self.perform(at, self.ledger.give_up(at, self.plan))
        self._lay_plan()
        if at.trusted and read.day == at.wall.date():
            self._answer_for_earlier_days(at, read)

    def _lay_plan(self) -> None:
        page = self.day.page if self.day else None
        laid = (page, self.brief, self.rates)
        if all(new is old for new, old in zip(laid, self._laid, strict=True)):
            return
        self._laid = laid
        self.plan = plan_from_page(page, self.brief.valve_of, self._rates()) if page else None

    def _rates(self) -> dict[str, Rate]:
        return {**self.brief.rates, **self.rates}

    def _answer_for_earlier_days(self, at: Moment, read: DayRead) -> None:
        """Planned runs of earlier days that this service should have opened and did not."""
        own = {z for z, key in self.brief.valve_of.items() if not key.startswith("by_hand:")}
        for day, zone, pulse, minutes in read.unanswered:
            if zone not in own or (day, zone, pulse) in self.ledger.tried:
                continue
            share = shares_by_hand([zone], day, minutes, self._rates())[0]
            record = water_records.missed(share, pulse, at.wall)
            self.ledger.tried.add((day, zone, pulse))
            self.perform(at, [
                Book(None, (record,), at.wall),
                Tell(f"skip {day} {zone} {pulse}", "look",
                     f"{zone}: the run of {day} ({minutes:.0f} min) did not happen: the service was not "
                     "running, or its clock not trusted"),
            ])  # fmt: skip

    def _morning(self, at: Moment) -> None:
        if self.day is None or self.day.day != at.wall.date():
            return
        why = self.mornings.start(at, self.brief.plan_at, self._plan_of(at))
        if why is not None:
            log.info("daily job: %s", why)
            self.start_job(at.wall.date(), why)

    def _job_done(self, at: Moment, done: JobDone) -> None:
        self.mornings.ended(at, done)
        self._reread = True
        if done.ok:
            self.rates = dict(done.rates)
            self.ledger.rules = self._rules()
            self.board.untell(f"day {done.day}")
        else:
            self.board.tell(f"day {done.day}", "problem", f"the day's plan could not be made: {done.why}; "
                            "it is tried again", at.wall)  # fmt: skip

    def _rules(self) -> Rules:
        return self.brief.rules(self.rates)

    def _adopt(self, at: Moment, brief: Brief) -> None:
        """Another version of garden.yaml: valves that are gone are closed, then let go."""
        self.brief = brief
        self.rates = {}
        self._leaving |= self.ledger.rules.every_valve()
        self._leaving -= self._rules().every_valve()
        self.perform(at, self.ledger.adopt(self._rules()))
        self._lay_plan()
        self.mornings.done = False
        self.mornings.next_try = float("-inf")

    # --- people ---

    def _wish(self, at: Moment, wish: Wish, blocked: str | None) -> None:
        valve_of = self.brief.valve_of
        if wish.zone is not None and wish.zone not in valve_of:
            wish.reply(False, f'no zone "{wish.zone}" in garden.yaml; zones: {", ".join(valve_of)}')
        elif wish.kind == "stop":
            self._stop(at, wish)
        else:
            self._water(at, wish, blocked)

    def _water(self, at: Moment, wish: Wish, blocked: str | None) -> None:
        assert wish.zone is not None
        key = self.brief.valve_of[wish.zone]
        if key.startswith("by_hand:"):
            wish.reply(False, f"{wish.zone} has no valve that the service can open")
            return
        zones = self.ledger.rules.valves[key].zones
        shares = shares_by_hand(zones, at.wall.date(), wish.minutes, self._rates())
        watering = Watering(key, at.wall, at.wall + timedelta(minutes=wish.minutes), shares)
        actions = self.ledger.water(at, watering, self._plan_of(at), blocked)
        if isinstance(actions, str):
            wish.reply(False, f"{wish.zone}: {actions}")
            return
        uid = self.ledger.holding[key].opening.uid
        until = at.wall + timedelta(minutes=wish.minutes)
        said = f"{', '.join(zones)} open until {until:%H:%M:%S}"
        self._pending.append(_Pending(wish.reply, said, {key}, uid, at.mono + REPLY_S))
        self.perform(at, actions)

    def _stop(self, at: Moment, wish: Wish) -> None:
        """Close, and stay dry for the rest of the day: also the zones on the same valve."""
        of_zone = None
        if wish.zone is not None:
            key = self.brief.valve_of[wish.zone]
            of_zone = [zone for zone, valve in self.brief.valve_of.items() if valve == key]
        zones = of_zone if of_zone is not None else list(self.brief.valve_of)
        actions = self.ledger.stop(of_zone, "stopped by hand")
        keys = {action.key for action in actions if isinstance(action, Close)}
        for key in keys:
            self._closed_at.pop(key, None)
        self.perform(at, actions)
        self._hold(at, zones)
        said = f"{', '.join(zones)} closed, and kept dry until tomorrow (rowwater water ZONE still works)"
        self._pending.append(_Pending(wish.reply, said, keys, None, at.mono + REPLY_S))

    def keep_dry(self, at: Moment, keys: Iterable[str], why: str) -> None:
        """End these openings, and open their zones no more today by the plan."""
        for key in keys:
            if key in self.ledger.holding:
                zones = [share.zone for share in self.ledger.holding[key].opening.shares]
                self.perform(at, self.ledger.end(key, why, again=False))
                self._hold(at, zones)

    def _hold(self, at: Moment, zones: Sequence[str]) -> None:
        until = at.wall.date() + timedelta(days=1)
        self.ledger.held |= dict.fromkeys(zones, until)
        if at.dated:
            self._dated(at.wall)
            self.books.ask(Hold(tuple(zones), until, at.wall))

    def _reply(self, at: Moment) -> None:
        for pending in list(self._pending):
            answer = self._outcome(at, pending)
            if answer is not None:
                self._pending.remove(pending)
                pending.reply(*answer)

    def _outcome(self, at: Moment, pending: _Pending) -> tuple[bool, str] | None:
        if pending.uid is None:
            left = pending.keys - self._closed_at.keys()
            if not left:
                return True, pending.said
            if at.mono < pending.give_up:
                return None
            zones = [z for z, key in self.brief.valve_of.items() if key in left]
            return False, f"{', '.join(zones)}: told to close, not confirmed yet. Use the hand valve"
        (key,) = pending.keys
        held = self.ledger.holding.get(key)
        if held is None or held.opening.uid != pending.uid:
            told = [ln.text for ln in self.board.lines() if ln.key in (f"end {pending.uid}", "disk")]
            return False, told[0] if told else "it did not open"
        if held.opened_mono is not None:
            return True, pending.said
        return (
            (True, f"{pending.said}: its valve has not answered yet") if at.mono > pending.give_up else None
        )

    # --- the summary ---

    def _say_clock(self, at: Moment) -> None:
        if at.trusted:
            self.board.untell("clock")
        else:
            self.board.tell("clock", "problem", f"clock not trusted ({at.why_not}): nothing opens", at.wall)

    def open_now(self, at: Moment) -> list[dict[str, Any]]:
        found = []
        for held in self.ledger.holding.values():
            if held.opened_mono is None:
                continue
            left = held.opened_mono + held.opening.seconds - at.mono
            until = (at.wall + timedelta(seconds=max(left, 0.0))).isoformat(timespec="minutes")
            found += [{"zone": share.zone, "until": until} for share in held.opening.shares]
        return sorted(found, key=lambda entry: entry["zone"])

    def _publish(self, at: Moment) -> None:
        self.board.expire(at.wall)
        opened = tuple(
            sorted(h.opening.uid for h in self.ledger.holding.values() if h.opened_mono is not None)
        )
        given = None if self.day is None else self.day.given
        made = None if self.day is None else (self.day.day, self.day.made_at)
        state = (opened, given, made, at.wall.date())
        if not self.board.changed and state == self._shown:
            return
        self.board.changed, self._shown = False, state
        self.books.ask(Publish(self.service_page(at)))

    def service_page(self, at: Moment) -> Mapping[str, Any]:
        return {
            "date": at.wall.date().isoformat(),
            "made_at": at.wall.isoformat(timespec="seconds"),
            "garden": self.brief.garden,
            "timezone": self.brief.timezone,
            "display": self.brief.display,
            "hours": self.brief.hours,
            "newest_s": self.newest_s if self.newest_s > float("-inf") else None,
            "notices": self.board.notices(),
            "open_now": self.open_now(at),
            "given": None if self.day is None else list(self.day.given),
        }
