"""What the grower is told this morning beside the figures: what was missing, what is short, what is due."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from datetime import date, timedelta

from scheduler.core.balance.et import CLIMATOLOGY, METHODS, RECENT_MEAN
from scheduler.model import Fetched, Garden, Notice, StoredPlan
from scheduler.pages.chores import chore_notices
from scheduler.pages.first_days import first_days_notices
from scheduler.pages.hold import when_again
from scheduler.pages.quality import notices as quality_notices
from scheduler.pages.week import week_notices
from scheduler.planning.day_rules import rules_from
from scheduler.planning.digests import digests
from scheduler.planning.facts import Facts
from scheduler.planning.live import Live
from scheduler.planning.plan import Plan
from scheduler.show import show_depth, words

RESTATED_ABOVE_MM = 0.5
RECENT_DAYS = 7
"""Days back whose missing weather is still told."""


def day_notices(
    garden: Garden, facts: Facts, plan: Plan, fetched: Sequence[Fetched], failures: Sequence[str]
) -> Iterator[Notice]:
    yield from _source_notices(garden, facts, fetched, failures)
    yield from _weather_notices(facts, plan.live)
    yield from _plan_notices(garden, facts, plan)
    yield from week_notices(garden, plan)
    yield from _soil_notices(garden, facts, plan.live)
    yield from first_days_notices(garden, facts)
    yield from chore_notices(garden, facts)
    for text in garden.notices:
        yield Notice("info", text)


def _source_notices(
    garden: Garden, facts: Facts, fetched: Sequence[Fetched], failures: Sequence[str]
) -> Iterator[Notice]:
    """What the weather sources did not answer, remarked on, or sent that cannot be believed."""
    for line in failures:
        yield Notice("look", f"weather: {line}")
    for answer in fetched:
        for text in answer.notices:
            yield Notice("info", f"weather: {text}")
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
            "look",
            f"no temperatures for {_days(live.start, filled)}: ET0 there is a stand-in ({method})",
        )
    if _stands_in(live, live.today):
        yield Notice(
            "info", f"no forecast for today: ET0 is a stand-in ({METHODS[RECENT_MEAN]} or climatology)"
        )
    no_rain = [d for d in recent if live.rain_missing[d]]
    if no_rain:
        yield Notice(
            "look" if len(no_rain) > 1 else "info",  # one day without word is common and soon mended
            f"nobody reported rain for {_days(live.start, no_rain)}: counted as 0 (estimated). "
            "If it rained: rowwater note rain AMOUNT",
        )
    told = facts.weather.came_from.get("tmax_c", ())
    guessed = [d for d in recent if told and str(told[live.et_offset + d]).endswith("(forecast)")]
    if guessed:
        yield Notice("info", f"the weather of {_days(live.start, guessed)} is still the forecast")


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
        yield Notice("problem", "the database was damaged and set aside: the balance starts anew today")
    for note, why in facts.aside:
        yield Notice(
            "look",
            f"{note.zone}: your note of {note.day} ({note.details['crop']} planted) cannot be followed: "
            f"{why} (to take it back: rowwater note list, note undo)",
        )
    yield from _restated(garden, facts, plan.live)
    for z in range(len(facts.zones)):
        yield from _zone_notices(garden, facts, plan, z)
    yield from _stressed(facts, plan)
    short: dict[str, list[str]] = {}
    for unmet in plan.schedule.unmet:
        short.setdefault(words(unmet.why, unmet.numbers, garden.display), []).append(unmet.zone)
    allowed = rules_from(garden.supply, facts.day)[0].allowed
    for why, zones in short.items():
        if allowed:
            yield Notice("problem", f"{', '.join(zones)}: not all of it fits today; {why}")
        else:  # as the grower's own rules want it; a crop that suffers from it is told beside
            yield Notice("info", f"due: {', '.join(zones)}; {why}")


def _stressed(facts: Facts, plan: Plan) -> Iterator[Notice]:
    """Crops beyond their readily available water, in one line."""
    need, stands = plan.need, plan.live.terms.stand[plan.live.today] >= 0
    names = [
        zone.name for z, zone in enumerate(facts.zones) if stands[z] and need.deficit_now[z] > need.raw[z]
    ]
    if len(names) == 1:
        yield Notice("look", f"{names[0]} is past its readily available water: the crop is short")
    elif names:
        yield Notice(
            "look", f"{', '.join(names)} are past their readily available water: the crops are short"
        )


def _zone_notices(garden: Garden, facts: Facts, plan: Plan, z: int) -> Iterator[Notice]:
    zone, need = facts.zones[z], plan.need
    if plan.waits[z]:
        rain, deficit = (
            show_depth(float(mm), garden.display) for mm in (need.outlook_rain, need.deficit_now[z])
        )
        yield Notice(
            "info",
            f"{zone.name} is due but waits for rain: {rain} expected against a deficit of {deficit}, and it "
            "stays unstressed if none comes",
        )
    until = facts.held(zone.name)
    if until and need.due[z]:
        yield Notice("look", f"{zone.name} is due but on hold: {when_again(garden, until)}")
    stands = plan.live.terms.stand[plan.live.today, z] >= 0
    ahead = [planting.planted for planting in zone.plantings if planting.planted > facts.day]
    if not stands and ahead:
        yield Notice("info", f"{zone.name}: no crop, no water; next planting {min(ahead)}")


def _soil_notices(garden: Garden, facts: Facts, live: Live) -> Iterator[Notice]:
    """Readings of the last days that were set aside."""
    for one in live.sure.readings:
        if one.aside and one.reading.day >= live.today - 1:
            name = facts.zones[one.reading.zone].name
            why = words(one.aside, one.aside_numbers, garden.display)
            yield Notice("look", f"{name}: soil reading {one.reading.label} set aside: {why}")


def _restated(garden: Garden, facts: Facts, live: Live) -> Iterator[Notice]:
    """Confirm that the past was edited, where yesterday's stated deficits are no longer what they were.

    No alarm: today's minutes already follow the edit, and nothing is left to be done.
    """
    before = facts.plan_before()
    if before is None or before.day < live.start:
        return
    changed = _what_changed(garden, facts, before)
    told = {zone["zone"]: zone for zone in before.page["zones"]}
    moved: dict[str, str] = {}
    row = live.balance.deficit_start[(before.day - live.start).days]
    for z, zone in enumerate(facts.zones):
        line = told.get(zone.name)
        old = line and line.get("deficit_start_mm")
        if old is not None and abs(old - row[z]) > RESTATED_ABOVE_MM:
            now = show_depth(float(row[z]), garden.display)
            moved[zone.name] = f"{show_depth(old, garden.display)} -> {now}"
    if len(moved) == 1:
        ((name, change),) = moved.items()
        yield Notice("info", f"{name}: deficit of {before.day} restated {change}: {changed} changed")
    elif moved:
        changes = ", ".join(f"{name} {change}" for name, change in moved.items())
        yield Notice("info", f"deficits of {before.day} restated, {changed} changed: {changes}")


def _what_changed(garden: Garden, facts: Facts, before: StoredPlan) -> str:
    then, now = before.page.get("digests", {}), digests(garden, facts, before.day)
    return " and ".join(name for name, digest in now.items() if then.get(name) != digest) or "an earlier day"
