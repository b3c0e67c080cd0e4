"""Chores that are due: one quiet line in the morning, with the commands that end or put off each of them."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import replace
from datetime import date, timedelta

from scheduler.core.system.upkeep import (
    DRAIN_SILENT_DAYS,
    BucketChore,
    Chore,
    ChoreKind,
    DrainChore,
    FilterChore,
    FlushChore,
    FlushFlow,
    RowChore,
    TapeChore,
    chores_due,
    last_noted,
    row_repairs,
    wants_water,
)
from scheduler.model import Display, Garden, Notice
from scheduler.planning.facts import Facts
from scheduler.planning.live import Live
from scheduler.shapes.day import ChoreLine
from scheduler.show import show_temperature


def due_today(garden: Garden, facts: Facts, live: Live) -> list[Chore]:
    """What is due this morning, by the garden's record."""
    return chores_due(
        replace(garden, zones=facts.zones),
        facts.day,
        noted=last_noted(facts.notes),
        watered=_watered(facts),
        tmin_ahead_c=_tmin_ahead(facts),
        put_off=last_noted(facts.notes, later=True),
        water_wanted=_water_wanted(facts, live),
        repairs=row_repairs(facts.notes),
    )


def chore_notices(due: Sequence[Chore], display: Display) -> Iterator[Notice]:
    """Frost has a line of its own; all else is one line, and no alarm."""
    for chore in due:
        if isinstance(chore, DrainChore):
            yield Notice("look" if chore.frost else "info", drain_words(chore, display), "chore")
    if line := chore_line(due):
        yield Notice("info", line, "chore")


def _watered(facts: Facts) -> dict[str, list[date]]:
    found: dict[str, list[date]] = {}
    for record in facts.applied:
        if record.minutes > 0:
            found.setdefault(record.zone, []).append(record.day)
    return found


def _water_wanted(facts: Facts, live: Live) -> bool:
    """A planting stands, or comes, that will want water before long."""
    soon = facts.day + timedelta(days=DRAIN_SILENT_DAYS)
    if any(facts.day < p.planted <= soon for zone in facts.zones for p in zone.plantings):
        return True
    terms, ahead = live.terms, slice(live.today, None)
    if terms.settle is not None and terms.settle[ahead].any():
        return True
    found = wants_water(
        live.deficit, use=terms.use[ahead], rain_eff=terms.rain_eff[ahead], trigger=terms.trigger[ahead]
    )
    return bool(found.any())


def _tmin_ahead(facts: Facts) -> dict[date, float]:
    days = zip(facts.weather.dates(), facts.weather.tmin_c.tolist(), strict=True)
    return {day: tmin for day, tmin in days if day >= facts.day}


# --- in words ------------------------------------------------------------------------------------


def chore_lines(due: Sequence[Chore], display: Display) -> list[ChoreLine]:
    """Those that can be ticked off, each with the command that does it; flushing once for all zones."""
    flushes = [chore for chore in due if isinstance(chore, FlushChore)]
    rows = [chore for chore in due if isinstance(chore, RowChore)]
    found: list[ChoreLine] = []
    for chore in due:
        match chore:
            case DrainChore():
                if chore.frost:
                    found.append({**_line("drain", _drain(chore, display)), "can_wait": False})
            case TapeChore():
                line = _line("tape", _tape(chore), f"rowwater note tape {chore.zone}")
                found.append({**line, "zone": str(chore.zone)})
            case RowChore() if chore is rows[0]:
                found.append(_line("row", _rows(rows)))
            case FilterChore():
                text = f"rinse the filter, supply shut and pressure off ({chore.waterings} waterings)"
                found.append(_line("filter", text, "rowwater note filter"))
            case BucketChore():
                found.append(_line("bucket", f"time the bucket again ({chore.waterings} waterings)"))
            case FlushChore() if chore is flushes[0]:
                found.append(_line("flush", _flush(flushes)))
    return found


def _line(kind: ChoreKind, text: str, command: str = "") -> ChoreLine:
    return {
        "chore": kind,
        "text": text,
        "command": command or f"rowwater note chore {kind}",
        "can_wait": True,
    }


def chore_line(due: Sequence[Chore]) -> str:
    """ "Chores: rinse the filter (...): rowwater note filter; ...", or "" where none is due but draining."""
    lines = [line for line in chore_lines(due, "metric") if line["can_wait"]]
    if not lines:
        return ""
    said = "; ".join(f"{line['text']}: {line['command']}" for line in lines)
    kinds = "|".join(dict.fromkeys(line["chore"] for line in lines))
    return f"Chores: {said}; not now: rowwater note chore {kinds} later"


def _tape(chore: TapeChore) -> str:
    crops = "1 crop" if chore.crop_cycles == 1 else f"{chore.crop_cycles:g} crops"
    when = f"before the {chore.crop} of {chore.due}" if chore.ahead else "before the next crop"
    return f"lay new tape in {chore.zone} {when} (it lasts {crops})"


def _rows(chores: Sequence[RowChore]) -> str:
    """All rows together, since a look is noted for all."""
    which = ", ".join(f"row {one.row} of {one.zone} ({one.repairs} repairs)" for one in chores)
    return f"look at {which}, for a stone, teeth or worn tape"


def _flush(chores: Sequence[FlushChore]) -> str:
    """Of all zones together, since they are noted together; the tightest says how many ends may be open."""
    zones = ", ".join(str(chore.zone) for chore in chores)
    counts = [chore.waterings for chore in chores if chore.waterings is not None]
    since = f"{max(counts)} waterings" if counts else "season begins"
    flows = [chore.flow for chore in chores]
    return f"flush the lines of {zones}, {_ends(flows)} ({since})"


def _ends(flows: Sequence[FlushFlow | None]) -> str:
    at_once = min(1 if flow is None else flow.lines_at_once for flow in flows)
    if not at_once:
        return "one end at a time with some rows shut off"
    return "one end at a time" if at_once == 1 else f"at most {at_once} ends open at a time"


def drain_words(chore: DrainChore, display: Display) -> str:
    if not chore.frost:
        return f"near {_night(chore, display)}: be ready to drain the system"
    return f"{_drain(chore, display)}; afterwards: rowwater note chore drain"


def _drain(chore: DrainChore, display: Display) -> str:
    return (
        f"{_night(chore, display)}: shut the supply at its source, open the line ends and drain filter, "
        "regulator and hose"
    )


def _night(chore: DrainChore, display: Display) -> str:
    return f"frost forecast for {chore.night}: {show_temperature(chore.tmin_c, display)}"
