"""What the grower is told this morning beside the figures: what was missing, what is short, what is due.

"look" and "problem" are for what changes what a person should do today; what the grower did or typed is
confirmed, what is as it was yesterday is only remarked on.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import replace
from datetime import date, timedelta

from scheduler.core.balance.et import CLIMATOLOGY, METHODS, RECENT_MEAN
from scheduler.core.system.upkeep import Chore
from scheduler.model import Fetched, Garden, Notice, StoredPlan
from scheduler.pages.chores import chore_notices
from scheduler.pages.crop_cautions import crop_cautions
from scheduler.pages.feeding import feed_notices
from scheduler.pages.first_days import first_days_notices
from scheduler.pages.lost_zones import lost_zone_notices
from scheduler.pages.planting_notices import planting_notices
from scheduler.pages.quality import notices as quality_notices
from scheduler.pages.used_instead import used_instead
from scheduler.pages.week import week_notices
from scheduler.planning.day_rules import rules_from
from scheduler.planning.digests import digests
from scheduler.planning.facts import Facts
from scheduler.planning.live import Live
from scheduler.planning.plan import Plan
from scheduler.planning.week import WORTH_TELLING_STRESS
from scheduler.shapes.base import NoticeLine
from scheduler.show import show_depth, words

RESTATED_ABOVE_MM = 0.5
RECENT_DAYS = 7
"""Days back whose missing weather is still told."""
TOLD_ONCE = frozenset({"weather", "soil", "answer"})
"""Kinds that need an eye on the first morning only; after that they are remarks while they last."""
REMINDER_WEEKDAY = 0
"""On Mondays a shortage of the same zones needs an eye again."""


def day_notices(
    garden: Garden,
    facts: Facts,
    plan: Plan,
    chores: Sequence[Chore],
    fetched: Sequence[Fetched],
    failures: Sequence[str],
) -> Iterator[Notice]:
    before = facts.plan_before()
    told = before.page["notices"] if before else []
    for notice in _all(garden, facts, plan, chores, fetched, failures):
        known = _known(notice, told, facts.day)
        yield replace(notice, level="info") if known else notice


def _known(notice: Notice, told: Sequence[NoticeLine], today: date) -> bool:
    """Whether the morning before said the same: then it changes nothing today."""
    if notice.kind == "task":
        return False
    if notice.kind in TOLD_ONCE:
        return any(one["text"] == notice.text for one in told)
    same = [
        one
        for one in told
        if one.get("kind") == notice.kind and set(one.get("zones", ())) >= set(notice.zones)
    ]
    return bool(notice.level == "look" and notice.zones and same) and today.weekday() != REMINDER_WEEKDAY


def _all(
    garden: Garden,
    facts: Facts,
    plan: Plan,
    chores: Sequence[Chore],
    fetched: Sequence[Fetched],
    failures: Sequence[str],
) -> Iterator[Notice]:
    yield from _source_notices(garden, facts, plan.live, fetched, failures)
    yield from _weather_notices(facts, plan.live)
    yield from _plan_notices(garden, facts, plan)
    yield from week_notices(garden, plan)
    yield from _soil_notices(garden, facts, plan.live)
    yield from first_days_notices(garden, facts)
    yield from planting_notices(garden, facts, plan)
    yield from feed_notices(garden, facts, plan)
    yield from crop_cautions(garden, facts, plan.live)
    yield from chore_notices(chores, garden.display)
    for text in garden.notices:
        yield Notice("info", text)


def _source_notices(
    garden: Garden, facts: Facts, live: Live, fetched: Sequence[Fetched], failures: Sequence[str]
) -> Iterator[Notice]:
    """What the weather sources did not answer, remarked on, or sent that cannot be believed.

    A source that fails needs an eye where nobody else says what today or yesterday is like.
    """
    guessed = any(_stands_in(live, d) for d in range(max(live.today - 1, 0), live.today + 1))
    for line in failures:
        instead = used_instead(facts, live, line.partition(": ")[0])
        text = f"weather: {line}; used instead: {instead}"
        yield Notice("look" if guessed else "info", text, "weather")
    for answer in fetched:
        for text in answer.notices:
            yield Notice("info", f"weather: {text}", "weather")
    before = facts.plan_before()
    yield from quality_notices(
        facts.flags, facts.weather, today=facts.day, said_before=before.day if before else None,
        display=garden.display,
    )  # fmt: skip


def _weather_notices(facts: Facts, live: Live) -> Iterator[Notice]:
    """Days of late, and today, whose weather nobody told."""
    recent = range(max(live.today - RECENT_DAYS, 0), live.today)
    filled = [d for d in recent if _stands_in(live, d)]
    if filled:
        method = live.et.method_name(live.et_offset + int(filled[-1]))
        yield Notice(
            "look" if filled[-1] == live.today - 1 else "info",
            f"no temperatures for {_days(live.start, filled)}: ET0 there is a stand-in ({method})",
            "weather",
        )
    if _stands_in(live, live.today):
        yield Notice(
            "look",
            f"no forecast for today: ET0 is a stand-in ({METHODS[RECENT_MEAN]} or climatology)",
            "weather",
        )
    no_rain = [d for d in recent if live.rain_missing[d]]
    if no_rain:
        yield Notice(
            "look" if _rain_stopped(live, no_rain) else "info",
            f"nobody reported rain for {_days(live.start, no_rain)}: counted as 0 (estimated). "
            "If it rained: rowwater note rain AMOUNT",
            "weather",
        )
    told = facts.weather.came_from.get("tmax_c", ())
    guessed = [d for d in recent if told and str(told[live.et_offset + d]).endswith("(forecast)")]
    if guessed:
        yield Notice("info", f"the weather of {_days(live.start, guessed)} is still the forecast", "weather")


def _rain_stopped(live: Live, no_rain: Sequence[int]) -> bool:
    """Since two days nobody reports rain, and somebody did before: not every garden has such a source."""
    yesterday = live.today - 1
    return live.today > 2 and {yesterday, yesterday - 1} <= set(no_rain) and yesterday - 2 not in no_rain


def _stands_in(live: Live, d: int) -> bool:
    """ET0 of that day is a mean of other days, for want of temperatures."""
    return live.et.method[live.et_offset + d] in (CLIMATOLOGY, RECENT_MEAN)


def _days(start: date, numbers: list[int]) -> str:
    dates = [start + timedelta(days=d) for d in numbers]
    if len(dates) == 1:
        return dates[0].isoformat()
    return f"{len(dates)} days, {dates[0]} to {dates[-1]}"


def _plan_notices(garden: Garden, facts: Facts, plan: Plan) -> Iterator[Notice]:
    if facts.store_replaced:
        yield Notice(
            "problem", "the database was damaged and set aside: the balance starts anew today", "records"
        )
    for one in facts.aside:
        yield Notice(
            "look",
            f"{one.note.zone or garden.name}: your note of {one.note.day} ({one.what}) cannot be followed: "
            f"{one.why} (to take it back: rowwater note list, note undo)",
            "answer",
        )
    for kept, why in facts.unread:
        yield Notice(
            "look",
            f"the plan of {kept.day} that was made {kept.made_at:%Y-%m-%d %H:%M} UTC cannot be read: {why}. "
            "It stays on record, and an older one or none stands in for it",
            "records",
        )
    yield from lost_zone_notices(facts)
    yield from _restated(garden, facts, plan.live)
    yield from _dry_notices(facts, plan)
    yield from _unmet_notices(garden, facts, plan)


def _unmet_notices(garden: Garden, facts: Facts, plan: Plan) -> Iterator[Notice]:
    """What does not fit; a week's plan says itself where a crop suffers, and a rule day is no fault."""
    if not rules_from(garden.supply, facts.day)[0].allowed:
        return
    short: dict[str, list[str]] = {}
    for unmet in plan.schedule.unmet:
        if plan.outlook is None or _never_runs(plan, facts, unmet.zone):
            short.setdefault(words(unmet.why, unmet.numbers, garden.display), []).append(unmet.zone)
    for why, zones in short.items():
        text = f"{', '.join(zones)}: not all of it fits today; {why}"
        yield Notice("problem", text, "water", tuple(zones))


def _never_runs(plan: Plan, facts: Facts, name: str) -> bool:
    """In a week of mornings the zone gets nothing though it is due."""
    z = [zone.name for zone in facts.zones].index(name)
    return plan.outlook is not None and not plan.outlook.plan.minutes[:, z].any()


def _dry_notices(facts: Facts, plan: Plan) -> Iterator[Notice]:
    """Crops past what they can spare that today's water does not bring back."""
    need, dry, names = plan.need, list[str](), list[str]()
    told = _short_zones(plan) | {
        unmet.zone for unmet in plan.schedule.unmet if _never_runs(plan, facts, unmet.zone)
    }
    given = {zone.name: 0.0 for zone in facts.zones}
    for run in plan.schedule.runs:
        given[run.zone] = given.get(run.zone, 0.0) + run.net_mm
    for z, zone in enumerate(facts.zones):
        if plan.live.terms.stand[plan.live.today, z] < 0 or not need.deficit_now[z] > need.raw[z]:
            continue
        if need.drying_off[z]:
            continue  # that is meant
        if need.deficit_now[z] - given[zone.name] > need.raw[z]:
            until = facts.held(zone.name)
            if zone.name in told and until is None:
                continue
            names.append(zone.name)
            dry.append(f"{zone.name} (on hold until {until:%a %Y-%m-%d})" if until else zone.name)
    if dry:
        yield Notice(
            "look",
            f"{', '.join(dry)}: the crop is short of water, and today's plan does not mend it",
            "crop",
            tuple(names),
        )


def _short_zones(plan: Plan) -> set[str]:
    """Those of which the week's notice tells that they go short."""
    if plan.outlook is None:
        return set()
    week, short = plan.outlook.week, plan.outlook.plan.short
    return {week.zones[s.zone] for s in short if s.stress_days >= WORTH_TELLING_STRESS}


def _soil_notices(garden: Garden, facts: Facts, live: Live) -> Iterator[Notice]:
    """Readings of the last days that were set aside."""
    for one in live.sure.readings:
        if one.aside and one.reading.day >= live.today - 1:
            name = facts.zones[one.reading.zone].name
            why = words(one.aside, one.aside_numbers, garden.display)
            yield Notice("look", f"{name}: soil reading {one.reading.label} set aside: {why}", "soil")


def _restated(garden: Garden, facts: Facts, live: Live) -> Iterator[Notice]:
    """Yesterday's stated deficits that are no longer what they were, in one line, with what moved them."""
    before = facts.plan_before()
    if before is None or before.day < live.start:
        return
    told = {zone["zone"]: zone for zone in before.page["zones"]}
    row = live.balance.deficit_start[(before.day - live.start).days]
    moved = []
    for z, zone in enumerate(facts.zones):
        line = told.get(zone.name)
        old = line and line.get("deficit_start_mm")
        if old is not None and abs(old - row[z]) > RESTATED_ABOVE_MM:
            now = show_depth(float(row[z]), garden.display)
            moved.append(f"{zone.name} {show_depth(old, garden.display)} -> {now}")
    if moved:
        day = f"{before.day:%a} {before.day.day} {before.day:%b}"
        changed = _what_changed(garden, facts, before)
        yield Notice("info", f"deficit of {day} restated, {changed} changed: {', '.join(moved)}", "answer")


def _what_changed(garden: Garden, facts: Facts, before: StoredPlan) -> str:
    then, now = before.page.get("digests", {}), digests(garden, facts, before.day)
    return " and ".join(name for name, digest in now.items() if then.get(name) != digest) or "an earlier day"
