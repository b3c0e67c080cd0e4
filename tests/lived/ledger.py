"""The books as a grower would keep them in a notebook: planned, given, answered, withdrawn.

Plain Python from what the documents promise, nothing of the program in it. A run whose start has passed
stays planned. Water is what was noted for it, `--total` in place of all that the zone had that day. A
run is answered once anything in force is noted for its zone and day; taking that back opens the question
again. Litres are minutes times the tape's rated flow times its length; net depth is that times 0.90 over
the planted area (README, "How it computes").
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from datetime import date, datetime, timedelta
from typing import Any

from lived.gardens import Place

ASKED_DAYS = 7  # a question is asked that long
UNIFORMITY = 0.90


@dataclass(frozen=True)
class PlannedRun:
    zone: str
    start: datetime
    stop: datetime
    minutes: float

    @classmethod
    def of(cls, run: Mapping[str, Any]) -> PlannedRun:
        start, stop = (datetime.fromisoformat(run[key]) for key in ("start", "stop"))
        return cls(run["zone"], start, stop, run["minutes"])


@dataclass(frozen=True)
class Water:
    zone: str
    day: date
    minutes: float
    in_place_of_the_day: bool = False
    run: PlannedRun | None = None
    measured_liters: float | None = None


@dataclass
class Entry:
    """One note as it was typed: its kind, what it says, and the water that it books."""

    kind: str
    day: date
    says: dict[str, Any] = field(default_factory=dict)
    water: list[Water] = field(default_factory=list)
    withdrawn: bool = False


class Ledger:
    def __init__(self, place: Place) -> None:
        self.place = place
        self.planned: dict[date, list[PlannedRun]] = {}
        self.entries: list[Entry] = []

    # what the grower does

    def note(self, kind: str, day: date, **says: Any) -> None:
        self.entries.append(Entry(kind, day, says))

    def applied(self, zone: str, day: date, minutes: float, *, total: bool = False) -> None:
        self.entries.append(Entry("applied", day, water=[Water(zone, day, minutes, total)]))

    def measured(self, zone: str, day: date, liters: float) -> None:
        minutes = liters / self.place.flow_lpm[zone]
        self.entries.append(Entry("applied", day, water=[Water(zone, day, minutes, measured_liters=liters)]))

    def as_planned(self, now: datetime) -> bool:
        """Everything over and unanswered was given as planned; False where nothing is."""
        water = [
            Water(run.zone, day, run.minutes, run=run)
            for day, run in self.open_questions(now.date())
            if run.stop <= now
        ]
        if water:
            self.entries.append(Entry("applied", water[0].day, water=water))
        return bool(water)

    def undo(self) -> Entry:
        latest = next(entry for entry in reversed(self.entries) if not entry.withdrawn)
        latest.withdrawn = True
        return latest

    def plan(self, page: Mapping[str, Any], now: datetime) -> list[str]:
        """Take a plan over; what is wrong with how it treats the runs that have begun."""
        day = date.fromisoformat(page["date"])
        runs = [PlannedRun.of(run) for run in page["runs"]]
        begun = [run for run in self.planned.get(day, ()) if run.start <= now]
        wrong = [f"{run.zone} {run.start:%d %b %H:%M} vanished" for run in begun if run not in runs]
        ahead = [run for run in runs if run not in begun]
        wrong += [
            f"{run.zone} {run.start:%d %b %H:%M} is planned in the past" for run in ahead if run.start < now
        ]
        self.planned[day] = begun + ahead
        return wrong

    # what the books must say

    def in_force(self) -> list[Water]:
        """Water in the order of noting, without what was taken back or replaced."""
        kept: list[Water] = []
        for entry in self.entries:
            for water in () if entry.withdrawn else entry.water:
                if water.in_place_of_the_day:
                    kept = [w for w in kept if (w.zone, w.day) != (water.zone, water.day)]
                kept.append(water)
        return kept

    def standing(self, *kinds: str) -> list[Entry]:
        """Not taken back: of these kinds, or all."""
        return [e for e in self.entries if not e.withdrawn and (e.kind in kinds or not kinds)]

    def given_minutes(self) -> dict[tuple[date, str], float]:
        given: dict[tuple[date, str], float] = {}
        for water in self.in_force():
            given[water.day, water.zone] = given.get((water.day, water.zone), 0.0) + water.minutes
        return given

    def planned_minutes(self) -> dict[tuple[date, str], float]:
        planned: dict[tuple[date, str], float] = {}
        for day, runs in self.planned.items():
            for run in runs:
                planned[day, run.zone] = planned.get((day, run.zone), 0.0) + run.minutes
        return planned

    def open_questions(self, today: date) -> list[tuple[date, PlannedRun]]:
        water = self.in_force()
        told = {(w.day, w.zone) for w in water if w.run is None}
        runs = [w.run for w in water]
        return [
            (day, run)
            for day in sorted(self.planned)
            for run in self.planned[day]
            if today - timedelta(days=ASKED_DAYS) <= day <= today
            if (day, run.zone) not in told and run not in runs
        ]

    def unanswered_minutes(self, today: date) -> dict[tuple[date, str], float]:
        """The questions of the days before today."""
        asked: dict[tuple[date, str], float] = {}
        for day, run in self.open_questions(today):
            if day < today:
                asked[day, run.zone] = asked.get((day, run.zone), 0.0) + run.minutes
        return asked

    def liters(self, zone: str, minutes: float) -> float:
        return minutes * self.place.flow_lpm[zone]

    def net_mm(self, zone: str, minutes: float) -> float:
        return self.liters(zone, minutes) * UNIFORMITY / self.place.area_m2[zone]


def by_day_and_zone(lines: Iterable[Mapping[str, Any]], value: str) -> dict[tuple[date, str], float]:
    return {(date.fromisoformat(line["date"]), line["zone"]): line[value] for line in lines}
