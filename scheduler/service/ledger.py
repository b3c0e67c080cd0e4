"""What is due, what was tried, what is known: the durable identity (local date, zone, pulse) of every run.

Pure: moments, plans and events come in, actions go out (`actions.py`); no clock, file, valve or thread here.
"""

from __future__ import annotations

from collections.abc import Callable, Collection, Iterable, Mapping
from datetime import date, datetime, timedelta

from scheduler.model import Opening
from scheduler.service import limits, water_records
from scheduler.service.actions import (
    Action,
    Beat,
    Book,
    Close,
    DayPlan,
    Hold,
    Kind,
    Level,
    Moment,
    Open,
    OpenRun,
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
from scheduler.service.master import Master
from scheduler.service.water_records import MISSED_BEATS

FLOW_TOLERANCE_LPM = 1e-6
LATE_S = 120.0  # a run that starts later than this behind its plan gets a line saying why
SHORTEST_CUT_S = 60.0  # a run that is cut to less than this is not worth opening a valve for
NOT_THERE = "the service was not running, or its clock not trusted"
WORTH_A_LINE_S = 30.0  # a cut of less is not worth telling
RETRY_WRITE_S = 15.0  # pause before the disk is asked again for the record that must come first
GRACE_S = 5.0  # past its time, a valve that has not reported its close is told again

Identity = tuple[date, str, int]


class Ledger:
    """The openings in hand, and what may be opened next. One caller, one thread."""

    def __init__(
        self, *, rules: Rules, boot: str, beat_s: float, new_uid: Callable[[], str], tried: Iterable[Identity]
    ) -> None:
        self.rules = rules
        self.boot = boot
        self.beat_s = beat_s
        self.used_l: dict[date, float] = {}  # water on record, by date, of this month: the most of it
        self.had_s: dict[tuple[date, str], float] = {}  # the same in seconds, by date and zone
        self.replanning: set[str] = set()  # valves whose runs of today are about to be planned anew
        self.held: dict[str, date] = {}  # zones that stay dry, and until which date
        self.held_here: dict[str, date] = {}  # of these, what the books are not known to have yet
        self.tried: set[Identity] = set(tried)
        self.open_runs: dict[str, OpenRun] = {}  # by valve
        self.closed: set[str] = set()  # valves whose close is confirmed
        self.late_until: dict[str, datetime] = {}  # by valve: until when an open may still take effect
        self.shut_until: dict[str, float] = {}  # the same of a close that was not confirmed, monotonic
        self.lately: dict[str, str] = {}  # why a due run waits, by valve
        self.master = Master()
        self._new_uid = new_uid
        self._beat_at = float("-inf")
        self._beaten = float("-inf")
        self._retry_at = float("-inf")
        self._idle_since = float("-inf")  # when the last zone closed
        self._since: float | None = None  # when this process first knew the time, wall

    # --- the settings ---

    def use(self, rules: Rules) -> list[Action]:
        """New rules: what is open and no longer theirs is closed, the rest goes on."""
        old, self.rules = self.rules, rules
        actions: list[Action] = []
        for key in self.open_runs:
            if key not in rules.valves:
                actions += self.end(key, "its valve was taken out of garden.yaml", again=False)
        gone = old.every_valve() - rules.every_valve()
        actions += [Close(key, "no longer in garden.yaml") for key in gone if key not in self.open_runs]
        self.closed &= rules.every_valve() | gone
        return actions

    # --- one step ---

    def step(self, at: Moment, plan: DayPlan | None, blocked: str | None) -> list[Action]:
        """All that is to be done now. blocked: why nothing may be opened, whatever is due."""
        if self._since is None and at.trusted:
            self._since = at.wall.timestamp()
        actions = self._overdue(at)
        actions += self._unrecorded(at)
        actions += self._beats(at)
        actions += self._start(at)
        if plan is not None and at.trusted:
            actions += self._due(at, plan, blocked)
        return actions

    def _due(self, at: Moment, plan: DayPlan, blocked: str | None) -> list[Action]:
        now, actions = at.wall.timestamp(), list[Action]()
        waiting: dict[str, str] = {}
        for watering in plan.waterings:
            if watering.start_s > now:
                break
            if watering.identities <= self.tried:
                continue
            found = self._due_one(at, watering, plan, blocked)
            if isinstance(found, str):
                waiting[watering.valve] = found
                found = self._late(at, watering, found)
            actions += found
        actions += [Untell("wait", valve) for valve in self.lately if valve not in waiting]
        self.lately = waiting
        return actions

    def _due_one(
        self, at: Moment, watering: Watering, plan: DayPlan, blocked: str | None
    ) -> list[Action] | str:
        """What to do about a run whose time has come; why, where it has to wait."""
        if not self.tried.isdisjoint(watering.identities):
            return self._partly_tried(at, watering)
        if any(self.is_held(share.zone, plan.day) for share in watering.shares):
            return []
        if watering.valve in self.replanning:
            return "what is left of its day is planned anew"
        left, had_all = self._left_of_day(watering)
        if left < min(watering.seconds, SHORTEST_CUT_S):
            self.lately.pop(watering.valve, None)
            return self._skip(at, watering, plan, had_all, meant=True)
        seconds, limit = min(
            (self._longest_s(at.wall.timestamp(), watering, plan), ""),
            self._allowed_s(at, watering),
            (left, had_all),
        )
        if seconds < min(watering.seconds, SHORTEST_CUT_S):
            skipped = self._skip(at, watering, plan, limit or None)
            return [*skipped, *self._in_later_hours(at, watering, plan)]
        why = blocked or self._obstacle(at, watering.valve, watering.flow_lpm, plan)
        return why or self._begin(at, watering, seconds, plan.end_s(at.wall.timestamp()), limit)

    def _late(self, at: Moment, watering: Watering, why: str) -> list[Action]:
        """A line on a run that has to wait; a change from run to run takes a moment, and needs none."""
        late = at.wall.timestamp() > watering.start_s + LATE_S
        if not late or watering.valve in self.open_runs:
            return []
        return [Tell("wait", "look", f"{watering.names} waits: {why}", of=watering.valve)]

    def _longest_s(self, now: float, watering: Watering, plan: DayPlan) -> float:
        """Never beyond what was asked for, the valve's cap, or the watering hours."""
        return min(watering.seconds, self.rules.cap_s(watering.valve), plan.end_s(now) - now)

    def _left_of_day(self, watering: Watering) -> tuple[float, str]:
        """What its zones had today of their longest run is taken off it, whoever opened the valve."""
        longest, had = self.rules.longest_s, dict(self.had_s)
        for held in self.open_runs.values():
            for share in held.opening.shares:
                key = share.day, share.zone
                had[key] = had.get(key, 0.0) + held.opening.seconds
        most = max(longest.get(share.zone, float("inf")) for share in watering.shares)
        ran = max(had.get((share.day, share.zone), 0.0) for share in watering.shares)
        words = f"{ran / 60:.0f} of {most / 60:.0f} min, the longest run of a day, were given"
        return max(most - ran, 0.0), words

    def _allowed_s(self, at: Moment, watering: Watering) -> tuple[float, str]:
        """What the restrictions allow from now on. The plan kept to them; this is the last look."""
        if self.rules.limits is None:
            return float("inf"), ""
        zones = [share.zone for share in watering.shares]
        used = self._used_l(at.date)
        return limits.longest(self.rules.limits, at.wall, zones, watering.flow_lpm, *used)

    def _used_l(self, day: date) -> tuple[float, float]:
        """Litres of this date and of its month: on record, and what is being given in full."""
        used = dict(self.used_l)
        for held in self.open_runs.values():
            for share in held.opening.shares:
                liters = share.flow_lpm * held.opening.seconds / 60
                used[share.day] = used.get(share.day, 0.0) + liters
        month = sum(liters for d, liters in used.items() if (d.year, d.month) == (day.year, day.month))
        return used.get(day, 0.0), month

    def is_held(self, zone: str, day: date) -> bool:
        until = self.held.get(zone)
        return until is not None and until > day

    def _partly_tried(self, at: Moment, watering: Watering) -> list[Action]:
        """Zones of one valve open together: what one of them got before cannot be given to another alone."""
        left = [s for s in watering.shares if (s.day, s.zone, s.pulse) not in self.tried]
        self.tried |= watering.identities
        names = ", ".join(share.zone for share in left)
        return [
            Book(None, water_records.never_opened(left, at.wall), at.wall),
            _of(watering, "skip", "look", f"{names}: not watered, since its valve was open before"),
        ]

    def _skip(
        self, at: Moment, watering: Watering, plan: DayPlan, limit: str | None = None, *, meant: bool = False
    ) -> list[Action]:
        self.tried |= watering.identities
        why = self.lately.get(watering.valve, limit or f"{NOT_THERE}, in time")
        text = f"{watering.names}: the run of {plan.day} {watering.start:%H:%M} did not happen: {why}"
        return [
            Book(None, water_records.never_opened(watering.shares, at.wall), at.wall),
            _of(watering, "skip", "info" if meant else "look", text),
        ]

    def _in_later_hours(self, at: Moment, watering: Watering, plan: DayPlan) -> list[Action]:
        """What came too late for one of two windows is planned anew for the next."""
        later = any(begin.timestamp() > at.wall.timestamp() for begin, _ in plan.windows)
        return [Replan(f"{watering.names}: too late for its hours")] if later else []

    def give_up(self, at: Moment, plan: DayPlan) -> list[Action]:
        """The day of this plan is over, perhaps in one step of the clock: what is left never opens."""
        actions: list[Action] = []
        for watering in plan.waterings:
            if self.tried.isdisjoint(watering.identities):
                held = any(self.is_held(share.zone, plan.day) for share in watering.shares)
                actions += self._skip(at, watering, plan, "it was kept dry" if held else None, meant=held)
        return actions

    def _obstacle(self, at: Moment, valve: str, flow_lpm: float, plan: DayPlan | None) -> str | None:
        """Why this valve cannot open now."""
        if at.mono < self._retry_at:
            return "the record could not be written to disk"
        master = self.rules.master
        if master is not None and master.key in self.late_until:
            return "the master valve did not confirm an open, and is closed again and again"
        for key in (valve, *([master.key] if master is not None else [])):
            if self._may_shut(key, at):
                return self._until_shut(key, at)
        if valve in self.late_until:
            until = f"{self.late_until[valve]:%H:%M:%S}"
            return f"its valve did not confirm an open, and may still open until {until}"
        if valve in self.open_runs:
            return "its valve is in use"
        if valve not in self.closed:
            return "its valve has not confirmed that it is closed"
        if self.rules.limits is not None:
            why = limits.apart(self.rules.limits, self.rules.valves[valve].zones, self.possibly_open())
            if why:
                return why
        flow = self.committed_lpm(at, plan)
        if flow + flow_lpm > self.rules.usable_lpm + FLOW_TOLERANCE_LPM:
            open_now = ", ".join(sorted(self.possibly_open())) or "watering by hand"
            return f"the supply is taken ({open_now})"
        return None

    def _may_shut(self, key: str, at: Moment) -> bool:
        return at.mono < self.shut_until.get(key, at.mono)

    def _until_shut(self, key: str, at: Moment) -> str:
        until = at.wall + timedelta(seconds=self.shut_until[key] - at.mono)
        whose = "its valve" if key in self.rules.valves else "the master valve"
        return f"a close sent before may still act on {whose} until {until:%H:%M:%S}, and would end the run"

    def possibly_open(self) -> set[str]:
        """Zones that are open, about to open, or not known to be closed."""
        valves = (self.rules.valves.keys() - self.closed) | self.open_runs.keys()
        return {
            zone
            for key in valves
            for zone in (self.rules.valves[key].zones if key in self.rules.valves else ())
        }

    def committed_lpm(self, at: Moment, plan: DayPlan | None) -> float:
        """Flow that is taken: openings in hand, valves not known to be closed, planned watering by hand."""
        total = 0.0
        for key in {*self.rules.valves, *self.open_runs}:
            if key in self.open_runs:
                total += self.open_runs[key].flow_lpm
            elif key not in self.closed:
                total += self.rules.valves[key].flow_lpm
        if plan is not None:
            now = at.wall.timestamp()
            total += sum(w.flow_lpm for w in plan.by_hand if w.start_s <= now < w.stop.timestamp())
        return total

    def _begin(
        self, at: Moment, watering: Watering, seconds: float, until: float | None, limit: str = ""
    ) -> list[Action]:
        """until: when the watering hours end; None for a run by hand. limit: what made it so short."""
        self.tried |= watering.identities
        opening = Opening(
            self._new_uid(), watering.valve, seconds, watering.shares, at.wall, self.boot, at.mono
        )
        self.open_runs[watering.valve] = OpenRun(opening, planned_s=watering.seconds, until=until)
        changed = [] if until is None else self._other_than_planned(at, watering, seconds, limit)
        return [Write(opening), *changed]

    def _other_than_planned(self, at: Moment, watering: Watering, seconds: float, limit: str) -> list[Action]:
        """Lines on a run that starts late, or is cut."""
        lines: list[Action] = []
        if at.wall.timestamp() - watering.start_s > LATE_S:
            away = self._since is not None and watering.start_s < self._since
            why = NOT_THERE if away else self.lately.get(watering.valve, "the service was not ready before")
            lines.append(_of(watering, "late", "info", f"{watering.names} started late, "
                              f"{at.wall:%H:%M} for {watering.start:%H:%M}: {why}"))  # fmt: skip
        if seconds < watering.seconds - WORTH_A_LINE_S:
            why = limit or "to end inside the watering hours and the valve's cap"
            lines.append(_of(watering, "cut", "look", f"{watering.names}: cut from "
                              f"{watering.seconds / 60:.0f} to {seconds / 60:.0f} min: {why}"))  # fmt: skip
        return lines

    # --- by hand ---

    def water(
        self, at: Moment, watering: Watering, plan: DayPlan | None, blocked: str | None
    ) -> list[Action] | str:
        """A run that the grower asks for; the reason where it cannot be."""
        if not at.trusted:
            return f"the clock is not trusted ({at.why_not}): nothing opens"
        if watering.seconds > self.rules.cap_s(watering.valve):
            return f"longer than the valve's cap of {self.rules.cap_s(watering.valve) / 60:.0f} min"
        if self.rules.limits is not None:  # hours and days are the plan's; a cap on water is everybody's
            used = self._used_l(at.date)
            over = limits.over_cap(self.rules.limits, at.wall, watering.flow_lpm, watering.seconds, *used)
            if over:
                return over
        why = blocked or self._obstacle(at, watering.valve, watering.flow_lpm, plan)
        return why or self._begin(at, watering, watering.seconds, None)

    def stop(self, zones: Collection[str] | None, why: str) -> list[Action]:
        """Close now: the valves of these zones, or every one; also those believed closed."""
        keys = {
            key for key, rule in self.rules.valves.items() if zones is None or set(rule.zones) & set(zones)
        }
        if zones is None:
            keys |= self.open_runs.keys() | self.rules.every_valve()
        actions: list[Action] = []
        for key in sorted(keys):
            actions += self.end(key, why, again=False) if key in self.open_runs else [Close(key, why)]
        return actions

    def hold(self, at: Moment, zones: Collection[str]) -> Hold:
        """The plan of this date opens these zones no more; a hold that lasts longer stays."""
        until = at.date + timedelta(days=1)
        shorter = tuple(zone for zone in zones if self.held.get(zone, at.date) < until)
        self.held |= dict.fromkeys(shorter, until)
        self.held_here |= dict.fromkeys(shorter, until)
        return Hold(shorter, until, at.wall)

    def holds_read(self, held: Mapping[str, date], day: date) -> None:
        """What the books say of a date; what was held here counts too until they have it."""
        self.held_here = {
            zone: until
            for zone, until in self.held_here.items()
            if until > day and held.get(zone, day) < until
        }
        self.held = {**held, **self.held_here}

    def keep_dry(self, at: Moment, keys: Iterable[str], why: str) -> list[Action]:
        """End these openings, and open their zones no more today by the plan."""
        actions: list[Action] = []
        for key in keys:
            if key in self.open_runs:
                zones = [share.zone for share in self.open_runs[key].opening.shares]
                actions += [*self.end(key, why, again=False), self.hold(at, zones)]
        return actions

    def frozen(self, at: Moment, since: float) -> list[Action]:
        """The program stood still: whatever was open then may have been closed by the guard meanwhile."""
        actions: list[Action] = []
        for key, held in self.open_runs.items():
            if held.phase in ("open", "opening", "closing"):
                held.in_doubt(since, f"the program stood still for {at.mono - since:.0f} s")
                held.lost = True
            actions += self.end(key, "the program stood still", again=True)
        return actions

    # --- what comes back ---

    def written(self, at: Moment, answer: Written, blocked: str | None) -> list[Action]:
        """The record of an opening is on disk, or is not: only then comes the water (P9)."""
        key = next((k for k, h in self.open_runs.items() if h.opening.uid == answer.uid), None)
        if key is None:
            return []
        if not answer.ok:
            return self._not_written(at, key, answer)
        held = self.open_runs[key]
        held.phase = "priming"
        if held.why or blocked:
            held.why = held.why or blocked
            return [Untell("disk"), *self._settle(at, key)]
        return [Untell("disk"), *self._start(at)]

    def _not_written(self, at: Moment, key: str, answer: Written) -> list[Action]:
        held = self.open_runs.pop(key)
        uid = held.opening.uid
        if answer.already:
            return [Recover(), Tell("twice", "look", f"{held.names}: {answer.why}", of=uid, opening=uid)]
        self.tried -= {(s.day, s.zone, s.pulse) for s in held.opening.shares if s.pulse is not None}
        self._retry_at = at.mono + RETRY_WRITE_S
        text = f"{held.names}: no water, since it could not be recorded: {answer.why}"
        return [Tell("disk", "problem", text, opening=uid)]

    def doubted(self, key: str) -> set[str]:
        """Valves of which an open of an earlier process may still take effect: the master valve too."""
        keys = {key}
        if self.rules.master is not None and not self.open_runs:
            keys.add(self.rules.master.key)
        self.closed -= keys
        return keys

    def valve(self, at: Moment, event: ValveEvent) -> list[Action]:
        """A valve reports."""
        if event.kind == "closed":
            self.closed.add(event.key)
            self.late_until.pop(event.key, None)
            self.shut_until[event.key] = event.mono if event.late_until is None else event.late_until
        elif event.kind != "doubt":
            self.closed.discard(event.key)
        if event.kind == "late" and event.late_until is not None:
            self.late_until[event.key] = at.wall + timedelta(seconds=event.late_until - at.mono)
        if self.rules.master is not None and event.key == self.rules.master.key:
            return self._master_reports(at, event)
        held = self.open_runs.get(event.key)
        if held is None or held.phase in ("writing", "priming"):
            return self._stray(event)
        return self._reports(at, held, event)

    def _reports(self, at: Moment, held: OpenRun, event: ValveEvent) -> list[Action]:
        """The valve of an opening in hand."""
        uid = held.opening.uid
        match event.kind:
            case "opened" if event.uid == uid and held.opened_mono is None:
                held.phase = "open" if held.why is None else "closing"
                held.opened_mono, held.opened_at, held.simulated = event.mono, at.wall, event.simulated
                return [Beat(((uid, 0.0),), at.wall, at.mono)]
            case "open failed" if event.uid == uid:
                held.phase = "closing"
                held.failed = True
                if event.late_until is not None:
                    return self._open_in_doubt(at, held, event)
                held.why = held.why or f"its valve did not open ({event.why})"
                return [Tell("failed", "problem", f"{held.names}: {held.why}", of=uid, opening=uid)]
            case "late":
                if event.sent is not None:
                    held.close_confirmed(event.sent, event.mono)
                return [Untell("stuck", event.key)]
            case "seen open":
                text = f"{held.names}: its valve opened late, by its own report, and is closed"
                return [Tell("seen", "problem", text, of=uid, opening=uid)]
            case "closed":
                held.close_confirmed(event.mono if event.sent is None else event.sent, event.mono)
                held.closed_mono, held.closed_at = event.mono, at.wall
                held.liters = event.liters
                if held.unsure is not None:
                    held.in_doubt(*held.unsure)
                if event.why:
                    held.in_doubt(event.doubt_since or event.mono, event.why)
                return [Untell("stuck", event.key), *self._settle(at, event.key)]
            case "doubt":
                held.unsure = None if event.doubt_since is None else (event.doubt_since, event.why)
            case "close failed":
                held.phase = "closing"
                since = event.mono if event.doubt_since is None else event.doubt_since
                held.in_doubt(since, "its close was not confirmed at once")
                return [self._stuck(event)]
        return []

    def _open_in_doubt(self, at: Moment, held: OpenRun, event: ValveEvent) -> list[Action]:
        """Nobody knows whether it opened, or still will."""
        assert event.late_until is not None
        held.late = True
        held.why = held.why or f"its valve did not confirm that it opened ({event.why})"
        uid, until = held.opening.uid, at.wall + timedelta(seconds=event.late_until - at.mono)
        self.late_until[event.key] = until
        text = f"{held.names}: {held.why}, and may still open {self._until_then(event.key)}"
        return [Tell("failed", "problem", text, of=uid, opening=uid)]

    def _until_then(self, key: str) -> str:
        return (
            f"until {self.late_until[key]:%H:%M:%S}: it counts as open, its flow stays taken, and it is "
            "closed again and again until then"
        )

    def _stray(self, event: ValveEvent) -> list[Action]:
        if event.kind == "seen open":
            return [self._opened_by_others(event)]
        if event.kind in ("closed", "late"):
            return [Untell("stuck", event.key)]
        return [self._stuck(event)] if event.kind == "close failed" else []

    def _opened_by_others(self, event: ValveEvent) -> Tell:
        text = (
            f"{self._name(event.key)}: the valve reports that it is open, and nothing here had opened it: it "
            "is closed. Find out who or what opens it"
        )
        return Tell("seen", "problem", text, of=event.key)

    def _name(self, key: str) -> str:
        rule = self.rules.valves.get(key)
        return ", ".join(rule.zones) if rule else key

    def _stuck(self, event: ValveEvent) -> Tell:
        return Tell(
            "stuck",
            "problem",
            f"{self._name(event.key)}: the valve does not confirm that it is closed ({event.why}); it counts "
            "as open and is told again and again. Close the hand valve and look",
            of=event.key,
        )

    # --- inside ---

    def end(self, key: str, why: str, *, again: bool) -> list[Action]:
        """End an opening before its time."""
        held = self.open_runs[key]
        held.why = held.why or why
        held.again = held.again and again
        if held.phase in ("writing", "priming"):
            return []  # it is settled once its record is written, or not; or at the next step
        if held.phase == "open":
            held.phase = "closing"
        return [Close(key, why)]

    def _overdue(self, at: Moment) -> list[Action]:
        return [
            Close(key, "its time is up")
            for key, held in self.open_runs.items()
            if held.opened_mono is not None
            and held.phase == "open"
            and at.mono > held.opened_mono + held.opening.seconds + GRACE_S
        ]

    def _beats(self, at: Moment) -> list[Action]:
        if at.mono < self._beat_at + self.beat_s:
            return []
        pairs = tuple(
            (held.opening.uid, held.surely_open_s(at.mono))
            for held in self.open_runs.values()
            if held.opened_mono is not None
        )
        if not pairs:
            return []
        self._beat_at = at.mono
        return [Beat(pairs, at.wall, at.mono)]

    def beaten(self, mono: float) -> None:
        self._beaten = max(self._beaten, mono)

    def _unrecorded(self, at: Moment) -> list[Action]:
        """No record, no water: a run whose length the disk no longer takes is ended (P9)."""
        actions: list[Action] = []
        for key, held in self.open_runs.items():
            if held.phase == "open" and held.opened_mono is not None:
                recorded = max(self._beaten, held.opened_mono)
                if at.mono > recorded + MISSED_BEATS * self.beat_s + GRACE_S:
                    actions += self.end(key, "the disk no longer takes its record", again=True)
        return actions

    def _settle(self, at: Moment, key: str) -> list[Action]:
        held = self.open_runs.pop(key)
        self._idle_since = at.mono
        actions: list[Action] = [Book(held.opening.uid, water_records.records(held, at.wall), at.wall)]
        line = water_records.line(held)
        if line:
            uid = held.opening.uid
            actions.append(Tell("end", "look", line, of=uid, opening=uid))
        if held.until is not None and held.again and held.missing_s > SHORTEST_CUT_S:
            actions.append(Replan(line or held.names))
        return actions

    # --- from the record to the water ---

    def _start(self, at: Moment) -> list[Action]:
        """Opens what is recorded, the master valve before the first zone; closes that after the last."""
        actions: list[Action] = []
        for key in [k for k, h in self.open_runs.items() if h.phase == "priming"]:
            actions += self._start_one(at, key)
        return actions + self._drive_master(at)

    def _start_one(self, at: Moment, key: str) -> list[Action]:
        held = self.open_runs[key]
        seconds = held.opening.seconds
        if held.until is not None:
            seconds = min(seconds, held.until - at.wall.timestamp())
        if held.why is None and seconds < min(held.planned_s, SHORTEST_CUT_S):
            held.why = "the watering hours were over before its water was ready"
        if held.why is None and not at.trusted:
            held.why = f"the clock is not trusted ({at.why_not})"
        master = self.rules.master
        if held.why is not None:
            waits = master is not None and master.key in self.late_until
            return [] if waits else self._settle(at, key)  # in the books until the master valve is closed
        if master is not None and not self.master.ready(master, at.mono, seconds):
            return []
        held.phase = "opening"
        held.sent_mono = at.mono
        self.closed.discard(key)
        return [Open(key, held.opening.uid, seconds)]

    def _drive_master(self, at: Moment) -> list[Action]:
        if self.rules.master is None:
            return []
        key = self.rules.master.key
        action = self.master.drive(
            self.rules.master,
            at.mono,
            waiting=[h for h in self.open_runs.values() if h.phase == "priming"],
            flowing=any(h.phase in ("opening", "open", "closing") for h in self.open_runs.values()),
            closed=key in self.closed and not self._may_shut(key, at),
            idle_since=self._idle_since,
        )
        if isinstance(action, Open):
            self.closed.discard(key)
        return [] if action is None else [action]

    def _master_reports(self, at: Moment, event: ValveEvent) -> list[Action]:
        match event.kind:
            case "opened":
                self.master.is_open(event.mono)
                return self._start(at)
            case "closed":
                actions: list[Action] = []
                if self.master.is_closed():  # no water reaches the zones
                    for key in list(self.open_runs):
                        actions += self.end(key, "the master valve closed", again=True)
                return [*actions, *self._start(at), Untell("stuck", event.key)]
            case "open failed":
                return self._master_failed(at, event)
            case "late":
                return [Untell("stuck", event.key)]
            case "seen open":
                return [self._opened_by_others(event)]
            case "doubt":  # without it no water comes
                for held in self.open_runs.values():
                    self._reports(at, held, event)
                return []
        return [self._stuck(event)]

    def _master_failed(self, at: Moment, event: ValveEvent) -> list[Action]:
        text = "the master valve did not open"
        if event.late_until is not None:
            text = "the master valve did not confirm that it opened"
            self.late_until[event.key] = at.wall + timedelta(seconds=event.late_until - at.mono)
        actions: list[Action] = []
        for held in self.open_runs.values():
            if held.phase == "priming":
                held.why, held.failed = held.why or f"{text} ({event.why})", True
                uid = held.opening.uid
                actions.append(Tell("failed", "problem", f"{held.names}: {held.why}", of=uid, opening=uid))
        if event.late_until is not None:
            text = f"{text}, and may still open {self._until_then(event.key)}"
        return [*self._start(at), *actions, Tell("master", "problem", f"{text}: {event.why}")]


def _of(watering: Watering, kind: Kind, level: Level, text: str) -> Tell:
    """A line on one planned run."""
    return Tell(kind, level, text, of=str(watering.shares[0].day), detail=watering.ident)
