"""The morning: what runs when, what needs a hand, what waits for an answer, what can be done."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from datetime import timedelta

from scheduler.html.screens.frame import Frame, render
from scheduler.phrases import morning as phrases
from scheduler.phrases.days import feed_words, weekday
from scheduler.shapes.base import RunLine
from scheduler.shapes.day import TodayFile, UnansweredLine, ZoneLine

ONE_BY_ONE = 20
"""So many runs are asked about one by one, the newest; older days as a whole until those are answered."""
_DAYS = ("yesterday", "today", "tomorrow")


def today(page: TodayFile, frame: Frame) -> str:
    """From today.json alone."""
    day = phrases.day_of(page, frame.now)
    runs = phrases.runs_by_zone(page)
    return render(
        "today.html",
        frame,
        page=page,
        **{name: (day + timedelta(days=n)).isoformat() for n, name in enumerate(_DAYS, start=-1)},
        old=phrases.plan_age(page, day),
        first=phrases.first(page),
        loud=phrases.loud(page),
        quiet=phrases.quiet(page),
        questions=list(_questions(page)),
        if_answered=phrases.if_answered(page) if page["unanswered"] else [],
        water=phrases.water_today(page, runs),
        zones=[_zone(page, zone, runs.get(zone["zone"], ())) for zone in phrases.zones_in_order(page, runs)],
        valved=[zone["zone"] for zone in page["zones"] if not zone["by_hand"]],
        given=list(_given(page)),
        weather=list(phrases.days_weather(page)),
        chores=page.get("chores", ()),
        run_id=run_id,
        feed_words=feed_words,
    )


@dataclass(frozen=True, slots=True)
class _Zone:
    """share: how dry it is against its trigger, 0..1; None where no deficit makes water due."""

    name: str
    plan: str
    reason: str
    crop: str
    dryness: str | None
    share: float | None
    runs: Sequence[RunLine]


def _zone(page: TodayFile, zone: ZoneLine, runs: Sequence[RunLine]) -> _Zone:
    trigger = zone.get("trigger_mm")
    crop = f"{zone['crop']}, day {zone['day']}" if "crop" in zone else ""
    share = None if trigger is None else min(zone["deficit_mm"] / trigger, 1.0) if trigger else 0.0
    return _Zone(
        zone["zone"], phrases.zone_plan(zone, runs), zone.get("reason", ""), crop,
        phrases.dryness(page, zone), share, runs,
    )  # fmt: skip


@dataclass(frozen=True, slots=True)
class _Question:
    """One day's runs that nobody has answered; all: their id together; each: also asked one by one."""

    day: str
    all: str
    runs: Sequence[UnansweredLine]
    each: bool


def _questions(page: TodayFile) -> Iterator[_Question]:
    by_date: dict[str, list[UnansweredLine]] = {}
    newest = max((run["date"] for run in page["unanswered"]), default="")
    for run in page["unanswered"]:
        by_date.setdefault(run["date"], []).append(run)
    left = ONE_BY_ONE
    found = []
    for when, runs in reversed(by_date.items()):
        found.append(_Question(weekday(when), when, runs, each=left >= len(runs) or when == newest))
        left -= len(runs)
    yield from reversed(found)


def run_id(run: UnansweredLine) -> str:
    """The `run` field of a question: the date, a space, the zone. The date alone: all of that day."""
    return f"{run['date']} {run['zone']}"


def _given(page: TodayFile) -> Iterator[tuple[str, list[str]]]:
    by_day: dict[str, list[str]] = {}
    for water in page["applied"]:
        by_day.setdefault(water["date"], []).append(phrases.given(page, water))
    for when, said in sorted(by_day.items()):
        yield weekday(when), said
