"""The morning summary as text: one screen a person can read half awake."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import date, datetime, timedelta
from typing import TYPE_CHECKING, cast

import click

from scheduler.cli.text.base import age, wrap
from scheduler.show import show_depth, show_minutes, show_temperature, show_volume

if TYPE_CHECKING:
    from scheduler.shapes.base import RunLine
    from scheduler.shapes.day import DayWeather, TodayFile, ZoneLine

SCREEN_LINES = 23
BAD_EDIT = "garden"  # `board.FIRST`, which is not worth its import here
REMARK_LINES = 6
"""Kept free for remarks, where zones that rest would take it."""
NARROW = 60
"""Columns below which a zone takes two lines."""
NO_RAIN_MM = 0.05
FORGIVE = timedelta(minutes=2)
SHORT_STAGE = {"initial": "ini", "development": "dev", "mid-season": "mid", "late season": "late"}


def needs_a_look(page: TodayFile, today: date) -> bool:
    levels = {notice["level"] for notice in page["notices"]}
    return bool(levels & {"look", "problem"}) or page["date"] != today.isoformat()


def morning_text(
    page: TodayFile, *, today: date, width: int, everything: bool = False, now: datetime | None = None
) -> str:
    """now: what is open is shown against this time; None: as the page says."""
    head = [
        *_bad_edit(page, width),
        *_title(page, width),
        *_age(page, today),
        *_open(page, width, now),
        *_weather(page, width),
    ]
    asked = list(_questions(page, width))
    tail = [*_given(page, width), *_credits(page)]
    remarks = _remarks(page, width)
    fixed = len(head) + len(asked) + len(tail) + 2
    wanted = min(sum(map(len, remarks)) + 1, REMARK_LINES) if remarks else 0
    zones = list(_zones(page, width, None if everything else SCREEN_LINES - fixed - wanted))
    room = None if everything else SCREEN_LINES - fixed - len(zones) + 2
    lines = [*head, *asked, *zones, *tail, *_fitting(remarks, room, width)]
    return "\n".join(line.rstrip() for line in lines)


def _title(page: TodayFile, width: int) -> Iterator[str]:
    day = date.fromisoformat(page["date"])
    when = f"{day:%a} {day.day} {day:%b %Y}"
    name = page["garden"][: max(width - len(when) - 2, 8)]
    yield click.style(f"{name}{' ' * max(width - len(name) - len(when), 2)}{when}", bold=True)


def _bad_edit(page: TodayFile, width: int) -> Iterator[str]:
    """Before all else: a garden.yaml that is not in use, and which version is."""
    for notice in page["notices"]:
        if notice.get("key") == BAD_EDIT:
            yield from (click.style(line, fg="red") for line in wrap(f"! {notice['text']}", width, 2))


def _open(page: TodayFile, width: int, now: datetime | None) -> Iterator[str]:
    for entry in page.get("open_now", ()):
        until = datetime.fromisoformat(entry["until"])
        over = now is not None and until < now - FORGIVE
        text = f"Open now: {entry['zone']}, until {until:%H:%M}"
        if over:
            text = (
                f"! {entry['zone']} was to close at {until:%H:%M}; the service has not said that it did: "
                "is it running?"
            )
        yield from (
            click.style(line, fg="yellow" if over else None, bold=True) for line in wrap(text, width, 2)
        )


def _age(page: TodayFile, today: date) -> Iterator[str]:
    if old := age(date.fromisoformat(page["date"]), today):
        made = datetime.fromisoformat(page["made_at"])
        yield click.style(
            f"! This plan is {old} (made {made:%Y-%m-%d %H:%M}). Run: rowwater day", fg="yellow", bold=True
        )


def _weather(page: TodayFile, width: int) -> Iterator[str]:
    days = page["weather"]
    for label, day in (("Yesterday", days.get("yesterday")), ("Today", days.get("today"))):
        told = dict(day or {})
        if label == "Yesterday":
            told.pop("rain_chance_pct", None)  # it fell, or it did not
        yield from wrap(f"{label:<9}  {_day_weather(page, cast('DayWeather', told))}", width, 11)


def _day_weather(page: TodayFile, day: DayWeather) -> str:
    return ", ".join([*_temperatures(page, day), *_rain(page, day), *_et0(page, day)])


def _temperatures(page: TodayFile, day: DayWeather) -> Iterator[str]:
    low, high = day.get("tmin_c"), day.get("tmax_c")
    if low is None or high is None:
        yield "temperature unknown"
    else:
        number = show_temperature(low, page["display"]).split()[0]
        yield f"{number} to {show_temperature(high, page['display'])}"


def _rain(page: TodayFile, day: DayWeather) -> Iterator[str]:
    rain, chance = day.get("rain_mm"), day.get("rain_chance_pct")
    odds = f" ({chance:.0f}% chance)" if chance is not None else ""
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


def _questions(page: TodayFile, width: int) -> Iterator[str]:
    """A grower who has not said whether planned runs were given is asked first, with both figures."""
    if not page["unanswered"]:
        return
    yield ""
    by_date: dict[str, list[str]] = {}
    for run in page["unanswered"]:
        by_date.setdefault(run["date"], []).append(f"{run['zone']} {show_minutes(run['minutes'])}")
    for when, runs in by_date.items():
        day = date.fromisoformat(when)
        text = f"Was this water given on {day:%a} {day.day} {day:%b}? {', '.join(runs)}"
        yield from (click.style(line, bold=True) for line in wrap(text, width, 2))
    changed = [
        f"{zone['zone']} {zone['minutes_if_given']:.0f} or {zone['wanted_minutes']:.0f}"
        for zone in page["zones"]
        if zone.get("wanted_minutes") != zone.get("minutes_if_given")
    ]
    yield "  yes:  rowwater note applied --as-planned"
    yield from wrap(
        "  else: rowwater note applied ZONE 20min   (0min if none; the plan below counts none)", width, 8
    )
    if changed:
        yield from wrap(f"  minutes today if yes or no: {', '.join(changed)}", width, 4)


def _hours(page: TodayFile) -> str:
    windows = page.get("windows") or [page["window"]]
    edges = ([datetime.fromisoformat(window[key]) for key in ("from", "until")] for window in windows)
    return " and ".join(f"{begin:%H:%M} to {until:%H:%M}" for begin, until in edges)


def _zones(page: TodayFile, width: int, room: int | None) -> Iterator[str]:
    runs: dict[str, list[RunLine]] = {}
    for run in page["runs"]:
        runs.setdefault(run["zone"], []).append(run)
    zones = sorted(page["zones"], key=lambda zone: _order(zone, runs))
    total = sum(run["liters"] for run in page["runs"])
    head = "No zone runs today"
    if runs:
        head = f"Water today: {len(runs)} of {len(zones)} zones, {show_volume(total, page['display'])}"
    yield ""
    yield from (click.style(line, bold=True) for line in wrap(f"{head} (hours {_hours(page)})", width, 2))
    per_zone = 2 if width < NARROW else 1
    shown = zones if room is None else zones[: max(room // per_zone, len(runs))]
    if len(shown) < len(zones):
        shown = zones[: max(room // per_zone - 1, len(runs))] if room is not None else zones
    cells = [_cells(page, zone, runs.get(zone["zone"], [])) for zone in shown]
    widths = [max((len(row[k]) for row in cells), default=0) for k in range(3)]
    for zone, row in zip(shown, cells, strict=True):
        yield from _zone_lines(zone, row, widths, width, loud=zone["zone"] in runs)
    if len(shown) < len(zones):
        left = f"{len(zones) - len(shown)} more do not run: rowwater morning --all"
        yield from wrap(left, width, 4, first=2)


def _order(zone: ZoneLine, runs: dict[str, list[RunLine]]) -> tuple[int, str, float]:
    mine = runs.get(zone["zone"])
    if mine:
        return 0, min(run["start"] for run in mine), 0.0
    trigger = zone.get("trigger_mm") or 0.0
    return (1 if trigger else 2), "", -(zone["deficit_mm"] / trigger) if trigger else 0.0


def _cells(page: TodayFile, zone: ZoneLine, runs: list[RunLine]) -> tuple[str, str, str]:
    """Name, what it does today, and how dry it is against its trigger."""
    trigger_mm = zone.get("trigger_mm")
    if trigger_mm is None:
        return zone["zone"], _plan(zone, runs), ""
    deficit, trigger = (show_depth(mm, page["display"]) for mm in (zone["deficit_mm"], trigger_mm))
    give_or_take = ""
    if zone.get("doubt_matters"):
        give_or_take = f" +/- {show_depth(zone['deficit_sd_mm'], page['display']).split()[0]}"
    dry = f"{_dryness(zone['deficit_mm'], trigger_mm)} {deficit.split()[0]}/{trigger}{give_or_take}"
    return zone["zone"], _plan(zone, runs), dry


def _plan(zone: ZoneLine, runs: list[RunLine]) -> str:
    if not runs:
        return zone["state"]
    start = datetime.fromisoformat(runs[0]["start"])
    pulses = f" in {len(runs)}" if len(runs) > 1 else ""
    return f"{start:%H:%M} {show_minutes(sum(run['minutes'] for run in runs))}{pulses}"


def _zone_lines(
    zone: ZoneLine, row: tuple[str, str, str], widths: list[int], width: int, *, loud: bool
) -> Iterator[str]:
    """One line, or two where the terminal is narrow or a name is long: names and figures are never cut."""
    name, plan, dry = (cell.ljust(size) for cell, size in zip(row, widths, strict=True))
    lines = [f"  {name}  {plan}  {dry}"]
    if width < NARROW or len(lines[0].rstrip()) > width:
        lines = [*wrap(f"{row[0]}  {row[1]}", width, 4, first=2), *([f"    {row[2]}"] if row[2] else [])]
    lines[-1] += _crop(zone, width - len(lines[-1]) - 2)
    yield from (click.style(line, bold=True) if loud else line for line in lines)


def _crop(zone: ZoneLine, room: int) -> str:
    """Crop, its day and its stage, as much of it as there is room for in whole words."""
    if "crop" not in zone:
        return ""
    crop, stage = f"{zone['crop']} d{zone['day']}", zone["stage"]
    said = (f"{crop} {stage}", f"{crop} {SHORT_STAGE[stage]}", crop)
    return next((f"  {text}" for text in said if len(text) <= room), "")


def _dryness(deficit_mm: float, trigger_mm: float) -> str:
    """A bar of six: full at the trigger."""
    filled = min(int(deficit_mm / trigger_mm * 6), 6) if trigger_mm else 0
    return f"[{'#' * filled}{'.' * (6 - filled)}]"


def _given(page: TodayFile, width: int) -> Iterator[str]:
    if not page["applied"]:
        return
    said = []
    for water in page["applied"]:
        day = date.fromisoformat(water["date"])
        planned = (
            f" of {water['planned_minutes']:.0f}" if water["planned_minutes"] != water["minutes"] else ""
        )
        volume = show_volume(water["liters"], page["display"])
        said.append(f"{water['zone']} {water['minutes']:.0f}{planned} min, {volume} ({day:%a})")
    yield ""
    yield from wrap(f"Given since yesterday: {'; '.join(said)}", width, 2)


def _remarks(page: TodayFile, width: int) -> list[list[str]]:
    """Lines of each remark, most urgent first."""
    order = {"problem": 0, "look": 1, "info": 2}
    colours = {"problem": "red", "look": "yellow"}
    told = (notice for notice in page["notices"] if notice.get("key") != BAD_EDIT)
    remarks = []
    for notice in sorted(told, key=lambda notice: order[notice["level"]]):
        colour = colours.get(notice["level"])
        lines = wrap(f"  {'! ' if colour else ''}{notice['text']}", width, 4)
        remarks.append([click.style(line, fg=colour) if colour else line for line in lines])
    return remarks


def _fitting(remarks: list[list[str]], room: int | None, width: int) -> Iterator[str]:
    """Whole remarks, as many as there is room for, and how many are left; the first is always told.

    room: lines of the screen left, the empty one before the remarks among them; None: no end.
    """
    if not remarks:
        return
    yield ""
    left = None if room is None else room - 1
    for n, lines in enumerate(remarks):
        closing = n < len(remarks) - 1
        if n and left is not None and len(lines) + closing > left:
            more = "remark" if n == len(remarks) - 1 else "remarks"
            yield from wrap(f"{len(remarks) - n} more {more}: rowwater morning --all", width, 4, first=2)
            return
        left = None if left is None else left - len(lines)
        yield from lines


def _credits(page: TodayFile) -> Iterator[str]:
    yield from page["sources"]["credits"]
