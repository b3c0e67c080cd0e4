"""Water given: by day and zone beside what was planned, and the month against its caps."""

from __future__ import annotations

from datetime import date, timedelta

from markupsafe import Markup

from scheduler.drawings.month import month
from scheduler.html.screens.frame import Frame, render
from scheduler.phrases.water import outcome
from scheduler.shapes.base import Display
from scheduler.shapes.log import LogLine, LogMonth, LogPage


def water(page: LogPage, frame: Frame) -> str:
    """page: `rowwater log --json`."""
    by_day: dict[str, list[LogLine]] = {}
    for line in page["days"]:
        by_day.setdefault(line["date"], []).append(line)
    this_month = page.get("month")
    return render(
        "water.html",
        frame,
        page=page,
        days=[(day, by_day[day]) for day in sorted(by_day, reverse=True)],
        outcome=outcome,
        month=this_month,
        picture=Markup("" if this_month is None else _drawn(this_month, frame.display)),
    )


def _drawn(of: LogMonth, display: Display) -> str:
    first = date.fromisoformat(of["from"])
    last = (first + timedelta(days=31)).replace(day=1) - timedelta(days=1)
    given = {date.fromisoformat(day): liters for day, liters in of["by_day"].items()}
    return month(
        "month", given, display, first=first, last=last,
        daily_cap_l=of["daily_cap_l"], monthly_cap_l=of["monthly_cap_l"],
    )  # fmt: skip
