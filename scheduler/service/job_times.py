"""When the daily job is started: at its hour, again while weather is missing, and when water is missing."""

from __future__ import annotations

from dataclasses import dataclass, field
from datetime import date, datetime, time

from scheduler.service.actions import DayPlan, Moment

FIRST_PAUSE_S = 300.0
LONGEST_PAUSE_S = 3600.0
LEAVE_ALONE_S = 600.0  # a plan whose first run is this near is not made again for want of weather
MOST_REPLANS = 6  # of one morning
WORTH_S = 600.0  # with less time than this left in the watering hours nothing is planned anew


@dataclass(frozen=True, slots=True)
class JobDone:
    """How a daily job ended. page: what it answered."""

    day: date
    ok: bool
    why: str = ""
    failures: tuple[str, ...] = ()
    rates: dict[str, tuple[float, float, float, float]] = field(default_factory=dict)


@dataclass(slots=True)
class Mornings:
    """Pure: one decision per step."""

    running: bool = False
    day: date | None = None
    done: bool = False  # today's plan is made, with all the weather that was to be had
    pause_s: float = FIRST_PAUSE_S
    next_try: float = float("-inf")
    replans: int = 0
    wanted: str | None = None  # why the plan is to be made anew
    after: float = float("-inf")

    def found(self, day: date, made_at: datetime | None, plan_at: time, at: Moment) -> None:
        """What the books say: a plan that was made after its hour need not be made again."""
        if day != at.date:
            return  # asked under another date
        self._turn(day)
        if made_at is not None:
            local = made_at.astimezone(at.wall.tzinfo).replace(tzinfo=None)
            self.done = self.done or local >= datetime.combine(day, plan_at)

    def again(self) -> None:
        """The garden is another: its plan is made at once."""
        self.done, self.next_try = False, float("-inf")

    def want(self, why: str, at: Moment, *, settle_s: float = 5.0) -> None:
        """Water is missing today. A little later, so that what ends together is planned together."""
        self._turn(at.date)  # the books may have been read last under a date that a wrong clock made
        self.wanted = why
        self.after = at.mono + settle_s

    def start(self, at: Moment, plan_at: time, plan: DayPlan | None) -> str | None:
        """Why the job is to be started now; None: not now. Counts it as running."""
        if self.running or not at.trusted:
            return None
        day = at.date
        self._turn(day)
        reason = self._reason(at, day, plan_at, plan)
        self.running = reason is not None
        return reason

    def _reason(self, at: Moment, day: date, plan_at: time, plan: DayPlan | None) -> str | None:
        now, local = at.wall.timestamp(), at.wall.replace(tzinfo=None)
        if self.wanted is not None and at.mono >= self.after:
            why, self.wanted = self.wanted, None
            in_time = plan is not None and plan.day == day and now < plan.window_until.timestamp() - WORTH_S
            if in_time and self.replans < MOST_REPLANS:
                self.replans += 1
                return f"again: {why}"
        if self.done or local < datetime.combine(day, plan_at) or at.mono < self.next_try:
            return None
        if plan is not None and plan.day == day:
            first = min((w.start.timestamp() for w in plan.waterings), default=plan.window_until.timestamp())
            if self.next_try > float("-inf") and now > first - LEAVE_ALONE_S:
                self.done = True  # watering by what is known
                return None
        return "the day's plan"

    def ended(self, at: Moment, result: JobDone) -> None:
        self.running = False
        if result.day != at.date:
            return  # started under another date
        self._turn(result.day)
        if result.ok and not result.failures:
            self.done = True
            self.pause_s = FIRST_PAUSE_S
            return
        self.done = False
        self.next_try = at.mono + self.pause_s
        self.pause_s = min(self.pause_s * 2, LONGEST_PAUSE_S)

    def _turn(self, day: date) -> None:
        if day != self.day:
            self.day, self.done, self.replans, self.wanted = day, False, 0, None
            self.pause_s, self.next_try = FIRST_PAUSE_S, float("-inf")
