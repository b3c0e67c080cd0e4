"""What quality control found, in words: for the morning, for `why`, for the weather page."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from datetime import date, timedelta

from scheduler.core.quality.checks import Flag
from scheduler.model import Display, Notice, WeatherDays
from scheduler.pages.lines import line
from scheduler.pages.rounding import rounded
from scheduler.shapes.weather import FlagLine
from scheduler.shapes.working import Line
from scheduler.show import WEATHER_NAMES, show_weather, words

UNITS = {
    "tmin_c": "degC", "tmax_c": "degC", "tdew_c": "degC", "rh_mean_pct": "%", "rh_min_pct": "%",
    "rh_max_pct": "%", "wind_m_s": "m/s", "wind_height_m": "m", "solar_mj_m2": "MJ/m2", "sunshine_h": "h",
    "rain_mm": "mm", "rain_chance_pct": "%", "rain_so_far_mm": "mm",
}  # fmt: skip
NEEDED = ("tmin_c", "tmax_c", "rain_mm")
"""Nothing is estimated in their place on the day itself: if nobody else has them, somebody should look."""
REMIND_DAYS = 7


def flag_line(flag: Flag, display: Display) -> FlagLine:
    return {
        "date": flag.day.isoformat(),
        "since": flag.since.isoformat() if flag.since else None,
        "field": flag.field,
        "value": rounded(flag.value),
        "verdict": flag.verdict,
        "now": None if flag.now is None else rounded(flag.now),
        "rule": flag.rule,
        "reason": reason_of(flag, display),
        "source": flag.source,
        "kind": flag.kind,
        "published": flag.published,
    }


def reason_of(flag: Flag, display: Display) -> str:
    return words(flag.reason, flag.numbers, display)


def notices(
    flags: Iterable[Flag],
    weather: WeatherDays,
    *,
    today: date,
    said_before: date | None,
    display: Display,
) -> Iterator[Notice]:
    """One line each for what is new since the plan of `said_before`: old days are not told every morning.

    A slow fault of a sensor is told when it is first seen, and again each week while it lasts.
    """
    since = max(said_before or today - timedelta(days=1), today - timedelta(days=REMIND_DAYS))
    lost: dict[tuple[str, str], list[Flag]] = {}
    for flag in flags:
        if flag.sensor:
            if flag.day >= today - timedelta(days=2) and _due(flag, today, since):
                what = f"{flag.source}, {WEATHER_NAMES[flag.field]}"
                yield Notice("look", f"weather: {what}: {reason_of(flag, display)}", "weather")
        elif flag.verdict == "rejected" and flag.day >= since:
            mine = lost.setdefault((flag.source, flag.rule), [])
            if (flag.day, flag.field) not in [(other.day, other.field) for other in mine]:
                mine.append(flag)  # once, though it was forecast first and then measured
    for (source, _), mine in lost.items():
        newest = mine[-1]
        fields = list(dict.fromkeys(flag.field for flag in mine))
        days = sorted({flag.day for flag in mine})
        when = f"{days[0]}" if len(days) == 1 else f"{days[0]} to {days[-1]}"
        what = ", ".join(WEATHER_NAMES[field] for field in fields)
        amount = f" {show_weather(newest.field, newest.value, display)}" if len(mine) == 1 else ""
        gone = any(flag.field in NEEDED and _nobody_else(flag, weather) for flag in mine)
        yield Notice(
            "look" if gone else "info",
            f"weather: {what}{amount} of {when} by {source} set aside ({reason_of(newest, display)})",
            "weather",
        )


def _due(flag: Flag, today: date, since: date) -> bool:
    """First seen since the last plan, or whole weeks ago."""
    assert flag.since is not None
    first_seen = flag.first_seen or flag.day
    return first_seen >= since or (today - first_seen).days % REMIND_DAYS == 0


def _nobody_else(flag: Flag, weather: WeatherDays) -> bool:
    i = (flag.day - weather.first).days
    if not 0 <= i < len(weather):
        return False
    value = float(getattr(weather, flag.field)[i])
    return value != value


def working_lines(flags: Iterable[Flag], day: date) -> list[Line]:
    """What was found of the values of one day, for the working."""
    return [_line(flag) for flag in flags if _about(flag, day)]


def _about(flag: Flag, day: date) -> bool:
    return flag.since <= day <= flag.day if flag.since else flag.day == day


def _line(flag: Flag) -> Line:
    name, unit = WEATHER_NAMES[flag.field], UNITS[flag.field]
    verdict = {"rejected": "set aside", "repaired": "repaired", "kept": "kept, in doubt"}[flag.verdict]
    held = "" if flag.now is None else f"to {flag.now:.2f} {unit}"
    return line(
        f"{verdict} {held}".strip() + f": {name} of {flag.source}",
        value=None if flag.sensor else flag.value,
        unit="" if flag.sensor else unit,
        numbers=reason_of(flag, "metric"),
        source=f"{flag.rule}: {flag.published}",
    )
