"""The plain values between the ledger and its doors: what comes in, what is in hand, what is to be done."""

from __future__ import annotations

from collections.abc import Mapping, Set
from dataclasses import dataclass, field
from datetime import date, datetime
from functools import cached_property
from typing import Any, Literal

from scheduler.model import Applied, Opening, Share

Level = Literal["info", "look", "problem"]
State = Literal["garden", "stuck", "disk", "clock", "wait", "summary", "short", "records"]
Event = Literal[
    "end", "skip", "late", "cut", "failed", "seen", "twice", "master", "flow", "meter", "stations", "control",
    "day", "database", "step",
]  # fmt: skip
Kind = State | Event
"""What a notice is about. A state goes on until it is over; an event has its day."""


@dataclass(frozen=True, slots=True)
class Moment:
    """Now, on both clocks. mono: seconds that nobody sets; wall: in the site's zone.

    Without trust nothing opens. `dated`: the wall time was right once and has been counted on from there, so
    it may still be written down; else it is anybody's guess.
    """

    wall: datetime
    mono: float
    trusted: bool = True
    why_not: str | None = None
    dated: bool = True
    today: date | None = None

    @property
    def date(self) -> date:
        """The date whose plan holds: after midnight the day before, until its watering hours end."""
        return self.wall.date() if self.today is None else self.today


# --- what the garden asks for ---

MASTER_SLACK_S = 10.0
"""A zone ends this much before the master valve must: commands take their time."""


@dataclass(frozen=True, slots=True)
class ValveRule:
    key: str
    zones: tuple[str, ...]
    cap_s: float
    flow_lpm: float  # the most that its zones draw together


@dataclass(frozen=True, slots=True)
class MasterRule:
    key: str
    cap_s: float
    opens_before_s: float
    closes_after_s: float


@dataclass(frozen=True, slots=True)
class Rules:
    usable_lpm: float
    valves: Mapping[str, ValveRule]  # those that the program opens; by hand ones are not among them
    master: MasterRule | None = None
    longest_s: Mapping[str, float] = field(
        default_factory=dict
    )  # of zones with a longest run: the most a day
    limits: Mapping[str, Any] | None = None  # hours, days, caps, who not beside whom: `restrictions.Rules`

    def every_valve(self) -> Set[str]:
        return self.valves.keys() | ({self.master.key} if self.master else set())

    def cap_s(self, key: str) -> float:
        cap = self.valves[key].cap_s
        if self.master is None:
            return cap
        return min(cap, max(self.master.cap_s - self.master.opens_before_s - MASTER_SLACK_S, 1.0))


@dataclass(frozen=True)
class Watering:
    """One opening of one valve, as planned."""

    valve: str
    start: datetime
    stop: datetime
    shares: tuple[Share, ...]

    @cached_property
    def start_s(self) -> float:
        return self.start.timestamp()

    @cached_property
    def identities(self) -> frozenset[tuple[date, str, int]]:
        return frozenset((s.day, s.zone, s.pulse) for s in self.shares if s.pulse is not None)

    @property
    def ident(self) -> str:
        return f"{self.names} {self.shares[0].pulse}"

    @property
    def names(self) -> str:
        return ", ".join(share.zone for share in self.shares)

    @property
    def seconds(self) -> float:
        return max(share.minutes for share in self.shares) * 60

    @property
    def flow_lpm(self) -> float:
        return sum(share.flow_lpm for share in self.shares)


@dataclass(frozen=True, slots=True)
class DayPlan:
    day: date
    window_from: datetime
    window_until: datetime
    waterings: tuple[Watering, ...]  # in order of their start
    by_hand: tuple[Watering, ...] = ()  # a person opens these; their flow is taken meanwhile
    windows: tuple[tuple[datetime, datetime], ...] = ()  # where there are two

    def end_s(self, now: float) -> float:
        """End of the watering hours that a moment lies in; the last end where it lies in none."""
        for begin, until in self.windows:
            if begin.timestamp() <= now < until.timestamp():
                return until.timestamp()
        return self.window_until.timestamp()


# --- what comes back from the doors ---


@dataclass(frozen=True, slots=True)
class Written:
    """The disk's answer to `Write`. already: the run was in the books before."""

    uid: str
    ok: bool
    why: str = ""
    already: bool = False


@dataclass(frozen=True, slots=True)
class Beaten:
    """A heartbeat is on disk. mono: when it was taken."""

    mono: float


@dataclass(frozen=True, slots=True)
class ValveEvent:
    """late: it is closed as far as is known, but an open that was not confirmed may still take effect.

    seen open: it says so itself, though it was told to close (last known to be closed: doubt_since).
    doubt: nobody knows whether it is open since `doubt_since`; None: it is known again.
    """

    key: str
    kind: Literal["opened", "open failed", "closed", "close failed", "late", "seen open", "doubt"]
    mono: float  # when the command was answered
    uid: str | None = None
    why: str = ""  # of a failure; of a close: why the valve may have closed earlier
    doubt_since: float | None = None
    simulated: bool = False
    liters: float | None = None  # from the meter, while it was the only valve open
    sent: float | None = None  # when a close that was confirmed had been sent
    late_until: float | None = None  # an open that was not confirmed may take effect until then; of a
    # valve that is closed: a close that was not


# --- what is in hand ---


@dataclass(slots=True)
class OpenRun:
    opening: Opening
    planned_s: float
    until: float | None  # wall timestamp at which the watering hours end; None for a run by hand
    phase: Literal["writing", "priming", "opening", "open", "closing"] = "writing"
    sent_mono: float | None = None
    opened_mono: float | None = None
    opened_at: datetime | None = None
    closed_mono: float | None = None
    closed_at: datetime | None = None
    why: str | None = None  # why it ended before its time
    again: bool = True  # what is missing may be planned anew this morning
    failed: bool = False
    lost: bool = False
    simulated: bool = False
    doubt_from: float | None = None  # until then it was surely open
    doubts: list[str] = field(default_factory=list)
    unsure: tuple[float, str] | None = None  # since when nobody knows whether it is open, and why
    liters: float | None = None
    late: bool = False  # its open was not confirmed, and might have taken effect at any time
    closed_from: float | None = None  # when the last confirmed close was sent
    longest_gap_s: float = 0.0  # the longest time without a confirmed close since it was to open

    @property
    def flow_lpm(self) -> float:
        return sum(share.flow_lpm for share in self.opening.shares)

    @property
    def names(self) -> str:
        return ", ".join(share.zone for share in self.opening.shares)

    @property
    def missing_s(self) -> float:
        if self.opened_mono is None or self.closed_mono is None:
            return self.planned_s
        return self.planned_s - (self.closed_mono - self.opened_mono)

    def surely_open_s(self, mono: float) -> float:
        """Seconds for which it was open without doubt."""
        if self.opened_mono is None:
            return 0.0
        until = [mono, *([] if self.doubt_from is None else [self.doubt_from])]
        until += [] if self.unsure is None else [self.unsure[0]]
        return max(min(until) - self.opened_mono, 0.0)

    def close_confirmed(self, sent: float, mono: float) -> None:
        begin = self.closed_from if self.closed_from is not None else self.sent_mono
        if begin is not None:
            self.longest_gap_s = max(self.longest_gap_s, mono - begin)
        self.closed_from = sent

    def in_doubt(self, since: float, why: str) -> None:
        self.doubt_from = since if self.doubt_from is None else min(self.doubt_from, since)
        if why not in self.doubts:
            self.doubts.append(why)


# --- what is to be done ---


@dataclass(frozen=True, slots=True)
class Write:
    """Make the opening durable; answer with `Written`."""

    opening: Opening


@dataclass(frozen=True, slots=True)
class Open:
    key: str
    uid: str
    seconds: float


@dataclass(frozen=True, slots=True)
class Close:
    key: str
    why: str


@dataclass(frozen=True, slots=True)
class Late:
    """An open of an earlier process may still take effect: close again and again for as long as it may."""

    key: str


@dataclass(frozen=True, slots=True)
class Beat:
    """Make durable how long valves have been open; answer with `Beaten`."""

    open_seconds: tuple[tuple[str, float], ...]
    at: datetime
    mono: float


@dataclass(frozen=True, slots=True)
class Book:
    """Write what was given, until the disk takes it. uid: None for runs that were never written down."""

    uid: str | None
    records: tuple[Applied, ...]
    at: datetime


@dataclass(frozen=True, slots=True)
class Hold:
    """Make durable that zones stay dry until a date."""

    zones: tuple[str, ...]
    until: date
    at: datetime


@dataclass(frozen=True, slots=True)
class Tell:
    """Say this in log and summary, once of each matter, until `Untell`, or for about a day."""

    kind: Kind
    level: Level
    text: str
    of: str = ""  # which valve, opening, date
    detail: str = ""  # which of these: two lines, but one matter
    opening: str | None = None  # of which it speaks


@dataclass(frozen=True, slots=True)
class Untell:
    kind: Kind
    of: str = ""


@dataclass(frozen=True, slots=True)
class Replan:
    """Water is missing: plan again if the hours allow."""

    why: str


@dataclass(frozen=True, slots=True)
class Recover:
    """Look for openings in the books that nobody holds."""


Action = Write | Open | Close | Late | Beat | Book | Hold | Tell | Untell | Replan | Recover
