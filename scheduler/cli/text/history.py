"""Years of weather on record as text: a line a year."""

from __future__ import annotations

from collections.abc import Iterator
from typing import TYPE_CHECKING

from scheduler.cli.text.base import Row, table, wrap
from scheduler.show import Display, show_depth

if TYPE_CHECKING:
    from scheduler.shapes.history import HistoryPage, HistoryYear

HEADS = ("days", "complete", "ET0", "rain", "estimated", "set aside", "new values")
WIDTHS = (6, 10, 11, 11, 11, 11, 12)
LABEL = 6


def history_text(page: HistoryPage, display: Display, width: int) -> str:
    return "\n".join(_lines(page, display, width))


def _lines(page: HistoryPage, display: Display, width: int) -> Iterator[str]:
    yield from wrap(f"{page['garden']}, weather from {page['from']} to {page['to']}", width, 2)
    yield ""
    rows = [_year(year, display) for year in page["years"]]
    yield from table([("year", HEADS), *rows], width, label=LABEL, cells=WIDTHS)
    yield ""
    for text in (*_told(page), *page["notices"], *page["credits"]):
        yield from wrap(text, width, 2)


def _year(year: HistoryYear, display: Display) -> Row:
    return (
        str(year["year"]),
        (
            str(year["days"]),
            str(year["complete"]),
            show_depth(year["et0_mm"], display),
            show_depth(year["rain_mm"], display),
            str(max(year["estimated"].values())),
            str(year["set_aside"]),
            str(year["added"]),
        ),
    )


def _told(page: HistoryPage) -> Iterator[str]:
    yield "complete: days with temperatures and rain; estimated: the most days of one quantity"
    for what, by_year in (
        ("estimated", [year["estimated"] for year in page["years"]]),
        ("missing", [year["missing"] for year in page["years"]]),
    ):
        days = {name: sum(year[name] for year in by_year) for name in by_year[0]}
        if said := ", ".join(f"{name} on {count} days" for name, count in days.items() if count):
            yield f"{what}: {said}"
