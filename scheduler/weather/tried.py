"""Every source of weather asked once, for whoever wants to know whether it answers."""

from __future__ import annotations

import os
from dataclasses import dataclass
from datetime import date, datetime
from pathlib import Path

from scheduler.model import EARLIEST, Fetched, Garden
from scheduler.weather import http
from scheduler.weather.request import Request
from scheduler.weather.sources import answer_of

OLDEST = EARLIEST
STALE_DAYS = 2
"""A station's file that ends before the day before yesterday is behind."""


@dataclass(frozen=True, slots=True)
class Tried:
    """What one source, file or secret said when it was tried."""

    name: str
    text: str
    ok: bool


def try_sources(
    garden: Garden, today: date, now: datetime, data_folder: Path, get: http.Get = http.get
) -> list[Tried]:
    """A short real request to each source, nothing remembered of it."""
    return [
        _tried(
            Request(
                spec, garden.location, garden.folder, today, OLDEST, today, now, get, os.environ,
                data_folder=data_folder, broker=garden.service.get("broker"),
            )
        )
        for spec in garden.sources
    ]  # fmt: skip


def _tried(ask: Request) -> Tried:
    answer = answer_of(ask)
    if isinstance(answer, str):
        return Tried(ask.spec.name, answer.removeprefix(f"{ask.spec.name}: "), False)
    return Tried(ask.spec.name, *_said(answer, ask.today))


def _said(answer: Fetched, today: date) -> tuple[str, bool]:
    ahead = {value.day for value in answer.values if value.day >= today}
    behind = {value.day for value in answer.values if value.day < today}
    parts = [f"{len(ahead)} days of forecast"] if ahead else []
    fresh = bool(ahead)
    if behind:
        old = (today - max(behind)).days
        parts.append(f"last day {max(behind)}" + (f", {old} days old" if old > 1 else ""))
        fresh = fresh or old <= STALE_DAYS
    if not parts:
        return "; ".join(["no usable value", *answer.notices]), False
    fields = sorted({value.field for value in answer.values if value.day in (ahead | behind)})
    return f"{', '.join(parts)} ({', '.join(fields)})", fresh
