"""The report's water: what each zone was given by month, asked for, and a timer would have used."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Iterator, Mapping, Sequence
from datetime import date
from typing import NamedTuple

from scheduler.core.arrays import FloatArray
from scheduler.model import Applied, StoredPlan
from scheduler.pages.rounding import rounded
from scheduler.planning.season_past import Past
from scheduler.shapes.report import FlowMonth, MeterTotal, MonthWater

Key = tuple[str, str]
"""(month, zone); months as 2026-07."""


def month_of(day: date) -> str:
    return f"{day:%Y-%m}"


class Water(NamedTuple):
    """Litres by month and zone."""

    given: Mapping[Key, float]
    asked: Mapping[Key, float]
    kept: Mapping[Key, float]
    timer: Mapping[Key, float]
    planned_months: frozenset[str]  # with a plan on record

    @property
    def keys(self) -> list[Key]:
        return sorted(self.given.keys() | self.asked.keys() | self.timer.keys())

    def of_zone(self, found: Mapping[Key, float], zone: str) -> float:
        return rounded(sum(liters for (_, name), liters in found.items() if name == zone))


def water_of(past: Past) -> Water:
    given: dict[Key, float] = defaultdict(float)
    for record in past.applied:
        given[month_of(record.day), record.zone] += record.liters
    return Water(
        given, _by_month(past, past.asked_liters()), kept_liters(past), _by_month(past, past.timer_liters()),
        frozenset(month_of(plan.day) for plan in past.plans),
    )  # fmt: skip


def _by_month(past: Past, liters: FloatArray) -> dict[Key, float]:
    found: dict[Key, float] = defaultdict(float)
    for day, row in zip(past.days, liters.tolist(), strict=True):
        for zone, value in zip(past.zones, row, strict=True):
            if value:
                found[month_of(day), zone.name] += value
    return found


def waiting(plans: Iterable[StoredPlan]) -> Iterator[tuple[date, str, float]]:
    """Day, zone and net mm that a plan had to leave out for want of hours, days, cap or flow."""
    for plan in plans:
        for line in plan.page.get("unmet", ()):
            yield plan.day, line["zone"], line["net_mm"]


def kept_liters(past: Past) -> dict[Key, float]:
    """What the supply kept from each zone: of every spell of days on which some waited, the most at once.

    What waits is asked for again the next morning, so that a sum over the days would count it many times.
    """
    factor = dict(zip(past.days, past.liters_per_mm().tolist(), strict=True))
    index = {zone.name: z for z, zone in enumerate(past.zones)}
    short: dict[str, dict[date, float]] = defaultdict(dict)
    for day, zone, net_mm in waiting(past.plans):
        if zone in index and day in factor:
            short[zone][day] = short[zone].get(day, 0.0) + net_mm * factor[day][index[zone]]
    planned = [plan.day for plan in past.plans]
    found: dict[Key, float] = defaultdict(float)
    for zone, by_day in short.items():
        for spell in spells(planned, by_day):
            most = max(spell, key=lambda day: by_day[day])
            found[month_of(most), zone] += by_day[most]
    return found


def spells(planned: Iterable[date], by_day: Mapping[date, float]) -> Iterator[list[date]]:
    """Runs of consecutive planned days on which something waited."""
    spell: list[date] = []
    for day in planned:
        if by_day.get(day, 0.0) > 0:
            spell.append(day)
        elif spell:
            yield spell
            spell = []
    if spell:
        yield spell


def month_lines(water: Water) -> list[MonthWater]:
    return [
        {
            "month": month,
            "zone": zone,
            "given_l": rounded(water.given.get((month, zone), 0.0)),
            "asked_l": rounded(water.asked.get((month, zone), 0.0)),
            "kept_l": rounded(water.kept.get((month, zone), 0.0)) if month in water.planned_months else None,
            "timer_l": rounded(water.timer.get((month, zone), 0.0)),
        }
        for month, zone in water.keys
    ]


def bounds_liters(past: Past, zone: int) -> tuple[float, float]:
    """Least and most that a zone may have got: bounds of uncertain runs, and what nobody answered."""
    flow = dict(zip(past.days, past.flow_lpm()[:, zone].tolist(), strict=True))
    name, least, most = past.zones[zone].name, 0.0, 0.0
    for record in past.applied:
        if record.zone == name:
            low, high = _bounds(record, flow.get(record.day, 0.0))
            least, most = least + low, most + high
    return least, most + sum(run.liters for _, run in past.unanswered if run.zone == name)


def _bounds(record: Applied, lpm: float) -> tuple[float, float]:
    if record.measured or record.least_minutes is None or record.most_minutes is None:
        return record.liters, record.liters
    return record.least_minutes * lpm, record.most_minutes * lpm


def flow_months(past: Past) -> list[FlowMonth]:
    """Litres that a meter told of runs, against minutes times flow: less and less says that emitters clog."""
    flow = {zone.name: past.flow_lpm()[:, z] for z, zone in enumerate(past.zones)}
    at = {day: d for d, day in enumerate(past.days)}
    sums: dict[Key, list[float]] = defaultdict(lambda: [0.0, 0.0, 0.0])
    for record in past.applied:
        if record.measured and record.minutes > 0 and record.zone in flow and record.opened_at is not None:
            one = sums[month_of(record.day), record.zone]
            one[0] += 1
            one[1] += record.liters
            one[2] += record.minutes * float(flow[record.zone][at[record.day]])
    return [
        {"month": month, "zone": zone, "runs": int(runs), "metered_l": rounded(metered),
         "expected_l": rounded(expected)}
        for (month, zone), (runs, metered, expected) in sorted(sums.items())
    ]  # fmt: skip


def meter_total(flow: Sequence[FlowMonth], given_l: float) -> MeterTotal:
    """Meter against log over all months; given_l: all water of the log."""
    return {
        "runs": sum(line["runs"] for line in flow),
        "metered_l": rounded(sum(line["metered_l"] for line in flow)),
        "expected_l": rounded(sum(line["expected_l"] for line in flow)),
        "given_l": rounded(given_l),
    }
