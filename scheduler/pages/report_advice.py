"""At most five sentences for next year, each with the number that it rests on."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import replace
from datetime import date, timedelta
from itertools import accumulate, chain, islice

from scheduler.core.balance.crop import STAGES
from scheduler.model import Note, Planting
from scheduler.pages.report_record import day_text
from scheduler.planning.season_changes import SeasonChange, season_changes
from scheduler.planning.season_past import Past
from scheduler.shapes.report import Advice, FlowMonth, ZoneReport
from scheduler.show import show_flow

MOST = 5
STAGE_DAYS = 5
"""A stage seen so much earlier or later than the table is worth a change of it (own choice)."""
FLOW_DROP = 0.1
"""So much less from the first month to the last: common practice takes a tenth as a sign of clogging."""
MANY_REPAIRS = 3
MANY_UNANSWERED = 5
SHORT_DAYS = 3
"""Fewer watering days with too little are left alone."""


def advice(past: Past, zones: Mapping[str, ZoneReport], flow: Sequence[FlowMonth]) -> list[Advice]:
    """What matters most first."""
    said = chain(_supply(past, zones), clogging(flow), tapes(zones), _stages(past), _unanswered(zones))
    return list(islice(said, MOST))


def _supply(past: Past, zones: Mapping[str, ZoneReport]) -> Iterator[Advice]:
    short = {name: zone["short_days"] for name, zone in zones.items() if zone["short_days"] >= SHORT_DAYS}
    if not short:
        return
    names = ", ".join(f"{name} on {days} days" for name, days in short.items())
    garden = replace(past.garden, zones=past.zones)
    changes = season_changes(garden, past.weather, past.first, past.last)
    yield {
        "text": f"The supply did not reach: {names} had to wait for water. {_mending(changes, past)}",
        "rests_on": "short days of each zone's plans; changes tried by planning this season again",
    }


def _mending(changes: Sequence[SeasonChange], past: Past) -> str:
    if not changes:
        return "Planned again by each zone's own rule no crop would have been stressed."
    best = changes[0]
    if best.after >= best.before:
        return "No single change of hours, days or flow would have mended it: plant less, or ask for less."
    verb = "would have mended it" if best.enough else "would have helped most"
    days = f"{best.before} days of stress, summed over zones, become {best.after}"
    return f"This alone {verb}: {_change(best, past)} ({days})."


def _change(change: SeasonChange, past: Past) -> str:
    match change.change:
        case "longer hours":
            return f"{change.amount:.0f} more minutes of watering hours a day"
        case "more flow":
            return f"{show_flow(change.amount, past.garden.display)} more from the supply"
        case "every day":
            return "water allowed on every day"


def clogging(flow: Iterable[FlowMonth]) -> Iterator[Advice]:
    by_zone: dict[str, list[FlowMonth]] = {}
    for month in flow:
        if month["expected_l"] > 0:
            by_zone.setdefault(month["zone"], []).append(month)
    for zone, months in by_zone.items():
        first, last = (m["metered_l"] / m["expected_l"] for m in (months[0], months[-1]))
        if len(months) > 1 and last < first * (1 - FLOW_DROP):
            yield {
                "text": f"{zone} gives less and less: flush its lines and look for clogged emitters.",
                "rests_on": f"metered flow {first:.0%} of the expected in {months[0]['month']}, "
                f"{last:.0%} in {months[-1]['month']}",
            }


def tapes(zones: Mapping[str, ZoneReport]) -> Iterator[Advice]:
    for name, zone in zones.items():
        crops, lasts = zone["tape_crops"], zone["tape_lasts"]
        if zone["repairs"] >= MANY_REPAIRS:
            yield {
                "text": f"Lay new tape in {_most_mended(name, zone)} rather than mend it again.",
                "rests_on": f"{zone['repairs']} repairs noted",
            }
        elif crops is not None and lasts is not None and crops >= lasts:
            yield {
                "text": f"Lay new tape in {name} before the next crop.",
                "rests_on": f"{crops} crops on a tape that lasts {lasts:g}",
            }


def _most_mended(name: str, zone: ZoneReport) -> str:
    """A row where it took many repairs and the others few; else the zone."""
    row, repairs = max(zone["row_repairs"].items(), key=lambda item: item[1], default=("", 0))
    others = zone["repairs"] - repairs
    return f"row {row} of {name}" if repairs >= MANY_REPAIRS > others else name


def _stages(past: Past) -> Iterator[Advice]:
    """Stages that the grower saw earlier or later than the table's days have them."""
    by_name = {zone.name: zone for zone in past.zones}
    for note in past.notes:
        if note.kind != "stage" or note.day < past.first or note.zone not in by_name:
            continue
        planting = _standing(by_name[note.zone].plantings, note.day)
        if planting is None:
            continue
        expected = _begins(planting, note)
        off = (note.day - expected).days
        if abs(off) >= STAGE_DAYS:
            when = f"{abs(off)} days {'later' if off > 0 else 'earlier'} than the table has it"
            yield {
                "text": f"The {planting.crop.name} of {note.zone} reached its {note.details['stage']} "
                f"{when}: change its stage days, if next year's is the same variety.",
                "rests_on": f"noted on {day_text(note.day)}, table {day_text(expected)}",
            }


def _standing(plantings: Iterable[Planting], day: date) -> Planting | None:
    stood = [p for p in plantings if p.planted <= day and (p.pulled is None or day <= p.pulled)]
    return max(stood, key=lambda p: p.planted, default=None)


def _begins(planting: Planting, note: Note) -> date:
    """The day on which the noted stage begins by the table's days."""
    before = [0, *accumulate(planting.crop.stage_days)]
    return planting.planted + timedelta(days=int(before[STAGES.index(note.details["stage"])]))


def _unanswered(zones: Mapping[str, ZoneReport]) -> Iterator[Advice]:
    count = sum(zone["unanswered"] for zone in zones.values())
    if count >= MANY_UNANSWERED:
        yield {
            "text": "Answer runs by hand each day (rowwater note applied --as-planned): unanswered water is "
            "taken as not given, and asked for again.",
            "rests_on": f"{count} planned runs without an answer",
        }
