"""The week ahead in plain numbers: what the planner reads, and what it answers.

Zone is the last axis, day before it; day 0 is today, a morning's water comes before the day's use (model
M5).  Minutes of a plan are whole; times are minutes after the begin of that day's watering hours.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Literal, NamedTuple

from scheduler.core.arrays import BoolArray, FloatArray, IntArray, Minutes, Mm, Share
from scheduler.core.hours.rules import PeriodCap

DAYS = 7
DOUBT_SD = 1.28
"""Standard deviations of the doubt that the crop is given: 9 in 10 outcomes of a normal spread are milder."""

Finish = Literal["early", "late"]
Method = Literal["rule", "solver", "heuristic"]
"""rule: every zone follows its own trigger and all of it fits; solver: HiGHS and
the search on packed mornings; heuristic: the fallback."""


class Busy(NamedTuple):
    """Water already running today that is none of the plan's."""

    start: float
    stop: float
    flow_lpm: float


@dataclass(frozen=True, slots=True)
class Week:
    """All that a plan rests on.  (day, zone) arrays unless said; mm, minutes, L/min, L.

    `deficit` has today's rain so far and whatever was given this morning already taken off, as have the caps
    and `settle`; `had` is still to be taken off the longest runs, which are the most a day.  Rows of `raw`
    and `trigger` are those by which the morning decides.
    """

    zones: tuple[str, ...]
    valve: IntArray  # (zone,) 0, 1, ...: zones on one valve open together
    deficit: Mm  # (zone,) this morning
    deficit_sd: Mm  # (zone,)
    standing: BoolArray
    begins: BoolArray  # a planting's first day: the deficit is held to its TAW
    taw: Mm
    raw: Mm
    trigger: Mm  # inf where nothing is to be watered
    etc: Mm  # Kc ET0 expected, without stress; 0 where nothing stands
    evaporation: Mm  # of it what the soil loses and stress does not lower; 0 where one coefficient serves
    etc_sd: Mm
    rain_eff: Mm  # effective, if it comes; today's less what has fallen
    rain_chance: Share  # 0..1; 0 where no source says: such rain is not counted on
    net_per_minute: FloatArray  # mm net once the line is full
    flow_lpm: FloatArray
    ky: FloatArray  # yield response factor of the growth stage
    weight: FloatArray  # what a stress day there counts for (`core.week.loss.weights`)
    settle: Minutes  # a settling run of at least so long, 0 = none
    held: BoolArray  # the grower keeps its valve shut, and with it all zones of that valve
    fill: Minutes  # (zone,)
    shortest: Minutes  # (zone,)
    longest: Minutes  # (zone,) inf where there is none
    leave_room: Mm  # (zone,)
    longest_pulse: Minutes  # (zone,) the grower's; inf where there is none
    strip_minutes: Minutes  # of one pulse, the line full, until the strip holds no more; inf: no matter
    least_pulses: FloatArray  # that a run is split into whatever its minutes, 1 = none asked
    pulse_rest: Minutes  # (zone,)
    valve_cap: Minutes  # (valve,)
    window: Minutes  # (day,) open minutes of the watering hours; 0 on a day that is not allowed
    usable_lpm: float
    caps: tuple[PeriodCap, ...] = ()
    apart: tuple[tuple[int, ...], ...] = ()  # groups of zones of which no two run at one time
    earliest: float = 0.0  # minute of today's hours before which nothing starts
    ready: Minutes | None = None  # (valve,) the same of a valve that has to rest first
    had: Minutes | None = None  # (zone,) minutes that each got today, at most; None: none
    busy: tuple[Busy, ...] = ()
    finish: Finish = "late"
    spread: BoolArray | None = None  # (zone,) today's pulses lie evenly over `light`: a seedbed
    loose: BoolArray | None = None  # (zone,) rather fewer, longer pulses than less water
    light: tuple[float, float] | None = None  # today's first and last minute of daylight in the hours
    closed: tuple[tuple[tuple[float, float], ...], ...] = ()
    """By day: (start, stop) between two windows of the hours.  No run lies in it or across it."""

    @property
    def days(self) -> int:
        """Number of days, today included."""
        return len(self.window)

    @property
    def valves(self) -> int:
        """Number of valves."""
        return len(self.valve_cap)

    def __post_init__(self) -> None:
        shape = (len(self.window), len(self.zones))
        for name in DAY_ZONE:
            if getattr(self, name).shape != shape:
                raise ValueError(f"{name} has shape {getattr(self, name).shape}, expected {shape}")
        for name in ZONE:
            if getattr(self, name).shape != shape[1:]:
                raise ValueError(f"{name} has shape {getattr(self, name).shape}, expected {shape[1:]}")
        if self.valve.shape != shape[1:]:
            raise ValueError(f"valve has shape {self.valve.shape}, expected {shape[1:]}")
        if shape[1] and not 0 <= int(self.valve.min()) <= int(self.valve.max()) < len(self.valve_cap):
            raise ValueError("valve names one that valve_cap does not have")


DAY_ZONE = (
    "standing", "begins", "taw", "raw", "trigger", "etc", "evaporation", "etc_sd", "rain_eff", "rain_chance",
    "net_per_minute", "flow_lpm", "ky", "weight", "settle", "held", "strip_minutes", "least_pulses",
)  # fmt: skip
"""Names of the arrays by day and zone, and below of those by zone (`valve` left out)."""
ZONE = (
    "deficit", "deficit_sd", "fill", "shortest", "longest", "leave_room", "longest_pulse",
    "pulse_rest",
)  # fmt: skip


class Pulse(NamedTuple):
    """One opening of one valve; minutes after the begin of that day's watering hours."""

    day: int
    valve: int
    pulse: int  # 1, 2, ... of that valve and day
    start: float
    stop: float


@dataclass(frozen=True, slots=True)
class Score:
    """How good a plan is, in the order in which the aims count; each is better when it is less."""

    loss: float  # what the stress of all zones and days costs (`core.week.loss`), weighted stress days
    departures_l: float  # due and left waiting, watered before it is due, settling runs left out
    percolation_l: float
    liters: float  # run, and still owed at the end
    starts: int
    stress_days: float = 0.0  # sum of 1 - Ks as it is, for people: no aim

    def better_than(self, other: Score) -> bool:
        """Whether this score beats the other, in the order of the aims.

        Differences that nobody could measure do not count: the next aim decides, and starts decide last.

        >>> one = Score(loss=0.2, departures_l=0.0, percolation_l=5.0, liters=900.0, starts=9)
        >>> other = Score(loss=0.2, departures_l=0.0, percolation_l=8.0, liters=700.0, starts=4)
        >>> one.better_than(other), other.better_than(one)
        (True, False)
        """
        for name, share, least in _NOTICEABLE:
            mine, theirs = getattr(self, name), getattr(other, name)
            if abs(mine - theirs) > max(least, share * max(abs(mine), abs(theirs))):
                return bool(mine < theirs)
        return self.starts < other.starts


_NOTICEABLE = (("loss", 1e-4, 1e-6), ("departures_l", 1e-3, 0.05), ("percolation_l", 1e-3, 0.05),
               ("liters", 1e-3, 0.05))  # fmt: skip


@dataclass(frozen=True, slots=True)
class Outcome:
    """(day, zone) arrays: what a plan's minutes would do, mm."""

    deficit_start: Mm  # expected, at dawn before the water
    deficit_end: Mm  # expected, in the evening
    ks: Share  # the crop's side of the doubt, and dry up to the next allowed morning
    net: Mm
    percolation: Mm
    due: BoolArray  # at or over the trigger on an allowed morning
    may_wait: BoolArray  # of those: rain is likely to do it, and the crop can stand its not coming


@dataclass(frozen=True, slots=True)
class Short:
    """Where the supply does not reach: one zone, over the week."""

    zone: int
    net_mm: float  # drier than under its own rule, on the worst evening
    stress_days: float  # sum of (1 - Ks) that it would not have had alone
    first_day: int  # on which it falls short
    why: str
    loss: float = 0.0  # what that stress costs, in weighted stress days (`core.week.loss`)


@dataclass(frozen=True, slots=True)
class WeekPlan:
    """Whole minutes for every morning, packed; never above flow, hours or caps."""

    minutes: Minutes  # (day, zone)
    pulses: tuple[Pulse, ...]  # in time order
    outcome: Outcome
    score: Score
    method: Method
    note: str = ""  # why it is not the method one would expect
    short: tuple[Short, ...] = ()
    best_loss: float = field(default=0.0)  # a bound that no plan can beat, where one is known

    def of_day(self, day: int) -> tuple[Pulse, ...]:
        """The pulses of one day, 0 today, in time order."""
        return tuple(p for p in self.pulses if p.day == day)
