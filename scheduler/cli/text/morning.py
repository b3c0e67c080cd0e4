"""The morning summary as text: one screen a person can read half awake.

What runs is always there, and whole; remarks give way first, then zones that rest.
"""

from __future__ import annotations

from collections.abc import Iterator
from datetime import date, datetime, timedelta
from typing import TYPE_CHECKING, NamedTuple

import click

from scheduler.cli.text.base import wrap
from scheduler.phrases import morning as phrases
from scheduler.phrases.days import clock_time, feed_words, weekday
from scheduler.show import show_minutes

if TYPE_CHECKING:
    from scheduler.shapes.base import RunLine
    from scheduler.shapes.day import TodayFile, ZoneLine

SCREEN_LINES = 23
NARROW = 60
"""Below so many columns a zone has two lines."""
ROOM_FOR_REMARKS = 2
"""Lines that zones at rest leave for them: a blank one, and how many there are."""


def needs_a_look(page: TodayFile, today: date) -> bool:
    """Something changes what a person should do today: an alarm, an old plan, days that nobody answered."""
    levels = {notice["level"] for notice in page["notices"]}
    return bool(levels & {"look", "problem"}) or page["date"] != today.isoformat() or _long_unanswered(page)


def _long_unanswered(page: TodayFile) -> bool:
    """Yesterday's run is asked about every morning; one that is older has been passed over."""
    yesterday = date.fromisoformat(page["date"]) - timedelta(days=1)
    return any(run["date"] < yesterday.isoformat() for run in page["unanswered"])


def morning_text(
    page: TodayFile, *, today: date, width: int, everything: bool = False, now: datetime | None = None
) -> str:
    """now: what is open is shown against this time; None: as the page says."""
    head = [
        *_first(page, width),
        *_title(page, width),
        *_age(page, today, width),
        *_open(page, width, now),
        *_weather(page, width),
    ]
    asked = list(_questions(page, width))
    given, credits = list(_given(page, width)), list(_credits(page, width))
    above = len(head) + len(asked)
    rest = None if everything else SCREEN_LINES - above - len(given) - len(credits)
    loud = list(_loud(page, width))
    if rest is not None and rest < len(loud) + len(page["zones"]) + ROOM_FOR_REMARKS:  # the log has it
        given, rest = [], rest + len(given)
    kept = len(loud) + (ROOM_FOR_REMARKS if phrases.quiet(page) else 0)
    zones = list(_zones(page, width, None if rest is None else max(rest - kept, 0)))
    left = None if rest is None else rest - len(zones) - len(loud)
    lines = [*head, *asked, *zones, *given, *loud, *_remarks(page, width, left), *credits]
    return "\n".join(line.rstrip() for line in lines)


def _title(page: TodayFile, width: int) -> Iterator[str]:
    day = date.fromisoformat(page["date"])
    when = f"{day:%a} {day.day} {day:%b %Y}"
    name = page["garden"]
    if len(name) + 2 + len(when) > width:
        yield from (click.style(line, bold=True) for line in [*wrap(name, width, 2), when])
        return
    yield click.style(f"{name}{' ' * (width - len(name) - len(when))}{when}", bold=True)


def _first(page: TodayFile, width: int) -> Iterator[str]:
    for notice in phrases.first(page):
        yield from (click.style(line, fg="red") for line in wrap(f"! {notice['text']}", width, 2))


def _open(page: TodayFile, width: int, now: datetime | None) -> Iterator[str]:
    for entry in page.get("open_now", ()):
        over = phrases.overdue(entry, now)
        text = f"! {over}" if over else f"Open now: {entry['zone']}, until {clock_time(entry['until'])}"
        yield from (
            click.style(line, fg="yellow" if over else None, bold=True) for line in wrap(text, width, 2)
        )


def _age(page: TodayFile, today: date, width: int) -> Iterator[str]:
    if old := phrases.plan_age(page, today):
        text = f"! {old}. Run: rowwater day"
        yield from (click.style(line, fg="yellow", bold=True) for line in wrap(text, width, 2))


def _weather(page: TodayFile, width: int) -> Iterator[str]:
    for label, said in phrases.days_weather(page):
        yield from wrap(f"{label:<9}  {said}", width, 11)


def _questions(page: TodayFile, width: int) -> Iterator[str]:
    """A grower who has not said whether planned runs were given is asked first, with both figures."""
    if not page["unanswered"]:
        return
    yield ""
    by_date: dict[str, list[str]] = {}
    for run in page["unanswered"]:
        by_date.setdefault(run["date"], []).append(f"{run['zone']} {show_minutes(run['minutes'])}")
    for when, runs in by_date.items():
        text = f"Was this water given on {weekday(when)}? {', '.join(runs)}"
        yield from (click.style(line, bold=True) for line in wrap(text, width, 2))
    yield from wrap("  yes:  rowwater note applied --as-planned", width, 8)
    yield from wrap("  else: rowwater note applied ZONE 20min (0min: none; the plan counts none)", width, 8)
    if changed := phrases.if_answered(page):
        yield from wrap(f"  minutes today if yes or no: {', '.join(changed)}", width, 4)


def _zones(page: TodayFile, width: int, room: int | None) -> Iterator[str]:
    """room: lines there are; zones that run are told whatever it is, None: all of them."""
    runs = phrases.runs_by_zone(page)
    zones = phrases.zones_in_order(page, runs)
    yield ""
    title = wrap(phrases.water_today(page, runs), width, 2)
    yield from (click.style(line, bold=True) for line in title)
    cells = [_cells(page, zone, runs.get(zone["zone"], [])) for zone in zones]
    told = [
        [*lines, *_feed(runs.get(zone["zone"], []), width)]
        for zone, lines in zip(zones, _told(cells, width), strict=True)
    ]
    least = sum(len(lines) for zone, lines in zip(zones, told, strict=True) if zone["zone"] in runs)
    left = None if room is None else max(room - 1 - len(title), least)
    for n, (zone, lines) in enumerate(zip(zones, told, strict=True)):
        after = 1 if n < len(zones) - 1 else 0
        if left is not None and zone["zone"] not in runs and len(lines) + after > left:
            yield from wrap(f"  ... and {len(zones) - n} that rest: rowwater morning --all", width, 6)
            return
        yield from (click.style(line, bold=True) if zone["zone"] in runs else line for line in lines)
        left = None if left is None else left - len(lines)


def _feed(runs: list[RunLine], width: int) -> Iterator[str]:
    """When to inject, in a zone that is fed today."""
    for run in runs:
        if "feed" in run:
            yield from wrap(feed_words(run["feed"]), width, 8, first=6)


class _Cells(NamedTuple):
    name: str
    plan: str
    bar: str
    deficit: str
    reason: str
    crop: str


def _cells(page: TodayFile, zone: ZoneLine, runs: list[RunLine]) -> _Cells:
    """Name, what it does today, how dry it is against its trigger, why, and what grows there."""
    plan, reason = phrases.zone_plan(zone, runs), zone.get("reason", "")
    crop = f"{zone['crop']} d{zone['day']}" if "crop" in zone else ""
    dry = phrases.dryness(page, zone)
    bar = "" if dry is None else _bar(zone["deficit_mm"], zone["trigger_mm"])
    return _Cells(zone["zone"], plan, bar, dry or "", reason, crop)


def _told(cells: list[_Cells], width: int) -> list[list[str]]:
    """The lines of each zone: one where it fits, else two; nothing is cut.

    Bar, then crop, then how sure the deficit is give way to the rest: a reason is worth more.
    """
    if width < NARROW:
        return [_two_lines(row, width) for row in cells]
    for columns in _LAYOUTS:
        shown = [[text for text, wanted in zip(row, columns, strict=True) if wanted] for row in cells]
        lines = _in_columns(shown)
        if all(len(line) <= width for line in lines):
            return [[line] for line in lines]
    lines = _in_columns([[row.name, row.plan, row.deficit.split(" +/-")[0], row.reason] for row in cells])
    if all(len(line) <= width for line in lines):
        return [[line] for line in lines]
    lines = _in_columns([[row.name, row.plan, row.deficit.split(" +/-")[0]] for row in cells])
    if any(len(line) > width for line in lines):
        return [_two_lines(row, width) for row in cells]
    size = max(map(len, lines), default=0)
    whole = [f"{line.ljust(size)}  {row.reason}".rstrip() for line, row in zip(lines, cells, strict=True)]
    return [
        [one] if len(one) <= width else [line, *wrap(f"      {row.reason}", width, 6)]
        for one, line, row in zip(whole, lines, cells, strict=True)
    ]


_LAYOUTS = tuple(
    (True, True, bar, True, True, crop) for bar, crop in ((True, True), (True, False), (False, False))
)
"""Which of `_Cells` are shown, the fullest first."""


def _in_columns(rows: list[list[str]]) -> list[str]:
    sizes = [max(len(row[k]) for row in rows) for k in range(len(rows[0]))] if rows else []
    return [
        "  ".join(["", *(text.ljust(size) for text, size in zip(row, sizes, strict=True) if size)]).rstrip()
        for row in rows
    ]


def _two_lines(row: _Cells, width: int) -> list[str]:
    said = [text for text in (row.deficit, row.reason) if text]
    return [*wrap(f"  {row.name}: {row.plan}", width, 4), *wrap(f"    {', '.join(said)}", width, 4)]


def _bar(deficit_mm: float, trigger_mm: float) -> str:
    """A bar of six: full at the trigger."""
    filled = min(int(deficit_mm / trigger_mm * 6), 6) if trigger_mm else 0
    return f"[{'#' * filled}{'.' * (6 - filled)}]"


def _given(page: TodayFile, width: int) -> Iterator[str]:
    """What each day got, under that day's own name."""
    by_day: dict[str, list[str]] = {}
    for water in page["applied"]:
        by_day.setdefault(water["date"], []).append(phrases.given(page, water))
    if by_day:
        yield ""
    for when, said in sorted(by_day.items()):
        yield from wrap(f"Given {weekday(when)}: {', '.join(said)}", width, 2)


def _loud(page: TodayFile, width: int) -> Iterator[str]:
    loud = phrases.loud(page)
    if loud:
        yield ""
        yield click.style("Needs a hand", bold=True)
    for notice in loud:
        colour = "red" if notice["level"] == "problem" else "yellow"
        yield from (click.style(line, fg=colour) for line in wrap(f"  ! {notice['text']}", width, 4))


def _remarks(page: TodayFile, width: int, room: int | None) -> Iterator[str]:
    """Whole remarks as far as there is room; how many more there are, and how to see them."""
    quiet = phrases.quiet(page)
    if not quiet:
        return
    lines: list[str] = [] if room is not None and room < ROOM_FOR_REMARKS else [""]
    for k, notice in enumerate(quiet):
        mine = wrap(f"  {notice['text']}", width, 4)
        last = 0 if k == len(quiet) - 1 else 1
        if room is not None and len(lines) + len(mine) + last > room:
            more = f"{len(quiet) - k} more remark{'s' if len(quiet) - k > 1 else ''}"
            lines += wrap(f"  {more}: rowwater morning --all", width, 4)
            break
        lines += mine
    yield from lines


def _credits(page: TodayFile, width: int) -> Iterator[str]:
    for text in page["sources"]["credits"]:
        yield from wrap(text, width, 2)
