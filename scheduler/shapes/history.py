"""`rowwater history --json`: years of weather on record."""

from __future__ import annotations

from typing import TypedDict

from scheduler.shapes.base import Span


class HistoryYear(TypedDict):
    """A calendar year, or the part of it that was asked for.

    missing: days without that quantity, of which temperatures stand for ET0; estimated: days of which
    nobody told it, with an estimate in its place. Totals leave missing days out.
    """

    year: int
    days: int
    complete: int  # days with temperatures and rain
    missing: dict[str, int]
    estimated: dict[str, int]
    sources: dict[str, int]  # values of each source that count
    set_aside: int  # values that quality control does not believe
    added: int  # values that this call put on record
    et0_mm: float
    rain_mm: float


class HistoryPage(Span):
    """`rowwater history --json`."""

    garden: str
    years: list[HistoryYear]  # the newest first
    added: int
    warmth_years: (
        int  # years whose temperatures are known on nine days of ten: stages by warmth ask for three
    )
    credits: list[str]
    notices: list[str]
