"""The seven days ahead: the weather that is expected, and what each zone gets and lacks."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import date

from markupsafe import Markup

from scheduler.drawings.week import week as drawn
from scheduler.html.screens.frame import Frame, render
from scheduler.phrases.days import age
from scheduler.shapes.week import DayAhead, WeekPage, ZoneDay
from scheduler.show import show_depth, show_minutes


def week(page: WeekPage, frame: Frame) -> str:
    """page: `rowwater week --json`."""
    return render(
        "week.html",
        frame,
        page=page,
        picture=Markup(drawn("week", page)),
        old=age(date.fromisoformat(page["date"]), frame.now.date()),
        weather=[(day["date"], _weather(page, day)) for day in page["weather"]],
        zones=list(dict.fromkeys(day["zone"] for day in page["days"])),
        minutes=_minutes,
        lacks=lambda day: _lacks(page, day),
    )


def _weather(page: WeekPage, day: DayAhead) -> str:
    return ", ".join(_expected(page, day))


def _expected(page: WeekPage, day: DayAhead) -> Iterator[str]:
    display = page["display"]
    yield f"rain {'unknown' if day['rain_mm'] is None else show_depth(day['rain_mm'], display)}" + (
        "" if day["rain_chance"] is None else f" ({day['rain_chance'] * 100:.0f}% chance)"
    )
    if day["et0_mm"] is not None:
        yield f"ET0 {show_depth(day['et0_mm'], display)}"


def _minutes(day: ZoneDay) -> str:
    return show_minutes(day["minutes"]) if day["minutes"] else "no water"


def _lacks(page: WeekPage, day: ZoneDay) -> str:
    """In the evening, against its trigger, and what follows from that."""
    deficit, sd = (show_depth(day[key], page["display"]) for key in ("deficit_mm", "deficit_sd_mm"))
    said = f"{deficit} +/- {sd.split()[0]}"
    if day["deficit_mm"] > day["raw_mm"]:
        return f"{said}: past the water that is easily used"
    if day["trigger_mm"] is not None and day["deficit_mm"] >= day["trigger_mm"]:
        return f"{said}: due next morning"
    return said
