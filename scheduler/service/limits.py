"""May this valve be opened now, and for how long: the rules on hours, days and amounts, at that moment.

Standard library only, and the rules are a plain dict: the service that opens valves carries them in its
small brief.  What the plan of the week makes of the same rules is `core/restrictions.py`.
"""

from __future__ import annotations

import math
from collections.abc import Collection, Iterable, Mapping
from datetime import UTC, date, datetime, time
from typing import Any
from zoneinfo import ZoneInfo

from scheduler.model import Supply, WateringDays

Rules = Mapping[str, Any]
"""JSON-able: {"timezone", "hours": [from, until], "days", "daily_cap_l", "monthly_cap_l", "by_month",
"not_together"}; `by_month` maps "1".."12" to what replaces the rule in that month."""

WITHIN_S = 1.0
"""A run that is over its limit by less is not refused: times and litres come rounded."""


def rules_of(supply: Supply, timezone: str) -> dict[str, Any]:
    """The supply's restrictions as plain values."""
    by_month: dict[str, dict[str, Any]] = {}
    for rule in supply.by_month:
        begin, until = rule.hours_from or supply.hours_from, rule.hours_until or supply.hours_until
        given = {
            "hours": _hours(begin, until),
            "days": None if rule.days is None else _days(rule.days),
            "daily_cap_l": rule.daily_cap_l,
            "monthly_cap_l": rule.monthly_cap_l,
        }
        for month in sorted(rule.months):
            by_month[str(month)] = {key: value for key, value in given.items() if value is not None}
    return {
        "timezone": timezone,
        "hours": _hours(supply.hours_from, supply.hours_until),
        "days": _days(supply.days),
        "daily_cap_l": supply.daily_cap_l,
        "monthly_cap_l": supply.monthly_cap_l,
        "by_month": by_month,
        "not_together": [list(group) for group in supply.not_together],
    }


def _hours(begin: time, until: time) -> list[str]:
    return [begin.isoformat("minutes"), until.isoformat("minutes")]


def _days(days: WateringDays) -> str | list[int]:
    return sorted(days.weekdays) if days.kind == "weekdays" else days.kind


def why_not(
    rules: Rules,
    at: datetime,
    zones: Collection[str],
    flow_lpm: float,
    seconds: float,
    liters_today: float,
    liters_month: float,
    open_now: Iterable[str] = (),
) -> str | None:
    """Why the valve of these zones may not be opened at this moment for so long; None where it may.

    at: aware; liters_today, liters_month: what already ran on this local date and in this month, whoever
    opened the valve; open_now: zones whose water runs.  KeyError or ValueError where `rules` are none.
    """
    allowed, why = longest(rules, at, zones, flow_lpm, liters_today, liters_month, open_now)
    return why if allowed < seconds - WITHIN_S or allowed <= 0 else None


def longest(
    rules: Rules,
    at: datetime,
    zones: Collection[str],
    flow_lpm: float,
    liters_today: float,
    liters_month: float,
    open_now: Iterable[str] = (),
) -> tuple[float, str]:
    """Seconds that the valve may be open from this moment on, and what ends them; (0, why) for not at all."""
    local = at.astimezone(ZoneInfo(rules["timezone"]))
    today = {**rules, **rules["by_month"].get(str(local.month), {})}
    if why := apart(rules, zones, open_now):
        return 0.0, why
    if not _allows(today["days"], local.date()):
        return 0.0, "today is not a watering day"
    begin, until = (_moment(local.date(), text, local) for text in today["hours"])
    span = f"{today['hours'][0]} to {today['hours'][1]}"
    if not begin <= at.timestamp() < until:
        return 0.0, f"outside the watering hours, {span}"
    ending = (until - at.timestamp(), f"the watering hours end at {today['hours'][1]}")
    return min(ending, of_caps(rules, at, flow_lpm, liters_today, liters_month))


def apart(rules: Rules, zones: Collection[str], open_now: Iterable[str]) -> str | None:
    """Why these zones may not run beside what runs now."""
    for group in rules["not_together"]:
        beside = sorted({*open_now} & {*group} - {*zones})
        if beside and not {*zones}.isdisjoint(group):
            return f"not at one time with {', '.join(beside)} (supply.not_together)"
    return None


def over_cap(
    rules: Rules, at: datetime, flow_lpm: float, seconds: float, liters_today: float, liters_month: float
) -> str | None:
    """The cap that so long a run would pass."""
    left, why = of_caps(rules, at, flow_lpm, liters_today, liters_month)
    return why if seconds > left + WITHIN_S else None


def of_caps(
    rules: Rules, at: datetime, flow_lpm: float, liters_today: float, liters_month: float
) -> tuple[float, str]:
    """Seconds until a cap on water is reached, and which; (inf, "") where none is set."""
    month = at.astimezone(ZoneInfo(rules["timezone"])).month
    today = {**rules, **rules["by_month"].get(str(month), {})}
    limits = [(math.inf, "")]
    for cap, used, words in (
        (today["daily_cap_l"], liters_today, "daily cap"),
        (today["monthly_cap_l"], liters_month, "month's cap"),
    ):
        if cap is not None and flow_lpm > 0:
            text = f"the {words} on water: {used:.0f} of {cap:.0f} L have run"
            limits.append((max(cap - used, 0.0) / flow_lpm * 60, text))
    return min(limits)


def _allows(days: str | list[int], day: date) -> bool:
    if isinstance(days, str):
        return days == "all" or (day.day % 2 == 0) == (days == "even")
    return day.weekday() in days


def _moment(day: date, text: str, local: datetime) -> float:
    """A time of day as seconds since the epoch; in the hour that autumn repeats, its first pass."""
    at = datetime.combine(day, time.fromisoformat(text), local.tzinfo)
    return at.astimezone(UTC).timestamp()
