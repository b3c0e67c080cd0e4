"""The morning's page in phrases: what is open, the weather, what each zone does, what needs a hand."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from datetime import date, datetime, timedelta
from typing import TYPE_CHECKING

from scheduler.phrases.days import age, clock_time
from scheduler.show import show_depth, show_minutes, show_temperature, show_volume

if TYPE_CHECKING:
    from scheduler.shapes.base import NoticeLine, RunLine
    from scheduler.shapes.day import DayWeather, GivenLine, OpenLine, TodayFile, ZoneLine

FIRST = ("records", "garden")  # `service.notices.FIRST`, not worth its import here
NO_RAIN_MM = 0.05
FORGIVE = timedelta(minutes=2)
URGENCY = {"problem": 0, "look": 1, "info": 2}
QUIET = (
    "task", "answer", "feed", "water", "crop", "soil", "frost", "salt", "chore", "weather", "records",
    "garden",
)  # fmt: skip
"""Remarks in this order: what was confirmed, today's feeding, water and crops, chores, then the rest."""


def day_of(page: TodayFile, now: datetime) -> date:
    """Today; after midnight the page's own date, while its watering hours last."""
    until, of_page = datetime.fromisoformat(page["window"]["until"]), date.fromisoformat(page["date"])
    lasts = until.tzinfo is not None and now.timestamp() < until.timestamp()
    return min(of_page, now.date()) if lasts else now.date()


def plan_age(page: TodayFile, today: date) -> str | None:
    """ "This plan is 2 days old (made 2015-07-09 03:00)"; None for today's."""
    old = age(date.fromisoformat(page["date"]), today)
    return old and f"This plan is {old} (made {datetime.fromisoformat(page['made_at']):%Y-%m-%d %H:%M})"


def overdue(entry: OpenLine, now: datetime | None) -> str | None:
    """Of an opening that should be over; None while it is not."""
    until = datetime.fromisoformat(entry["until"])
    if now is None or until >= now - FORGIVE:
        return None
    return (
        f"{entry['zone']} was to close at {until:%H:%M}; the service has not said that it did: is it running?"
    )


# --- weather -------------------------------------------------------------------------------------


def days_weather(page: TodayFile) -> Iterator[tuple[str, str]]:
    """ "Yesterday" and "Today", each with its weather."""
    days = page["weather"]
    for label, day in (("Yesterday", days.get("yesterday")), ("Today", days.get("today"))):
        yield label, _day_weather(page, day or {}, past=label == "Yesterday")


def _day_weather(page: TodayFile, day: DayWeather, *, past: bool) -> str:
    return ", ".join([*_temperatures(page, day), *_rain(page, day, past=past), *_et0(page, day)])


def _temperatures(page: TodayFile, day: DayWeather) -> Iterator[str]:
    low, high = day.get("tmin_c"), day.get("tmax_c")
    if low is None or high is None:
        yield "temperature unknown"
    else:
        number = show_temperature(low, page["display"]).split()[0]
        yield f"{number} to {show_temperature(high, page['display'])}"


def _rain(page: TodayFile, day: DayWeather, *, past: bool) -> Iterator[str]:
    rain, chance = day.get("rain_mm"), day.get("rain_chance_pct")
    odds = "" if past or chance is None else f" ({chance:.0f}% chance)"
    if rain is None:
        yield f"rain unknown{odds}"
    else:
        amount = "no rain" if rain < NO_RAIN_MM else f"rain {show_depth(rain, page['display'])}"
        yield f"{amount}{odds}"


def _et0(page: TodayFile, day: DayWeather) -> Iterator[str]:
    et0 = day.get("et0_mm")
    if et0 is not None:
        stand_in = day["et0_method"] in ("climatology", "recent-mean")
        estimated = " (partly estimated)" if day.get("estimated") else ""
        yield f"ET0 {show_depth(et0, page['display'])}{' (a mean of past days)' if stand_in else estimated}"


# --- zones ---------------------------------------------------------------------------------------


def hours(page: TodayFile) -> str:
    """ "04:00 to 10:00 and 20:00 to 22:00"."""
    windows = page.get("windows") or [page["window"]]
    edges = ([datetime.fromisoformat(window[key]) for key in ("from", "until")] for window in windows)
    return " and ".join(f"{begin:%H:%M} to {until:%H:%M}" for begin, until in edges)


def runs_by_zone(page: TodayFile) -> dict[str, list[RunLine]]:
    found: dict[str, list[RunLine]] = {}
    for run in page["runs"]:
        found.setdefault(run["zone"], []).append(run)
    return found


def zones_in_order(page: TodayFile, runs: Mapping[str, Sequence[RunLine]]) -> list[ZoneLine]:
    """Those that run, by their start; then the driest against its trigger."""
    return sorted(page["zones"], key=lambda zone: _order(zone, runs.get(zone["zone"], ())))


def _order(zone: ZoneLine, mine: Sequence[RunLine]) -> tuple[int, str, float]:
    if mine:
        return 0, min(run["start"] for run in mine), 0.0
    trigger = zone.get("trigger_mm") or 0.0
    return (1 if trigger else 2), "", -(zone["deficit_mm"] / trigger) if trigger else 0.0


def water_today(page: TodayFile, runs: Mapping[str, Sequence[RunLine]]) -> str:
    """How many zones run, and how much; with the hours."""
    total = sum(run["liters"] for run in page["runs"])
    head = "No zone runs today"
    if runs:
        head = (
            f"Water today: {len(runs)} of {len(page['zones'])} zones, {show_volume(total, page['display'])}"
        )
    return f"{head} (hours {hours(page)})"


def zone_plan(zone: ZoneLine, runs: Sequence[RunLine]) -> str:
    """ "04:00 2 h 30 min in 2", or what it does instead."""
    if not runs:
        return zone["state"]
    pulses = f" in {len(runs)}" if len(runs) > 1 else ""
    return f"{clock_time(runs[0]['start'])} {show_minutes(sum(run['minutes'] for run in runs))}{pulses}"


def dryness(page: TodayFile, zone: ZoneLine) -> str | None:
    """ "0.49/0.46 in +/- 0.31": deficit against trigger; None where no deficit makes water due."""
    trigger_mm = zone.get("trigger_mm")
    if trigger_mm is None:
        return None
    deficit, trigger = (show_depth(mm, page["display"]) for mm in (zone["deficit_mm"], trigger_mm))
    give_or_take = ""
    if zone.get("doubt_matters"):
        give_or_take = f" +/- {show_depth(zone['deficit_sd_mm'], page['display']).split()[0]}"
    return f"{deficit.split()[0]}/{trigger}{give_or_take}"


def if_answered(page: TodayFile) -> list[str]:
    """ "beans 40 or 55": minutes today if the runs in question were given, or not, where that matters."""
    return [
        f"{zone['zone']} {zone['minutes_if_given']:.0f} or {zone['wanted_minutes']:.0f}"
        for zone in page["zones"]
        if zone.get("wanted_minutes") != zone.get("minutes_if_given")
    ]


def given(page: TodayFile, water: GivenLine) -> str:
    """ "beans 53 of 60 min (51 gal)"."""
    planned = f" of {water['planned_minutes']:.0f}" if water["planned_minutes"] != water["minutes"] else ""
    volume = show_volume(water["liters"], page["display"])
    return f"{water['zone']} {water['minutes']:.0f}{planned} min ({volume})"


# --- notices -------------------------------------------------------------------------------------


def first(page: TodayFile) -> list[NoticeLine]:
    """Before all else: records that are too old; a garden.yaml that is not in use, and which version is."""
    told = (notice for notice in page["notices"] if notice.get("key") in FIRST)
    return sorted(told, key=lambda notice: notice.get("key") != FIRST[0])


def loud(page: TodayFile) -> list[NoticeLine]:
    """What changes what a person should do today, the most urgent first."""
    told = (n for n in page["notices"] if n.get("key") not in FIRST and URGENCY[n["level"]] < URGENCY["info"])
    return sorted(told, key=lambda notice: URGENCY[notice["level"]])


def quiet(page: TodayFile) -> list[NoticeLine]:
    """Remarks."""
    told = (n for n in page["notices"] if n["level"] == "info" and n.get("key") not in FIRST)
    return sorted(told, key=lambda notice: QUIET.index(notice.get("kind", "water")))
