"""Weather in phrases: a field's value and unit, what quality control found, what was said anew."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from typing import TYPE_CHECKING

from scheduler.show import M_S_PER_MPH, MM_PER_INCH, Display

if TYPE_CHECKING:
    from scheduler.shapes.weather import FlagLine, Value, WeatherPage

MATTERS = {"rain_mm": 0.5, "solar_mj_m2": 2.0, "wind_m_s": 0.5, "tdew_c": 1.0}
"""Restatements below these (below 1 degC, 5 % for the rest) are left to --json."""
WORDS = {
    "tmin_c": "low", "tmax_c": "high", "tdew_c": "dew point", "rh_mean_pct": "mean RH",
    "rh_min_pct": "lowest RH", "rh_max_pct": "highest RH", "wind_m_s": "wind", "wind_height_m": "wind height",
    "solar_mj_m2": "sun", "sunshine_h": "sunshine", "rain_mm": "rain", "rain_chance_pct": "chance of rain",
    "rain_so_far_mm": "rain so far", "et0_mm": "ET0",
}  # fmt: skip
VERDICTS = {"rejected": "set aside", "repaired": "held", "kept": "kept, in doubt"}


def shown(field: str, display: Display) -> tuple[Callable[[float], str], str]:
    """How a field's SI value is written, and its unit."""
    us = display == "us"
    if field in ("tmin_c", "tmax_c", "tdew_c"):
        return (lambda c: f"{c * 1.8 + 32:.0f}", "F") if us else (lambda c: f"{c:.1f}", "C")
    if field in ("rain_mm", "rain_so_far_mm", "et0_mm"):
        return (lambda mm: f"{mm / MM_PER_INCH:.2f}", "in") if us else (lambda mm: f"{mm:.1f}", "mm")
    if field == "wind_m_s":
        return (lambda v: f"{v / M_S_PER_MPH:.0f}", "mph") if us else (lambda v: f"{v:.1f}", "m/s")
    if field == "solar_mj_m2":
        return lambda v: f"{v:.1f}", "MJ/m2"
    unit = "m" if field == "wind_height_m" else "h" if field == "sunshine_h" else "%"
    return lambda v: f"{v:.0f}", unit


def say(field: str, value: float, display: Display) -> str:
    write, unit = shown(field, display)
    return f"{write(value)} {unit}"


def named(told: Value) -> str:
    """Who gave a value: "file weather.csv (station)"."""
    source = told["source"] or ""
    return source if source == told["kind"] else f"{source} ({told['kind']})"


def quality(page: WeatherPage, display: Display) -> Iterator[str]:
    """What quality control found, that of one source and rule together."""
    by_rule: dict[tuple[str, str, str], dict[tuple[str, str], FlagLine]] = {}
    for flag in page["quality"]:
        same = by_rule.setdefault((flag["source"], flag["rule"], flag["verdict"]), {})
        same[flag["date"], flag["field"]] = flag
    for (source, rule, verdict), flags in by_rule.items():
        mine = list(flags.values())
        last, fields = mine[-1], dict.fromkeys(WORDS[flag["field"]] for flag in mine)
        first = min(flag["since"] or flag["date"] for flag in mine)
        when = first if first == last["date"] else f"{first} to {last['date']}"
        amount = (
            f" {say(last['field'], last['value'], display)}" if len(mine) == 1 and not last["since"] else ""
        )
        yield (
            f"{when} {', '.join(fields)}{amount} of {source} {VERDICTS[verdict]}: {last['reason']}"
            f"  [{rule}: {last['published']}]"
        )


def restated(page: WeatherPage, display: Display) -> Iterator[str]:
    """Past values that a source gave anew, where the difference matters."""
    for r in page["restated"]:
        if abs(r["now"] - r["was"]) >= MATTERS.get(r["field"], 1.0 if r["field"].endswith("_c") else 5.0):
            was, now = say(r["field"], r["was"], display), say(r["field"], r["now"], display)
            yield f"{r['date']} {WORDS[r['field']]} of {r['source']}: {was} -> {now} ({r['said_at'][:10]})"
