"""What stands in for hardware, disk and threads in the played shed."""

from __future__ import annotations

from collections import deque
from collections.abc import Callable
from dataclasses import dataclass, field, replace
from datetime import date, datetime, timedelta
from itertools import takewhile
from typing import TYPE_CHECKING, Any

from scheduler.model import Applied, Opening, Unsettled
from scheduler.planning.on_record import Spent, gathered, spent
from scheduler.relays.base import ACTS_WITHIN_S
from scheduler.service.actions import Beat, Beaten, Book, ValveEvent, Write, Written
from scheduler.service.books import Answer, AskDay, AskLost, DayRead, Disk, Hold, Lost, Publish
from scheduler.service.valve_threads import ValveState

if TYPE_CHECKING:
    from service.world import World


@dataclass
class FakeValve:
    """Hardware. `mode`: ok, deaf (no command works), mute (works, but never confirms), late (an open is not
    confirmed, and takes effect at any time up to the bound), slow (the same of its closes, of half of them).
    """

    key: str
    world: World
    mode: str = "ok"
    open_since: float | None = None
    late_since: float | None = None  # the same, of an open that took effect late
    seconds: float = 0.0
    well_since: float = 0.0
    closed_once: bool = False  # since the daemon's start
    confirmed_mono: float | None = None  # when it last told this daemon that it is closed
    after_open: Callable[[], None] | None = None  # what strikes soon after its next late open was sent
    power_cuts: int = 0  # a relay without power forgets what it was told

    def open(self, uid: str, seconds: float) -> str | None:
        self.world.opening_sent(self, uid, seconds)
        if self.mode == "late":
            rng, power_cuts = self.world.rng, self.power_cuts
            delay_s = rng.choice([rng.uniform(0, 20), rng.uniform(0, ACTS_WITHIN_S), ACTS_WITHIN_S - 0.01])
            self.world.at(delay_s, lambda: self._opens_late(uid, power_cuts))
            if self.after_open is not None:
                self.world.at(rng.uniform(0.1, delay_s + 10.0), self.after_open)
                self.after_open = None
            return "no answer"
        if self.mode != "deaf" and self.open_since is None:
            self.open_since = self.world.now
            self.world.uid_of[self.key] = uid
        return None if self.mode in ("ok", "slow") else "no answer"

    def _opens_late(self, uid: str, power_cuts: int) -> None:
        if power_cuts == self.power_cuts and self.mode != "deaf" and self.open_since is None:
            self.open_since, self.late_since = self.world.now, self.world.now
            self.world.uid_of[self.key] = uid
            self.world.opened_late(self, uid)

    def close(self) -> str | None:
        self.world.closes[self.key] += 1
        self.world.last_close[self.key] = self.world.now
        if self.mode == "deaf":
            return "no answer"
        if self.mode == "slow" and self.world.rng.random() < 0.5:
            self.shuts_late()
            return "no answer"
        self.shut()
        if self.mode == "mute":
            return "no answer"
        self.closed_once = True
        self.confirmed_mono = self.world.mono
        return None

    def shuts_late(self) -> None:
        rng, power_cuts = self.world.rng, self.power_cuts

        def late() -> None:
            if power_cuts == self.power_cuts:
                self.shut()

        self.world.at(rng.choice([rng.uniform(0, 20), ACTS_WITHIN_S - 0.01]), late)

    def shut(self) -> None:
        if self.open_since is not None:
            uid = self.world.uid_of[self.key]
            self.world.ran[uid] = self.world.ran.get(uid, 0.0) + self.world.now - self.open_since
            self.open_since = self.late_since = None


@dataclass
class PlayedDisk:
    """What would survive a power cut."""

    openings: dict[str, Opening] = field(default_factory=dict)
    identities: set[tuple[date, str, int]] = field(default_factory=set)
    tried: dict[date, set[tuple[date, str, int]]] = field(default_factory=dict)  # the same, by day
    beats_lost: set[str] = field(default_factory=set)  # openings that only the trace knew of
    beats: dict[str, tuple[float, datetime]] = field(default_factory=dict)
    closings: set[str] = field(default_factory=set)
    unsettled: dict[str, Opening] = field(default_factory=dict)
    by_hand: dict[tuple[date, str], datetime] = field(default_factory=dict)  # when it was last told
    applied: list[Applied] = field(default_factory=list)
    held: dict[str, date] = field(default_factory=dict)
    plans: dict[date, dict[str, Any]] = field(default_factory=dict)
    replaced: bool = False  # it stands in for a lost one
    first_day: date | None = None
    replaced_on: date | None = None
    newest: datetime | None = None
    older_through: date | None = None  # it is older than what was done: until then the plan waits
    older_since: float = 0.0  # when that was noticed

    def answers(self, day: date, run: dict[str, Any]) -> bool:
        """Whether the books say what became of a planned run."""
        told = self.by_hand.get((day, run["zone"]))
        begun = told is not None and datetime.fromisoformat(run["start"]) <= told
        return begun or (day, run["zone"], run["pulse"]) in self.identities

    def try_(self, ids: set[tuple[date, str, int]]) -> None:
        self.identities |= ids
        for one in ids:
            self.tried.setdefault(one[0], set()).add(one)


@dataclass
class Trace:
    """What else remembers openings and closings; a database that is exchanged does not change it."""

    opened: dict[str, Opening] = field(default_factory=dict)
    closed: dict[str, Book] = field(default_factory=dict)


class Books:
    """The pen, played: requests wait until `work` (the next tick), and may be refused."""

    def __init__(self, world: World) -> None:
        self.world = world
        self.waiting: deque[Any] = deque()
        self.unbooked: deque[Book] = deque()
        self.unheld: deque[Hold] = deque()
        self.out: list[Answer] = []
        self.retry_at = float("inf")
        self.refused = False  # and no write has succeeded since

    def ask(self, request: Any) -> None:
        self.world.handed_in(request)
        self.waiting.append(request)

    def answers(self) -> list[Answer]:
        found, self.out = self.out, []
        for answer in found:
            if isinstance(answer, Disk) and answer.of == "books":
                self.refused = answer.why is not None
        return found

    def work(self) -> None:
        while self.waiting:
            self.out += self._do(self.waiting.popleft())
        if self.unbooked and self.world.now >= self.retry_at:
            self.out += self._book()
        if not self._refuses():
            self._hold()

    def _hold(self) -> None:
        while self.unheld:
            hold = self.unheld.popleft()
            self.world.disk.held |= dict.fromkeys(hold.zones, hold.until)
            self._dated(hold.at)

    def _refuses(self) -> bool:
        return self.world.disk_full or self.world.now < self.world.locked_until

    def _do(self, request: Any) -> list[Answer]:
        if isinstance(request, Hold):
            self.unheld.append(request)
        if self.world.gone and not isinstance(request, Publish):
            self.world.gone = False  # noticed: it opens another one next time
            if isinstance(request, Book):
                self.unbooked.append(request)
                self.retry_at = self.world.now + 10
            lost = "the database was deleted while it was in use"
            refused = [Written(request.opening.uid, False, lost)] if isinstance(request, Write) else []
            return [Disk("books", lost), *refused]
        disk = self.world.disk
        if isinstance(request, Publish):
            if self.world.disk_full:
                return [Disk("summary", "full")]
            self.world.published_newest = request.page["newest_s"]
            return [Disk("summary", None)]
        if isinstance(request, Book):
            self.unbooked.append(request)
            return self._book()
        if isinstance(request, Write):
            opening = request.opening
            ids = {(s.day, s.zone, s.pulse) for s in opening.shares if s.pulse is not None}
            day = opening.shares[0].day
            compared = self.compare(day)
            if ids and (not compared or (disk.older_through and day <= disk.older_through)):
                return [Written(opening.uid, False, "older records")]
            if ids & disk.identities:
                return [Written(opening.uid, False, "opened before", already=True)]
            if self._refuses():
                if self.world.rng.random() < 0.3:  # it failed, and yet it is there
                    self._keep(opening, ids)
                return [Disk("books", "full"), Written(opening.uid, False, "no room")]
            self._keep(opening, ids)
            self.world.recorded()
            return [Written(opening.uid, True), Disk("books", None)]
        if self._refuses() and not isinstance(request, AskDay | AskLost):
            return [Disk("books", "full")]
        match request:
            case Beat(pairs, at, mono):
                for uid, seconds in pairs:
                    disk.beats[uid] = (seconds, at)
                self._dated(at)
                return [Beaten(mono), Disk("books", None)]
            case AskDay(day, books):
                if not self.compare(day):
                    return [Disk("books", "full")]
                read = replace(self._day(day), books=0 if self.unbooked else books)
                if not self.refused:
                    return [read]
                self.refused = self._refuses()
                return [read, Disk("books", "full" if self.refused else None)]
            case AskLost():
                lost = [
                    Unsettled(o, *disk.beats.get(uid, (None, None)), uid in disk.beats_lost)
                    for uid, o in disk.unsettled.items()
                    if uid not in {b.uid for b in self.unbooked}
                ]
                return [Lost(tuple(lost))]
            case Hold():
                self._hold()
        return [Disk("books", None)]

    def compare(self, day: date) -> bool:
        """As `store.older.look`: what the trace has and the records lack is booked between bounds.

        False where the disk does not take it.
        """
        disk, trace = self.world.disk, self.world.trace
        lost = [opening for uid, opening in trace.opened.items() if uid not in disk.openings]
        closed = [book for uid, book in trace.closed.items() if uid not in disk.closings]
        if not lost and not closed:
            return True
        if self._refuses():
            return False
        for opening in lost:
            disk.openings[opening.uid] = opening
            disk.beats_lost.add(opening.uid)
            if opening.uid not in disk.closings:
                disk.unsettled[opening.uid] = opening
            disk.try_({(s.day, s.zone, s.pulse) for s in opening.shares if s.pulse is not None})
            self._dated(opening.recorded_at)
        for book in closed:
            assert book.uid is not None
            disk.closings.add(book.uid)
            disk.unsettled.pop(book.uid, None)
            disk.applied += [
                replace(r, least_minutes=0.0, most_minutes=max(r.minutes, r.most_minutes or 0.0))
                for r in book.records
            ]
            self._dated(book.at)
        days = [share.day for opening in lost for share in opening.shares]
        days += [record.day for book in closed for record in book.records]
        disk.older_through, disk.older_since = max([day, *days]) + timedelta(days=1), self.world.wall
        return True

    def _keep(self, opening: Opening, ids: set[Any]) -> None:
        self.world.trace.opened[opening.uid] = opening
        self.world.disk.openings[opening.uid] = opening
        self.world.disk.unsettled[opening.uid] = opening
        self.world.disk.try_(ids)
        self._dated(opening.recorded_at)

    def _dated(self, at: datetime) -> None:
        newest = self.world.disk.newest
        self.world.disk.newest = at if newest is None else max(at, newest)

    def _book(self) -> list[Answer]:
        disk = self.world.disk
        while self.unbooked:
            if self._refuses():
                self.retry_at = self.world.now + 10
                return [Disk("books", "full")]
            book = self.unbooked.popleft()
            if book.uid is None or book.uid not in disk.closings:
                if book.uid is not None:
                    disk.closings.add(book.uid)
                    disk.unsettled.pop(book.uid, None)
                    self.world.trace.closed[book.uid] = book
                disk.applied += book.records
                disk.by_hand |= {(r.day, r.zone): r.recorded_at for r in book.records if r.pulse is None}
                disk.try_({(r.day, r.zone, r.pulse) for r in book.records if r.pulse is not None})
                self._dated(book.at)
                self.world.booked(book)
        return [Disk("books", None)]

    def _spent(self, day: date) -> list[Spent]:
        month = takewhile(lambda record: record.day >= day.replace(day=1), reversed(self.world.disk.applied))
        return gathered(spent(month), day)

    def _day(self, day: date) -> DayRead:
        disk = self.world.disk
        page = disk.plans.get(day)
        earlier = tuple(
            (d, run["zone"], run["pulse"], run["minutes"])
            for d in (day - timedelta(days=k) for k in range(7, 0, -1))
            if d in disk.plans
            for run in disk.plans[d]["runs"]
            if not disk.answers(d, run)
        )
        return DayRead(
            day=day,
            page=page,
            made_at=None if page is None else datetime.fromisoformat(page["made_at"]),
            tried=frozenset().union(*(disk.tried.get(day - timedelta(days=k), ()) for k in range(8))),
            held={z: until for z, until in disk.held.items() if until > day},
            unanswered=earlier,
            as_watered=disk.replaced
            and (disk.first_day in (None, day) or disk.replaced_on == day < disk.first_day),
            newest_record=disk.newest,
            older="older records" if disk.older_through and day <= disk.older_through else None,
            given=(),
            spent=self._spent(day),
        )


class Bank:
    """The hands, played: each care is asked whenever time has moved."""

    def __init__(self, world: World) -> None:
        self.world = world
        self.cares: dict[str, ValveState] = {}
        self.out: list[ValveEvent] = []

    def open(self, key: str, uid: str, seconds: float) -> None:
        self.cares[key].ask_open(uid, seconds, self.world.mono)

    def close(self, key: str) -> None:
        if key in self.cares:
            self.cares[key].ask_close()

    def late(self, key: str) -> None:
        if key in self.cares:
            self.out.append(self.cares[key].ask_late(self.world.mono))

    def drop(self, key: str) -> None:
        self.cares.pop(key, None)

    def events(self) -> list[ValveEvent]:
        found, self.out = self.out, []
        return found

    def pump(self) -> None:
        mono = self.world.mono
        for key, care in list(self.cares.items()):
            if not care.want_close and care.order is None and (care.deadline is None or mono < care.deadline):
                continue
            if refused := care.refuse(mono):
                self.out.append(refused)
            valve = self.world.valves[key]
            match care.due(mono):
                case "close":
                    if failure := valve.close():
                        care.may_shut(mono)
                    self.out.append(care.closed(mono, failure))
                case "open":
                    uid, seconds = care.sending()
                    self.out.append(care.opened(mono, valve.open(uid, seconds)))

    def next_s(self) -> float:
        waits = [w for care in self.cares.values() if (w := care.wait_s(self.world.mono)) is not None]
        return min(waits, default=float("inf"))
