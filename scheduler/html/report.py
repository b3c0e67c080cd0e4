"""The report as one HTML file: no script, nothing from elsewhere, fit for paper."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from datetime import date

from markupsafe import Markup

from scheduler.drawings import paint
from scheduler.drawings.bars import bars
from scheduler.drawings.root_zone import root_zone
from scheduler.html.environment import quantities, templates
from scheduler.shapes.report import MonthWater, ReportPage
from scheduler.show import LITERS_PER_GALLON


def report_html(page: ReportPage) -> str:
    """The whole file. Text of the garden (names, notes) is escaped."""
    display = page["display"]
    return (
        templates()
        .get_template("report.html")
        .render(
            page=page,
            pictures={
                zone: Markup(root_zone(f"zone-{k}", zone, days, display))
                for k, (zone, days) in enumerate(page["curves"].items())
            },
            by_month=Markup(_by_month(page)),
            paint=Markup(paint.css()),
            **quantities(display),
            day=day_words,
        )
    )


def day_words(text: str) -> str:
    day = date.fromisoformat(text)
    return f"{day.day} {day:%b %Y}"


def _by_month(page: ReportPage) -> str:
    months = list(dict.fromkeys(line["month"] for line in page["months"]))
    us = page["display"] == "us"

    def sums(value: Callable[[MonthWater], float]) -> list[float]:
        return list(_sums(page, months, value, 1 / LITERS_PER_GALLON if us else 0.001))

    kinds = {
        "water": ("given", sums(lambda line: line["given_l"])),
        "asked": ("asked", sums(lambda line: line["asked_l"])),
        "timer": ("fixed timer", sums(lambda line: line["timer_l"])),
    }
    unit = "gal" if us else "m3"
    words = f"All zones, {unit} by month: " + "; ".join(
        f"{month} given {given:,.0f}, asked {asked:,.0f}, a fixed timer {timer:,.0f}"
        for month, given, asked, timer in zip(months, *(values for _, values in kinds.values()), strict=True)
    )
    return bars("months", f"Water by month, {unit}", words, months, kinds, lambda value: f"{value:,g}")


def _sums(
    page: ReportPage, months: list[str], value: Callable[[MonthWater], float], size: float
) -> Iterator[float]:
    for month in months:
        yield size * sum(value(line) for line in page["months"] if line["month"] == month)
