"""Chores that are due, told in the morning until they are noted as done."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from datetime import date
from typing import NamedTuple

from scheduler.core.system.upkeep import (
    BucketChore,
    Chore,
    DrainChore,
    FilterChore,
    FlushChore,
    FlushFlow,
    TapeChore,
    chores_due,
    last_noted,
)
from scheduler.model import Display, Garden, Notice
from scheduler.planning.facts import Facts
from scheduler.show import show_flow, show_temperature

PATIENCE_DAYS = 7
"""A routine chore is a remark at first; later it asks for an eye."""


class Words(NamedTuple):
    what: str  # "rinse the filter"
    why: str  # "20 days of watering since 2026-05-01"
    how: str  # one line of help


def chore_notices(garden: Garden, facts: Facts) -> Iterator[Notice]:
    """Tape, filter, bucket, flushing, winter drain: said when due, until noted as done."""
    for chore in chores_due(
        replace(garden, zones=facts.zones),
        facts.day,
        noted=last_noted(facts.notes),
        watered=_watered(facts),
        tmin_ahead_c=_tmin_ahead(facts),
    ):
        what, why, how = words_of(chore, garden.display)
        where = f"{chore.zone}: " if chore.zone else ""
        patient = chore.kind not in ("tape", "drain") and chore.overdue_days < PATIENCE_DAYS
        yield Notice("info" if patient else chore.level, f"{where}{what} ({why}): {how}")


def _watered(facts: Facts) -> dict[str, list[date]]:
    found: dict[str, list[date]] = {}
    for record in facts.applied:
        if record.minutes > 0:
            found.setdefault(record.zone, []).append(record.day)
    return found


def _tmin_ahead(facts: Facts) -> dict[date, float]:
    days = zip(facts.weather.dates(), facts.weather.tmin_c.tolist(), strict=True)
    return {day: tmin for day, tmin in days if day >= facts.day}


# --- in words ------------------------------------------------------------------------------------


def words_of(chore: Chore, display: Display) -> Words:
    match chore:
        case TapeChore():
            return _tape(chore)
        case FilterChore():
            noted = f"last noted {chore.last}" if chore.last else "no rinse noted yet"
            return Words(
                "rinse the filter",
                f"{chore.days} days of watering; {noted}",
                "close the supply and let the pressure off first; afterwards: rowwater note filter",
            )
        case BucketChore(last=last, since=since):
            return Words(
                "time the bucket again",
                f"last timed {since}" if last else f"no timing noted since watering began, {since}",
                "rowwater bucket --volume 5gal --time 58s; afterwards: rowwater note chore bucket",
            )
        case FlushChore():
            return _flush(chore, display)
        case DrainChore():
            return _drain(chore, display)
    raise TypeError(f"no words for {chore}")


def _tape(chore: TapeChore) -> Words:
    crops = "1 crop" if chore.crop_cycles == 1 else f"{chore.crop_cycles:g} crops"
    why = f"laid {chore.laid}, it lasts {crops}; {chore.crop} ({chore.due}) is one more"
    if chore.ahead:
        return Words("lay new tape", why, f"before planting; then: rowwater note tape {chore.zone}")
    return Words(
        "the tape is past its crops", why, "look for leaks and dry ends; new tape before the next crop"
    )


def _flush(chore: FlushChore, display: Display) -> Words:
    why = f"{chore.days} days of watering since {chore.since}"
    if chore.days is None:
        why = f"watering season begins ({chore.since})"
    help_ = f"one line at a time; give tapes.{chore.tape}.inside_diameter to learn how many"
    return Words("flush the tape lines", why, _ends(chore.flow, display) if chore.flow else help_)


def _ends(flow: FlushFlow, display: Display) -> str:
    each = show_flow(flow.end_lpm, display)
    if flow.lines_at_once == 0:
        return (
            f"each open end needs {each} and the zone takes {show_flow(flow.zone_lpm, display)}"
            f" of {show_flow(flow.usable_lpm, display)}: shut some rows off, then one end at a time"
        )
    ends = "1 end" if flow.lines_at_once == 1 else f"{flow.lines_at_once} ends"
    return f"open at most {ends} at a time: each needs {each}; close when it runs clear"


def _drain(chore: DrainChore, display: Display) -> Words:
    frost = "frost" if chore.frost else "near frost"
    return Words(
        "drain filter, regulator, hose and supply line" if chore.frost else "be ready to drain the system",
        f"{frost} forecast for {chore.night}: {show_temperature(chore.tmin_c, display)}",
        "shut the supply at its source and open the line ends; afterwards: rowwater note chore drain",
    )
