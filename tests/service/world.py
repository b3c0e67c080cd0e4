"""A shed in one thread: clocks, valves, disk, guard, daily job and faults, all from one seed.

The runner, ledger, valve cares, clock trust and mornings are the real ones; threads and devices are played.
Time jumps from event to event. After every tick `check` holds the world against the properties P1 to P10.
"""

from __future__ import annotations

import heapq
import math
import random
from collections import Counter, deque
from collections.abc import Callable
from dataclasses import replace
from datetime import date, datetime, timedelta

from service.played import Bank, Books, FakeValve, PlayedDisk, Trace
from service.plot import PLOT, Plot

from scheduler.core.hours.runs import Ask, ValveAsk, into_hours
from scheduler.core.pulsing import Pulsing
from scheduler.model import Applied, Opening, Supply
from scheduler.planning.runs import run_page
from scheduler.service.actions import Beat, Book, Hold, Moment, Write
from scheduler.service.books import AskDay
from scheduler.service.brief import Brief
from scheduler.service.clock_trust import Trust
from scheduler.service.job_times import MOST_REPLANS, WORTH_S, JobDone
from scheduler.service.ledger import Ledger
from scheduler.service.notices import Notices
from scheduler.service.requests import Request
from scheduler.service.tick import Runner
from scheduler.service.valve_threads import LONGEST_PAUSE_S, ValveState

TICK_S = 0.5
IDLE_S = 600.0  # longest jump while nothing is going on
RESTART_S = 10.0
HALF_HOUR_S = 1800.0
GUARD_S = 2.0
BEAT_S = 30.0
TOO_MUCH_MIN = 1.0  # whole minutes are planned
MOST_STEPS = 20_000  # of a day; the busiest of 10,000 sequences takes under 5,000
CLOCK_SLACK_S = 61.0  # so much earlier than its newest record a right clock may be
REPLANNED_S = 240.0  # after an interruption the day is planned again within this
LITERS = 1e-6
SLACK_S = 3.0  # of a duration that the daemon measured, against the valve's own


class Violation(AssertionError):
    """A property does not hold."""


class World:
    def __init__(
        self, seed: int, plot: Plot = PLOT, *, start: datetime | None = None, beat_s: float = BEAT_S
    ) -> None:
        self.rng = random.Random(seed)
        self.seed = seed
        self.plot = plot
        self.beat_s = beat_s
        self.idle_s = IDLE_S
        begin = start or datetime(2026, 6, 1, 2, 50, tzinfo=plot.zone)
        self.true0 = begin.timestamp()
        self.now = 0.0  # true seconds since the beginning
        self.boots = 0
        self.boot_at = 0.0
        self.set_by = 0.0  # how far the wall clock is off
        self.synced = True
        self.disk = PlayedDisk()
        self.trace = Trace()
        self.disk_full = False
        self.gone = False
        self.locked_until = float("-inf")
        self.weather_ok = True
        self.valves: dict[str, FakeValve] = {}
        self.closes: Counter[str] = Counter()
        self.last_close: dict[str, float] = {}
        self.uid_of: dict[str, str] = {}
        self.ran: dict[str, float] = {}  # true open seconds by opening
        self.opened_identities: Counter[tuple[date, str, int]] = Counter()
        self.checked_bookings = 0
        self.books_seen: deque[Book] = deque(maxlen=100)
        self.alive = False
        self.guarded = False
        self.started_at = 0.0
        self.opens_late: Counter[str] = Counter()  # by state of the daemon
        self.restart_at: float | None = 0.0
        self.events: list[tuple[float, int, Callable[[], None]]] = []
        self._order = 0
        self.log: list[str] = []
        self.told: list[str] = []
        self.jobs: list[JobDone] = []
        self.job_running = False
        self.wishes: list[Request] = []
        self.adopt: Brief | None = None
        self.brief = plot.brief()
        self.known = dict.fromkeys(spec["key"] for spec in self.brief.specs())
        self.uids = 0
        self.ticks = 0
        self.generation = 0
        self.published_newest: float | None = None  # in today.json
        self.gone_day: set[date] = set()  # whose books were lost: what is given is looked for further back
        self.planned: dict[tuple[date, str, int], float] = {}  # minutes
        self.loses_clock_at_record = False
        self.clock_right = self.clock_was_right = False  # at the last look; once since the daemon's start
        self.clock_wrong_at = float("-inf")
        self.own: set[str] = set()  # openings of this daemon
        self.settled: set[str] = set()  # handed in by this daemon
        self.jobs_at: list[float] = []
        self._summed = 0  # records whose litres were held against the ledger

    # --- clocks ---

    @property
    def mono(self) -> float:
        return self.now - self.boot_at

    @property
    def wall(self) -> float:
        return self.true0 + self.now + self.set_by

    def at(self, seconds: float, what: Callable[[], None]) -> None:
        self._order += 1
        heapq.heappush(self.events, (self.now + seconds, self._order, what))

    def note(self, text: str) -> None:
        self.log.append(
            f"{self.now:10.1f} {datetime.fromtimestamp(self.wall, self.plot.zone):%d %H:%M:%S} {text}"
        )

    # --- the process ---

    def start_daemon(self) -> None:
        self.note("start")
        self.alive, self.restart_at = True, None
        self.guarded, self.started_at = True, self.now
        self.generation += 1
        self.clock_right = self.clock_was_right = False
        self.own, self.settled = set(), set()
        self.books, self.bank = Books(self), Bank(self)
        for key in self.known:
            valve = self.valves.setdefault(key, FakeValve(key, self))
            valve.closed_once, valve.confirmed_mono = False, None
            self.bank.cares[key] = ValveState(key, self.plot.cap_s)
            self.bank.cares[key].may_shut(self.mono)
        self.bank.pump()  # closed first: before books, plan and settings
        self.trust = Trust(newest_s=float("-inf"))
        self.board = Notices(alarm=lambda line: self.told.append(line.text))
        rules = self.brief.rules()
        ledger = Ledger(
            rules=rules, boot=f"boot {self.boots}", beat_s=self.beat_s, new_uid=self._uid, tried=()
        )
        self.runner = Runner(
            ledger, self.brief, self.bank, self.books, self.board, self._start_job, freeze_s=float("inf")
        )
        if self.published_newest is not None:
            self.runner.record.newest_s = self.published_newest
        self.runner.leaving = set(self.known) - set(rules.every_valve())
        self.jobs, self.job_running = [], False

    def _uid(self) -> str:
        self.uids += 1
        self.own.add(f"u{self.uids}")
        return f"u{self.uids}"

    def _start_job(self, day: date, why: str) -> None:
        self.job_running = True
        self.jobs_at.append(self.now)
        generation, took = self.generation, self.rng.uniform(5, 60)
        self.at(took, lambda: self._job_ends(day, generation))

    def _job_ends(self, day: date, generation: int) -> None:
        if generation != self.generation or not self.alive:
            return
        if self.disk_full or self.now < self.locked_until:
            self.jobs.append(JobDone(day, False, "no room left"))
            return
        failures = () if self.weather_ok else ("weather: no answer",)
        if not self.weather_ok and self.rng.random() < 0.3:
            self.jobs.append(JobDone(day, False, "no weather at all"))
            return
        self.make_plan(day)
        rates = {name: (flow, 0.05, 0.055, 0.0) for name, (_, flow, _) in self.plot.zones.items()}
        self.jobs.append(JobDone(day, True, "", failures, rates))

    def make_plan(self, day: date) -> None:
        """As the daily job should: what was tried stays; what is missing then comes as new pulses after now.

        Water of an opening in hand counts as given as planned: should it end early, this is asked again.
        """
        self.books.compare(day)
        before = self.disk.plans.get(day, {"runs": []})
        given: Counter[str] = Counter()
        answered = set()
        for a in reversed(self.disk.applied):  # in the order of recording, nearly that of days
            if a.day < day - timedelta(days=400 if self.gone_day else 9):
                break
            if a.day == day:
                given[a.zone] += a.minutes
                answered.add((a.zone, a.pulse))
        tried = self.disk.tried.get(day, set())
        kept = [run for run in before["runs"] if (day, run["zone"], run["pulse"]) in tried]
        for run in kept:
            if (run["zone"], run["pulse"]) not in answered:
                given[run["zone"]] += run["minutes"]
        asks: dict[str, list[Ask]] = {}
        for name, (key, flow, wanted) in self.plot.zones.items():
            minutes = float(round(wanted - given[name]))
            if minutes >= 2 and self.disk.held.get(name, day) <= day and name in self.brief.valve_of:
                first = 1 + max((pulse for _, zone, pulse in tried if zone == name), default=0)
                asks.setdefault(key, []).append(Ask(name, minutes, flow, 0.05, 0.0, first))
        windows = self.plot.windows(day)
        window = windows[0][0], windows[-1][1]
        supply = Supply(self.plot.usable_lpm)
        now = datetime.fromtimestamp(self.wall, self.plot.zone)
        earliest = max(now, window[0], key=datetime.timestamp)
        cap = self.plot.planned_cap_s / 60
        wants = [
            ValveAsk(
                tuple(z), self.rng.random(), 2.0, cap, Pulsing(self.rng.choice([math.inf, 15.0]), rest=20.0)
            )
            for z in asks.values()
        ]
        finish = self.plot.finish or self.rng.choice(["early", "late"])
        runs, _ = into_hours(wants, supply, windows, earliest=earliest, finish=finish)
        self.disk.plans[day] = {
            "date": day.isoformat(),
            "made_at": now.isoformat(),
            "window": {"from": window[0].isoformat(), "until": window[1].isoformat()},
            "windows": [{"from": begin.isoformat(), "until": until.isoformat()} for begin, until in windows],
            "runs": [*kept, *map(run_page, runs)],
        }
        self.disk.first_day = self.disk.first_day or day
        self.planned |= {(day, r["zone"], r["pulse"]): r["minutes"] for r in self.disk.plans[day]["runs"]}
        self.note(f"plan {day}: {len(kept)} kept, {len(runs)} new")

    def moment(self) -> Moment:
        self.clock_right = self.synced and self.wall >= self.runner.record.newest_s - CLOCK_SLACK_S
        self.clock_was_right |= self.clock_right
        if not self.clock_right:
            self.clock_wrong_at = self.now
        self.trust.record(self.runner.record.newest_s)
        verdict = self.trust.judge(self.wall, self.mono, self.synced)
        wall = datetime.fromtimestamp(verdict.wall_s, self.plot.zone)
        return Moment(wall, self.mono, verdict.trusted, verdict.why_not, verdict.dated)

    def tick(self) -> None:
        self.ticks += 1
        self.bank.pump()
        self.books.work()
        wishes, self.wishes = self.wishes, []
        jobs, self.jobs = self.jobs, []
        adopt, self.adopt = self.adopt, None
        self.runner.tick(self.moment(), requests=wishes, jobs=jobs, use=adopt, plan_changed=False)
        self.bank.pump()

    def die(self, why: str, *, guard: bool = True) -> None:
        """kill -9, or the guard after a freeze: the guard closes what it can, soon."""
        if not self.alive:
            return
        self.note(f"dies: {why}")
        self.alive, self.guarded = False, guard
        self.generation += 1
        for request in list(self.books.waiting):  # what was on its way to the disk: it may have arrived
            if self.rng.random() < 0.5 and isinstance(request, Write | Beat | Book):
                self.books._do(request)
        if guard:
            self.at(self.rng.uniform(0.001, GUARD_S), self._guard_closes)
        self.restart_at = self.now + RESTART_S
        self.at(RESTART_S, lambda: None)

    def _guard_closes(self) -> None:
        for valve in self.valves.values():
            if valve.mode != "deaf":
                valve.shut()
            if valve.mode == "slow":
                valve.shuts_late()

    def power_cut(self, off_s: float, *, stale_s: float = 0.0) -> None:
        self.note(f"power cut for {off_s:.0f} s")
        self.die("power", guard=False)
        for valve in self.valves.values():
            valve.shut()  # normally closed
            valve.power_cuts += 1
        self.boots += 1
        self.boot_at = self.now + off_s
        self.restart_at = self.now + off_s
        if stale_s:
            self.synced = False
            self.set_by -= stale_s
            back = stale_s
            self.at(off_s + self.rng.uniform(30, 900), lambda: self.sync(back))
        self.at(off_s, lambda: None)

    def sync(self, by_s: float) -> None:
        self.note(f"clock set by {by_s:.0f} s")
        self.set_by += by_s
        self.synced = True

    def freeze(self, seconds: float) -> None:
        if seconds > GUARD_S:
            self.die(f"frozen for {seconds:.0f} s", guard=True)

    # --- what is handed in to be written down ---

    def recorded(self) -> None:
        if self.loses_clock_at_record:
            self.note("clock lost after a record")
            self.loses_clock_at_record = self.synced = False
            self.at(self.rng.uniform(5, HALF_HOUR_S), lambda: self.sync(0.0))

    def handed_in(self, request: object) -> None:
        if isinstance(request, Write):
            if not self.clock_right:
                raise Violation("P8: an opening is written down with an untrusted clock")
            if request.opening.seconds > self.plot.cap_s + 0.01:
                raise Violation("P2: an opening is written down for longer than the cap")
        if isinstance(request, Write | Book | Beat | Hold) and not self.clock_was_right:
            raise Violation(f"P8: written down under a date that never was right: {request}")
        if isinstance(request, Book) and request.uid is not None:
            if request.uid in self.settled:
                raise Violation(f"P5: {request.uid} is settled twice")
            if request.uid not in self.own:
                self._check_recovered(request.uid, request)
            self.settled.add(request.uid)

    def _check_recovered(self, uid: str, book: Book) -> None:
        """Of an opening that an earlier daemon left: it ends at the confirmed close, and the day goes on."""
        opening = self.disk.openings.get(uid)
        if opening is None:
            return  # its database was lost meanwhile
        closed = self.valves[opening.valve].confirmed_mono
        if opening.boot == f"boot {self.boots}" and closed is not None:
            for record in book.records:
                least, most = (record.least_minutes or 0.0) * 60, (record.most_minutes or 0.0) * 60
                if abs(most - max(closed - opening.monotonic_s, least)) > SLACK_S:
                    raise Violation(f"P5: {record} does not end at its close")
        if opening.shares[0].pulse is not None:
            asked, life = self.now, (self.generation, self.set_by)
            if self.runner.mornings.replans < MOST_REPLANS:
                self.at(REPLANNED_S, lambda: self._check_replanned(asked, life))

    def _check_replanned(self, asked: float, life: tuple[int, float]) -> None:
        plan, day = self.runner.planned.plan, self.runner.record.day
        undisturbed = self.alive and life == (self.generation, self.set_by) and self.clock_wrong_at < asked
        if not undisturbed or plan is None or day is None or plan.day != day.day:
            return
        in_time = self.wall < plan.window_until.timestamp() - WORTH_S
        if in_time and not any(started >= asked for started in self.jobs_at):
            raise Violation("P10: a run was interrupted, and the rest of the day is not planned again")

    # --- what the valves see ---

    def opening_sent(self, valve: FakeValve, uid: str, seconds: float) -> None:
        self.note(f"open {valve.key} {uid} {seconds:.0f} s")
        if not valve.closed_once:
            raise Violation(f"P3: {valve.key} opened before it was closed")
        if not self.synced or self.wall < (self.disk.newest.timestamp() if self.disk.newest else 0) - 61:
            raise Violation("P8: opened with an untrusted clock")
        if uid.startswith("master"):
            self.disk_known = True
            return
        opening = self.disk.openings.get(uid) or self.trace.opened.get(uid)
        if opening is None:
            raise Violation("P9: opened without a record")
        through, planned = self.disk.older_through, opening.shares[0].pulse is not None
        recorded_s = opening.recorded_at.timestamp()  # what waited for its water then had a sound record
        if planned and through and opening.shares[0].day <= through and recorded_s > self.disk.older_since:
            raise Violation("P4: opened by the plan, and the records are older than what was done")
        if seconds > self.plot.cap_s + 0.01:
            raise Violation("P2: asked for longer than the cap")
        self._check_restrictions(valve, uid, seconds)
        for share in opening.shares:
            if share.pulse is None:
                continue
            one = (share.day, share.zone, share.pulse)
            self.opened_identities[one] += 1
            if self.opened_identities[one] > 1:
                raise Violation(f"P4: {one} opened twice")
            if one not in self.planned:
                raise Violation(f"P6: {one} was never planned")

    def opened_late(self, valve: FakeValve, uid: str) -> None:
        """An open that was not confirmed has taken effect."""
        self.note(f"late {valve.key} {uid}")
        self.opens_late["alive" if self.alive else "guarded" if self.guarded else "neither"] += 1
        if uid in self.disk.closings:
            raise Violation(f"P5: {uid} opened after it was booked")
        if self.guarded and not self.alive:
            self.at(self.rng.uniform(0.001, LONGEST_PAUSE_S), self._guard_closes)

    def _check_restrictions(self, valve: FakeValve, uid: str, seconds: float) -> None:
        """The hours, the cap of the day by the valves' own seconds, and who may not run beside whom."""
        opening = self.trace.opened[uid]
        if opening.shares[0].pulse is not None:
            self._check_hours(opening, seconds)
        zones = {share.zone for share in opening.shares}
        for other in self.valves.values():
            if other is not valve and other.open_since is not None:
                beside = {name for name, (key, _, _) in self.plot.zones.items() if key == other.key}
                if any(zones & {*group} and beside & {*group} for group in self.plot.apart):
                    raise Violation(f"restrictions: {zones} beside {beside}")
        cap, day = self.plot.daily_cap_l, opening.shares[0].day
        unsure = any(r.day == day and r.least_minutes != r.most_minutes for r in self.disk.applied)
        if cap is None or unsure:
            return  # of a run between bounds the books count the middle
        ran = sum(
            share.flow_lpm * min(self.ran.get(other, 0.0), one.seconds) / 60
            for other, one in self.disk.openings.items()
            for share in one.shares
            if share.day == day and other != uid
        )
        asked = sum(share.flow_lpm for share in opening.shares) * opening.seconds / 60
        if ran + asked > cap + 1.0:
            raise Violation(f"restrictions: {ran:.0f} L ran, {asked:.0f} more pass the cap of {cap:.0f}")

    def _check_hours(self, opening: Opening, seconds: float) -> None:
        """What the plan opens begins and ends in one window of its own date."""
        windows = self.plot.windows(opening.shares[0].day)
        if not any(
            begin.timestamp() - SLACK_S <= self.wall and self.wall + seconds <= until.timestamp() + SLACK_S
            for begin, until in windows
        ):
            raise Violation(f"restrictions: {opening} for {seconds:.0f} s is not in its hours")

    def booked(self, book: Book) -> None:
        """P5: what the books say against what the valve did."""
        if book.uid is None:
            return
        self.books_seen.append(book)
        self.at(0, lambda: self._check_booking(book))

    def _check_booking(self, book: Book) -> None:
        assert book.uid is not None
        self.checked_bookings += 1
        true = self.ran.get(book.uid, 0.0)
        opening = self.disk.openings.get(book.uid)
        if opening is None:
            return  # its database was lost meanwhile
        for record in book.records:
            least = record.minutes if record.least_minutes is None else record.least_minutes
            most = record.minutes if record.most_minutes is None else record.most_minutes
            if not least * 60 - SLACK_S <= true <= most * 60 + SLACK_S:
                raise Violation(f"P5: {record} but it ran {true:.0f} s")
        if len(book.records) < len(opening.shares) and true > SLACK_S:
            raise Violation(f"P5: {true:.0f} s of {opening} are in no record")

    def most_liters(self, record: Applied) -> float:
        """The most that it may have been."""
        unsure = max((record.most_minutes or 0.0) - record.minutes, 0.0)
        return record.liters + unsure * self.plot.zones[record.zone][1]

    def check_liters(self) -> None:
        """Caps on water rest on this month's litres: each record counts once, whenever all is written."""
        day, records = self.runner.record.day, self.disk.applied
        unsettled = self.books.unbooked or any(isinstance(one, Book | AskDay) for one in self.books.waiting)
        waits = (
            self.runner.recovery.lost or self.runner.record._reread or self.runner.record.doubted or self.gone
        )
        if day is None or len(records) == self._summed or unsettled or waits:
            return
        self._summed = len(records)
        month = day.day.replace(day=1)
        summed: Counter[date] = Counter()
        for record in reversed(records):
            if record.day < month:
                break
            summed[record.day] += self.most_liters(record)
        used = self.runner.ledger.used_l
        days = {d for d in summed.keys() | used.keys() if d >= month}  # after a step of the clock: no others
        if any(abs(summed[d] - used.get(d, 0.0)) > LITERS for d in days):
            raise Violation(f"litres: {dict(summed)} on record, {used} counted")

    # --- the properties that hold at every moment ---

    def check(self) -> None:
        flow = 0.0
        for valve in self.valves.values():
            if valve.open_since is None:
                continue
            if not valve.key.endswith(":0"):
                flow += sum(f for key, f, _ in self.plot.zones.values() if key == valve.key)
            if valve.late_since is not None and self.alive and valve.mode in ("ok", "late"):
                since = max(valve.late_since, valve.well_since, self.started_at)
                if self.now > since + LONGEST_PAUSE_S + 1:
                    raise Violation(f"P2: {valve.key} opened late and stays open")
            longest = self.plot.cap_s + 5
            since = max(valve.open_since + longest, valve.well_since + LONGEST_PAUSE_S + 5)
            if self.now > since and valve.mode == "ok" and self.alive:
                raise Violation(f"P2: {valve.key} open for {self.now - valve.open_since:.0f} s")
        if flow > self.plot.usable_lpm + 1e-6:
            raise Violation(f"P1: {flow} L/min")
        if self.alive:
            for key, care in self.bank.cares.items():
                if care.want_close and self.mono > care.next_try + 1 and care.next_try > float("-inf"):
                    raise Violation(f"P2: {key} is not told to close again")

    def check_day(self, day: date) -> None:
        """P10 at the end of a day: every planned run has an answer, or is held."""
        if day not in self.disk.plans:
            return
        self.check_not_too_much(day)
        if self.gone_day:  # that a run was skipped is in no trace: it went with the database
            return
        for run in self.disk.plans[day]["runs"]:
            one = (day, run["zone"], run["pulse"])
            held = self.disk.held.get(run["zone"], day) > day
            if not self.disk.answers(day, run) and not held:
                raise Violation(f"P10: nothing is known of {one}")

    def check_not_too_much(self, day: date) -> None:
        """P4: what is planned anew is only what is missing: all pulses of a date together give no more.

        A valve that closed late is not counted: its pulse at most as long as it was planned.
        """
        given: Counter[str] = Counter()
        for record in reversed(self.disk.applied):
            if record.day == day and record.pulse is not None:
                surely = record.minutes if record.least_minutes is None else record.least_minutes
                given[record.zone] += min(surely, self.planned[day, record.zone, record.pulse])
            elif record.day < day - timedelta(days=9):
                break
        for zone, minutes in given.items():
            if minutes > self.plot.zones[zone][2] + TOO_MUCH_MIN:
                raise Violation(f"P4: {minutes:.1f} min for {zone} on {day}")

    # --- running ---

    def run(self, until_s: float) -> None:
        """Up to then; a sequence that does not get there is a finding."""
        left = MOST_STEPS * math.ceil(max(until_s - self.now, 1.0) / 86_400.0)
        while self.now < until_s:
            self.step(until_s)
            left -= 1
            if not left:
                raise Violation(f"the day does not end: seed {self.seed}, still at {self.log[-1:]}")

    def step(self, until_s: float) -> None:
        while self.events and self.events[0][0] <= self.now:
            heapq.heappop(self.events)[2]()
            self.check()
        if not self.alive and self.restart_at is not None and self.now >= self.restart_at:
            self.start_daemon()
        if self.alive:
            self.tick()
            self.check()
            self.check_liters()
            if not self.synced and not any(line.key == "clock" for line in self.runner.notices.in_order()):
                raise Violation("P10: nothing said of the clock")
        upto = min([until_s, *([self.events[0][0]] if self.events else [])])
        self.now = max(min(self._next(), upto), self.now + 1e-6)

    def _next(self) -> float:
        if not self.alive:
            return float("inf") if self.restart_at is None else self.restart_at
        books = self.books
        asked = self.wishes or self.runner.requests.pending
        busy = books.waiting or books.out or self.bank.out or self.jobs or asked
        if (
            busy
            or self.runner.ledger.open_runs
            and any(
                h.phase in ("writing", "priming", "opening") for h in self.runner.ledger.open_runs.values()
            )
        ):
            return self.now + TICK_S
        flowing = any(valve.open_since is not None for valve in self.valves.values())
        wait = min(self.beat_s if flowing else self.idle_s, self.bank.next_s())
        if self.runner.mornings.wanted:
            wait = min(wait, 5.0)
        if books.unbooked:
            wait = min(wait, 10.0)
        plan = self.runner.planned.plan
        if plan is not None:
            wall = self.wall
            ahead = next((s - wall for w in plan.waterings if (s := w.start_s) > wall), wait)
            wait = min(wait, ahead)
        return self.now + max(wait, 0.001)


def renamed(brief: Brief, without: str) -> Brief:
    """The garden after an edit that takes one valve out."""
    return replace(brief, valves=tuple(v for v in brief.valves if v["key"] != without))
