"""For how long may this valve be opened now: the rules on hours, days and amounts, at that moment.

The rules are a plain dict: the service that opens valves carries them in its small brief.  What holds on a
date is reckoned by `core/hours/rules.py`, as for the plan; neither needs numpy.
"""

from __future__ import annotations

import math
from collections.abc import Collection, Iterable, Mapping, Sequence
from datetime import date, datetime, time, timedelta
from typing import Any
from zoneinfo import ZoneInfo

from scheduler.core.hours.rules import DayRule, Restrictions, day_rule, watering_date
from scheduler.model import Display, Hours, MonthRule, Supply, WateringDays
from scheduler.show import show_volume

Rules = Mapping[str, Any]
"""JSON-able: {"timezone", "display", "hours": [from, until] or two of them, "days", "daily_cap_l",
"monthly_cap_l", "by_month", "not_together"}; `by_month` maps "1".."12" to what replaces the rule in that
month."""

LOOK_AHEAD_DAYS = 62  # a month may have no watering day

WITHIN_S = 1.0
"""A run that is over its limit by less is not refused: times and litres come rounded."""


def rules_of(supply: Supply, timezone: str, display: Display = "metric") -> dict[str, Any]:
    """The supply's restrictions as plain values."""
    by_month: dict[str, dict[str, Any]] = {}
    for rule in supply.by_month:
        given = {
            "hours": None if rule.hours is None else _hours(rule.hours),
            "days": None if rule.days is None else _days(rule.days),
            "daily_cap_l": rule.daily_cap_l,
            "monthly_cap_l": rule.monthly_cap_l,
        }
        for month in sorted(rule.months):
            by_month[str(month)] = {key: value for key, value in given.items() if value is not None}
    return {
        "timezone": timezone,
        "display": display,
        "hours": _hours(supply.hours),
        "days": _days(supply.days),
        "daily_cap_l": supply.daily_cap_l,
        "monthly_cap_l": supply.monthly_cap_l,
        "by_month": by_month,
        "not_together": [list(group) for group in supply.not_together],
    }


def _hours(hours: Sequence[Hours]) -> list[Any]:
    pairs = [[at.isoformat("minutes") for at in window] for window in hours]
    return pairs[0] if len(pairs) == 1 else pairs


def _windows(texts: Any) -> tuple[Hours, ...]:
    pairs = [texts] if isinstance(texts[0], str) else texts
    return tuple(Hours(*(time.fromisoformat(text) for text in pair)) for pair in pairs)


def _days(days: WateringDays) -> str | list[int]:
    return sorted(days.weekdays) if days.kind == "weekdays" else days.kind


def rule_on(rules: Rules, day: date) -> DayRule:
    """What holds on a date. KeyError or ValueError where `rules` are none."""
    return day_rule(day, *_restrictions(rules))


def watering_day(rules: Rules, at: datetime) -> date:
    """The date whose plan holds at a moment: after midnight the day before, until its hours end."""
    local = at.astimezone(ZoneInfo(rules["timezone"]))
    return watering_date(local, *_restrictions(rules))


def next_hours(rules: Rules, day: date) -> datetime | None:
    """Begin of the first watering hours from a date on; None where none is in sight."""
    ahead = (rule_on(rules, day + timedelta(days=k)) for k in range(LOOK_AHEAD_DAYS))
    return next((rule.windows(rules["timezone"])[0][0] for rule in ahead if rule.allowed), None)


def _restrictions(rules: Rules) -> tuple[Supply, Restrictions]:
    supply = Supply(0.0, hours=_windows(rules["hours"]), daily_cap_l=rules["daily_cap_l"],
                    days=_watering_days(rules["days"]))  # fmt: skip
    by_month = (_month_rule(int(month), rule) for month, rule in rules["by_month"].items())
    return supply, Restrictions(tuple(by_month), rules["monthly_cap_l"])


def _month_rule(month: int, rule: Mapping[str, Any]) -> MonthRule:
    hours = _windows(rule["hours"]) if "hours" in rule else None
    days = _watering_days(rule["days"]) if "days" in rule else None
    return MonthRule(frozenset({month}), hours, days, rule.get("daily_cap_l"), rule.get("monthly_cap_l"))


def _watering_days(days: Any) -> WateringDays:
    return WateringDays("weekdays", frozenset(days)) if isinstance(days, list) else WateringDays(days)


def longest(
    rules: Rules,
    at: datetime,
    zones: Collection[str],
    flow_lpm: float,
    liters_today: float,
    liters_month: float,
    open_now: Iterable[str] = (),
) -> tuple[float, str]:
    """Seconds that the valve may be open from this moment on, and what ends them; (0, why) for not at all.

    at: aware; liters_today, liters_month: what already ran on this local date and in this month, whoever
    opened the valve; open_now: zones whose water runs.
    """
    rule = _rule_at(rules, at)
    if why := apart(rules, zones, open_now):
        return 0.0, why
    if not rule.allowed:
        return 0.0, "today is not a watering day"
    windows, now = rule.windows(rules["timezone"]), at.timestamp()
    until = next((end for begin, end in windows if begin.timestamp() <= now < end.timestamp()), None)
    if until is None:
        hours = " and ".join(f"{begin:%H:%M} to {end:%H:%M}" for begin, end in rule.hours)
        return 0.0, f"outside the watering hours, {hours}"
    ending = (until.timestamp() - now, f"the watering hours end at {until:%H:%M}")
    return min(ending, of_caps(rules, at, flow_lpm, liters_today, liters_month))


def _rule_at(rules: Rules, at: datetime) -> DayRule:
    return rule_on(rules, watering_day(rules, at))


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
    rule, display = _rule_at(rules, at), rules.get("display", "metric")
    next_month = (rule.day.replace(day=1) + timedelta(days=32)).replace(day=1)
    limits = [(math.inf, "")]
    for cap, used, words, again in (
        (rule.daily_cap_l, liters_today, "daily cap", rule.day + timedelta(days=1)),
        (rule.monthly_cap_l, liters_month, "month's cap", next_month),
    ):
        if cap is not None and flow_lpm > 0:
            amounts = f"{show_volume(used, display)} of {show_volume(cap, display)}"
            text = f"the {words} on water: {amounts} have run; more from {again:%a %Y-%m-%d} on"
            limits.append((max(cap - used, 0.0) / flow_lpm * 60, text))
    return min(limits)
