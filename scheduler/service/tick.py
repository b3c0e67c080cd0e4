"""One tick of the service: what came back from the doors goes to the ledger, its actions to the doors."""

from __future__ import annotations

import logging
from collections.abc import Callable, Collection, Iterable, Sequence
from dataclasses import replace
from datetime import date, datetime, timedelta
from typing import Protocol

from scheduler.planning.on_record import Spent, liters_at_most
from scheduler.service import limits, water_records
from scheduler.service.actions import (
    Action,
    Beat,
    Beaten,
    Book,
    Close,
    Hold,
    Kind,
    Late,
    Moment,
    Open,
    Recover,
    Replan,
    Tell,
    Untell,
    ValveEvent,
    Write,
    Written,
)
from scheduler.service.books import Answer, AskLost, BookRequest, DayRead, Disk, Lost, Publish
from scheduler.service.brief import Brief
from scheduler.service.dayplan import shares_by_hand
from scheduler.service.job_times import JobDone, Mornings
from scheduler.service.ledger import Ledger
from scheduler.service.notices import Notices
from scheduler.service.on_record import OnRecord
from scheduler.service.planned import Planned
from scheduler.service.recovery import Recovery
from scheduler.service.requests import Request, Requests
from scheduler.service.summary import Summary
from scheduler.store import older

log = logging.getLogger(__name__)

KNOWN_BACK = timedelta(days=8)
MOST_KNOWN = 300  # runs kept in mind
NO_PLAN_S = 30.0  # after water by hand: where nothing makes another plan by then, the old one holds
STANDS_IN = "a new database stands in for a lost one: today counts as watered"


class Valves(Protocol):
    def open(self, key: str, uid: str, seconds: float) -> None: ...
    def close(self, key: str) -> None: ...
    def late(self, key: str) -> None: ...
    def drop(self, key: str) -> None: ...
    def events(self) -> list[ValveEvent]: ...


class Writer(Protocol):
    def ask(self, request: BookRequest) -> None: ...
    def answers(self) -> list[Answer]: ...


class Runner:
    """The service without its threads: everything outside comes in as an argument."""

    def __init__(
        self,
        ledger: Ledger,
        brief: Brief,
        valves: Valves,
        books: Writer,
        notices: Notices,
        start_job: Callable[[date, str], None],
        *,
        liters: Callable[[str, float, float], float | None] = lambda _uid, _opened, _closed: None,
        freeze_s: float = 2.0,
    ) -> None:
        """liters: what the meter counted, by opening, opened and closed (monotonic)."""
        self.ledger = ledger
        self.valves = valves
        self.books = books
        self.notices = notices
        self.start_job = start_job
        self.liters = liters
        self.freeze_s = freeze_s
        self.mornings = Mornings()
        self.record = OnRecord()
        self.planned = Planned(brief)
        self.recovery = Recovery(ledger.boot, ledger.beat_s)
        self.requests = Requests(ledger, self.planned)
        self.summary = Summary(ledger, self.record, self.planned, notices)
        self.found_open: dict[str, tuple[float, float]] = {}  # last seen closed, first seen open (monotonic)
        self.leaving: set[str] = set()  # valves of an earlier configuration, until confirmed closed
        self.steps = 0
        self._last: float | None = None
        self._replan_since: Moment | None = None

    def tick(
        self,
        at: Moment,
        *,
        blocked: str | None = None,
        requests: Iterable[Request] = (),
        jobs: Iterable[JobDone] = (),
        use: Brief | None = None,
        plan_changed: bool = False,
        stopping: bool = False,
    ) -> None:
        """blocked: why nothing may open, known outside (guard, shutdown)."""
        self._stood_still(at)
        at = self._dated(at)
        if use is not None:
            self._use(at, use)
            at = self._dated(at)
        for done in jobs:
            self._job_done(at, done)
        for question in self.record.due(at, plan_changed):
            self.books.ask(question)
        blocked = blocked or self._not_ready(at)
        for event in self.valves.events():
            self._valve(at, event)
        self._recover(at)
        for answer in self.books.answers():
            self._answer(at, answer, blocked)
        for request in requests:
            self.perform(at, self.requests.take(at, request, blocked))
        self.perform(at, self.ledger.step(at, self.planned.on(at.date), blocked or self._older(at)))
        if not stopping:
            self._morning(at)
            self._planned_anew(at, None)
        self.requests.answer(at)
        self._say_clock(at)
        if (page := self.summary.due(at)) is not None:
            self.books.ask(Publish(page))
        self.steps += 1

    def _dated(self, at: Moment) -> Moment:
        rules = self.ledger.rules.limits
        return at if rules is None else replace(at, today=limits.watering_day(rules, at.wall))

    def _stood_still(self, at: Moment) -> None:
        if self._last is not None and at.mono - self._last > self.freeze_s:
            self.perform(at, self.ledger.frozen(at, self._last))
        self._last = at.mono

    def _not_ready(self, at: Moment) -> str | None:
        day = self.record.day
        if day is None or not self.recovery.asked:
            return "the books are not read yet"
        if self.record.doubted:
            return "the record could not be written to disk"
        if day.day == at.date and day.as_watered:
            return STANDS_IN
        return None

    def _older(self, at: Moment) -> str | None:
        """Why the plan waits for a person's word; who asks for water by hand has given it."""
        day = self.record.day
        return older.WAITS if day is not None and day.day == at.date and day.older else None

    def _say_clock(self, at: Moment) -> None:
        if at.trusted:
            self.notices.untell("clock")
        else:
            self.notices.tell("clock", "problem", f"clock not trusted ({at.why_not}): nothing opens", at.wall)

    # --- actions to the doors ---

    def perform(self, at: Moment, actions: Sequence[Action]) -> None:
        for action in actions:
            match action:
                case Write(opening):
                    self.record.dated(opening.recorded_at)
                    self.books.ask(action)
                case Beat():
                    self.record.dated(action.at)
                    self.books.ask(action)
                case Book():
                    self._book(at, action)
                case Hold() if at.dated:
                    self.record.dated(action.at)
                    self.books.ask(action)
                case Open(key, uid, seconds):
                    self.valves.open(key, uid, seconds)
                case Close(key, _):
                    self.valves.close(key)
                case Late(key):
                    self._doubt(key)
                case Tell():
                    self.notices.tell(
                        action.kind, action.level, action.text, at.wall, of=action.of, detail=action.detail
                    )
                    self.requests.hear(action)
                case Untell(kind, of):
                    self.notices.untell(kind, of)
                case Replan(why):
                    self.mornings.want(why, at)
                case Recover():
                    self.books.ask(AskLost())

    def _doubt(self, key: str) -> None:
        if key in self.ledger.open_runs:  # it is in use again: the close at the end of that will do
            self.recovery.late(key)
            return
        for one in self.ledger.doubted(key):
            self.valves.late(one)

    def _book(self, at: Moment, book: Book) -> None:
        if book.uid is not None:
            self.recovery.settled(book.uid)
        self.record.booked(book)
        self._spent()
        self.requests.hear(book)
        self.books.ask(book)
        self._after_water_by_hand(at, book)

    def _spent(self) -> None:
        """What the ledger takes off its limits."""
        spent = [*self.record.spent(), *self._not_booked_yet()]
        flow = {zone: rate[0] for zone, rate in self.planned.rates.items()}
        self.ledger.used_l = liters_at_most(spent, flow)
        had: dict[tuple[date, str], float] = {}
        for one in spent:
            if not one.zone:  # of earlier days
                continue
            had[one.day, one.zone] = had.get((one.day, one.zone), 0.0) + one.most_minutes * 60
        self.ledger.had_s = had

    def _not_booked_yet(self) -> list[Spent]:
        """Openings that an earlier process left, in full: their valves have not confirmed their close."""
        return [
            Spent(share.day, share.zone, minutes, minutes * share.flow_lpm, 0.0)
            for lost in self.recovery.lost
            for share in lost.opening.shares
            if (minutes := lost.opening.seconds / 60) > 0
        ]

    def _after_water_by_hand(self, at: Moment, book: Book) -> None:
        """What a person asked for is water too: runs of its zones that are still ahead are planned anew."""
        zones = {r.zone for r in book.records if r.pulse is None and r.minutes > 0 and r.day == at.date}
        plan = self.planned.on(at.date)
        ahead = {
            watering.valve
            for watering in (plan.waterings if plan is not None and zones else ())
            if self.ledger.tried.isdisjoint(watering.identities) and zones & {s.zone for s in watering.shares}
        }
        if ahead:
            self.mornings.want(f"{', '.join(sorted(zones))}: watered by hand", at)
            self.ledger.replanning |= ahead
            self._replan_since = at

    def _planned_anew(self, at: Moment, made_at: datetime | None) -> None:
        """Lets the runs that waited for it go on; also where no other plan comes."""
        since, ready = self._replan_since, self.mornings
        if since is None:
            return
        idle = not ready.running and ready.wanted is None and at.mono > since.mono + NO_PLAN_S
        if idle or (made_at is not None and made_at.timestamp() >= since.wall.timestamp()):
            self.ledger.replanning.clear()
            self._replan_since = None

    # --- what valves report ---

    def _valve(self, at: Moment, event: ValveEvent) -> None:
        if event.kind == "late":
            self.recovery.late(event.key)
            self.requests.closed_for_now(
                event.key, at.wall + timedelta(seconds=(event.late_until or at.mono) - at.mono)
            )
        if event.kind == "seen open" and event.key not in self.ledger.open_runs:
            self.found_open.setdefault(event.key, (event.doubt_since or event.mono, event.mono))
        if event.kind == "closed":
            self._water_of_others(at, event)
            self.recovery.closed(event.key, event.mono)
            self.requests.closed(event.key)
            if event.key in self.leaving and event.key not in self.ledger.rules.every_valve():
                self.leaving.discard(event.key)
                self.valves.drop(event.key)
                self.perform(at, self.ledger.valve(at, event))
                self.ledger.closed.discard(event.key)  # should it come back, it is closed first again
                return
        self.perform(at, self.ledger.valve(at, self._metered(event)))

    def _water_of_others(self, at: Moment, event: ValveEvent) -> None:
        """A valve that opened without being told is closed again: its water is booked, between bounds."""
        closed_since, seen = self.found_open.pop(event.key, (None, 0.0))
        rule = self.ledger.rules.valves.get(event.key)
        if closed_since is None or rule is None or not at.dated:
            return
        least_s, most_s = event.mono - seen, event.mono - closed_since
        shares = shares_by_hand(rule.zones, at.date, most_s / 60, self.planned.rates)
        records = water_records.by_others(shares, least_s=least_s, most_s=most_s, now=at.wall)
        self.perform(at, [Book(None, records, at.wall)])

    def _metered(self, event: ValveEvent) -> ValveEvent:
        held = self.ledger.open_runs.get(event.key)
        if event.kind != "closed" or held is None or held.opened_mono is None:
            return event
        return replace(event, liters=self.liters(held.opening.uid, held.opened_mono, event.mono))

    def leave(self, keys: Collection[str]) -> None:
        """Valves of an earlier configuration: let go once they are confirmed closed."""
        self.leaving |= set(keys)

    def _recover(self, at: Moment) -> None:
        self.perform(at, self.recovery.step(at, self.ledger.rules.every_valve() | self.leaving))

    # --- what the books answer ---

    def _answer(self, at: Moment, answer: Answer, blocked: str | None) -> None:
        match answer:
            case Written():
                self.perform(at, self.ledger.written(at, answer, blocked))
            case Beaten(mono):
                self.ledger.beaten(mono)
            case DayRead():
                self._day_read(at, answer)
            case Lost(openings):
                self.recovery.found(openings, [h.opening.uid for h in self.ledger.open_runs.values()])
                self._recover(at)
            case Disk():
                self._disk(at, answer)

    def _disk(self, at: Moment, disk: Disk) -> None:
        for k, text in enumerate(disk.notices):
            self.notices.tell("database", "problem", text, at.wall, of=f"{at.wall:%Y%m%d%H%M}", detail=str(k))
        kind: Kind = "disk" if disk.of == "books" else "summary"
        if disk.why is None:
            self.notices.untell(kind)
            return
        text = disk.why
        if disk.of == "books":
            self.record.failed(at.mono)
            text = f"nothing opens, since it could not be recorded: {disk.why}"
        self.notices.tell(kind, "problem", text, at.wall)

    def _day_read(self, at: Moment, read: DayRead) -> None:
        self.record.read(read)
        self._spent()
        if read.as_watered and read.day == at.date:
            text = f"{STANDS_IN}, and nothing opens"
            self.notices.tell("database", "problem", text, at.wall, of=str(read.day))
        if read.older is None:
            self.notices.untell("records")
        else:
            self.notices.tell("records", "problem", read.older, at.wall)
        self._remember(read)
        self.mornings.found(read.day, read.made_at, self.planned.brief.plan_at, at)
        plan = self.planned.plan
        if plan is not None and plan.day < read.day and at.trusted:
            self.perform(at, self.ledger.give_up(at, plan))  # by the holds of that plan's date
        self.ledger.holds_read(read.held, read.day)
        self.planned.read(read.page)
        self._planned_anew(at, read.made_at)
        if at.trusted and read.day == at.date:
            self._answer_for_earlier_days(at, read)

    def _remember(self, read: DayRead) -> None:
        self.ledger.tried |= read.tried
        # a date that a wrong clock made must not make it forget what it opened today
        if len(self.ledger.tried) > MOST_KNOWN:
            self.ledger.tried = {one for one in self.ledger.tried if one[0] >= read.day - KNOWN_BACK}

    def _answer_for_earlier_days(self, at: Moment, read: DayRead) -> None:
        """Planned runs of earlier days that this service should have opened and did not."""
        own = {z for z, key in self.planned.brief.valve_of.items() if not key.startswith("by_hand:")}
        for day, zone, pulse, minutes in read.unanswered:
            if zone not in own or (day, zone, pulse) in self.ledger.tried:
                continue
            share = shares_by_hand([zone], day, minutes, self.planned.rates)[0]
            record = water_records.missed(share, pulse, at.wall)
            self.ledger.tried.add((day, zone, pulse))
            text = (
                f"{zone}: the run of {day} ({minutes:.0f} min) did not happen: the service was not "
                "running, or its clock not trusted"
            )
            told = Tell("skip", "look", text, of=str(day), detail=f"{zone} {pulse}")
            self.perform(at, [Book(None, (record,), at.wall), told])

    # --- the daily job and the garden ---

    def _morning(self, at: Moment) -> None:
        day = at.date
        if self.record.day is None or self.record.day.day != day:
            return
        why = self.mornings.start(at, self.planned.brief.plan_at, self.planned.on(day))
        if why is not None:
            log.info("daily job: %s", why)
            self.start_job(day, why)

    def _job_done(self, at: Moment, done: JobDone) -> None:
        self.mornings.ended(at, done)
        self.record.read_again()
        if done.ok:
            self.planned.use_rates(done.rates)
            self.ledger.rules = self.planned.rules()
            self.notices.untell("day", str(done.day))
        else:
            text = f"the day's plan could not be made: {done.why}; it is tried again"
            self.notices.tell("day", "problem", text, at.wall, of=str(done.day))

    def _use(self, at: Moment, brief: Brief) -> None:
        """Another version of garden.yaml: valves that are gone are closed, then let go."""
        self.planned.use(brief)
        rules = self.planned.rules()
        self.leaving = (self.leaving | self.ledger.rules.every_valve()) - rules.every_valve()
        self.perform(at, self.ledger.use(rules))
        self.planned.read(self.record.day.page if self.record.day else None)
        self.mornings.again()
