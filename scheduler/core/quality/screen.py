"""Quality control before sources are joined: what one source may not be believed, the next one answers."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, replace
from datetime import date, timedelta

import numpy as np

from scheduler.core.balance.climate import weather_days
from scheduler.core.quality.checks import RAIN_UNHEARD_MM, Flag, examine
from scheduler.model import WEATHER_FIELDS, Location, WeatherDays, WeatherValue

SO_FAR = "rain_so_far_mm"
BORNE_OUT_SHARE = 0.25  # of an unheard-of rain, by somebody else, and it stands (own choice)
SILENT_DAYS, SILENT_MM = 21, 40.0  # dry that long while others tell of that much (own choice)
LONGEST_DAYS = 200 * 366
"""A source whose days span more has a mistyped year; it is not examined."""

Group = tuple[str, str]  # source, kind


@dataclass(frozen=True, slots=True)
class Screened:
    """What is left of all sources' values, and what was found."""

    values: list[WeatherValue]  # those that stand, as they came and in their order
    flags: tuple[Flag, ...]


def screen(values: Iterable[WeatherValue], location: Location) -> Screened:
    """What stands of all sources' values, and what was found.

    The grower's own gauge is believed.  A station's values are looked at for faults of instruments too, those
    of a model or a forecast only for what cannot be.  An unheard-of rain stands where another source bears it
    out.  What model M1 repairs is flagged and left to M1.

    >>> from datetime import datetime, timezone
    >>> at = datetime(2024, 6, 2, 5, tzinfo=timezone.utc)
    >>> day = date(2024, 6, 1)
    >>> wet, wild = (WeatherValue(day, "rain_mm", mm, "shed", "station", at) for mm in (12.0, 5000.0))
    >>> here = Location(35.6, -82.4, 650.0, "UTC")
    >>> screen([wet], here).values == [wet], screen([wild], here).values, screen([wild], here).flags[0].rule
    (True, [], 'rain limits')
    """
    given = list(values)
    groups: defaultdict[Group, dict[tuple[date, str], WeatherValue]] = defaultdict(dict)
    for value in given:
        if value.kind != "gauge":
            key, mine = (value.day, value.field), groups[value.source, value.kind]
            if key not in mine or value.fetched_at >= mine[key].fetched_at:
                mine[key] = value
    rain = _rain_by_source(given)
    fallen = _rain_by_source(value for value in given if value.kind != "forecast")
    flags: list[Flag] = []
    out: set[tuple[str, str, date, str]] = set()
    for (source, kind), mine in sorted(groups.items()):
        days = _as_days(mine)
        if days is None:
            continue
        found = examine(days, location, source=source, sensor=kind == "station")
        for flag in (*found, *_so_far(mine, source), *_silent(mine, source, kind, fallen)):
            if flag.rule == "unheard-of rain" and _borne_out(flag, source, rain):
                continue
            flags.append(replace(flag, kind=kind))
            if flag.verdict == "rejected":
                out.add((source, kind, flag.day, flag.field))
    stand = [value for value in given if (value.source, value.kind, value.day, value.field) not in out]
    return Screened(stand, tuple(sorted(flags, key=lambda f: (f.day, f.source, f.field))))


def _as_days(mine: Mapping[tuple[date, str], WeatherValue]) -> WeatherDays | None:
    first = min(day for day, _ in mine)
    count = (max(day for day, _ in mine) - first).days + 1
    if count > LONGEST_DAYS:
        return None
    columns = {field: np.full(count, np.nan) for field in WEATHER_FIELDS}
    for (day, field), value in mine.items():
        if field in columns:
            columns[field][(day - first).days] = value.value
    return weather_days(first, **columns)


def _rain_by_source(values: Iterable[WeatherValue]) -> dict[date, dict[str, float]]:
    """The most that each source ever says of each day, rain so far included."""
    rain: defaultdict[date, dict[str, float]] = defaultdict(dict)
    for value in values:
        if value.field in ("rain_mm", SO_FAR):
            of_day = rain[value.day]
            of_day[value.source] = max(of_day.get(value.source, 0.0), value.value)
    return rain


def _others(day: date, source: str, rain: Mapping[date, Mapping[str, float]]) -> float:
    return max((mm for name, mm in rain.get(day, {}).items() if name != source), default=0.0)


def _borne_out(flag: Flag, source: str, rain: Mapping[date, Mapping[str, float]]) -> bool:
    """Somebody else tells of a good part of it, that day or the next to it (days do not end at one hour)."""
    about = (flag.day + timedelta(days=shift) for shift in (-1, 0, 1))
    return max(_others(day, source, rain) for day in about) >= BORNE_OUT_SHARE * flag.value


def _so_far(mine: Mapping[tuple[date, str], WeatherValue], source: str) -> Iterable[Flag]:
    for (day, field), value in mine.items():
        if field == SO_FAR and value.value > RAIN_UNHEARD_MM:
            yield Flag(
                day, field, value.value, "rejected", "unheard-of rain",
                "more than {:depth}, which few places ever saw", source, numbers=(RAIN_UNHEARD_MM,),
            )  # fmt: skip


def _silent(
    mine: Mapping[tuple[date, str], WeatherValue],
    source: str,
    kind: str,
    rain: Mapping[date, Mapping[str, float]],
) -> Iterable[Flag]:
    """A station's gauge that catches nothing for weeks in which others tell of rain: blocked, most likely."""
    if kind != "station":
        return
    caught = {day: value.value for (day, field), value in mine.items() if field == "rain_mm"}
    dry: list[date] = []
    for day in sorted(caught):
        if caught[day] > 0:
            dry = []
            continue
        dry = [*dry, day] if dry and (day - dry[-1]).days == 1 else [day]
        over = caught.get(day + timedelta(days=1), 1.0) > 0
        if over and len(dry) >= SILENT_DAYS:
            missed = sum(_others(d, source, rain) for d in dry)
            if missed >= SILENT_MM:
                yield Flag(
                    day, "rain_mm", 0.0, "kept", "rain gauge silent",
                    f"nothing in {len(dry)} days in which others tell of {{:depth}}: is it blocked?",
                    source, since=dry[0], first_seen=dry[SILENT_DAYS - 1], numbers=(missed,),
                )  # fmt: skip
