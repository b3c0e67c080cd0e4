"""Whether a stored note or plan can count: it has the shape and the range that every reader relies on.

What the program itself keeps is judged before it is written; this judges what an older version, another
program or a failing card left.  What cannot count stays on record, is set aside and told, and stops nothing.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping
from datetime import date, datetime
from typing import Any, get_args

from scheduler.errors import BadInput
from scheduler.model import EARLIEST, LATEST, Note, RainReading, Run, Stage, StoredPlan

Details = Mapping[str, Any]

MOST_SPRINKLED_MM = 2000.0
INSTRUMENTS = ("tensiometer", "block")
DEEPEST_SENSOR_M = 3.0  # no crop of the table roots so deep


def rain_of(details: Details) -> RainReading:
    """What the details of a note of rain hold. Raises BadInput, LookupError, TypeError, ValueError."""
    return RainReading(_number(details["mm"]), _moment(details["since"]), _moment(details["at"]))


def why_unusable(note: Note) -> str | None:
    """Why a note can bear on nothing, for the grower; None where it can."""
    if not EARLIEST <= note.day <= LATEST:
        return f"its day {note.day} cannot be right"
    try:
        _JUDGED.get(note.kind, _nothing)(note.details)
    except BadInput as error:
        return error.text
    except LookupError as error:
        return f"{error.args[0]} is missing" if error.args else "something is missing"
    except (TypeError, ValueError, OverflowError, AttributeError) as error:
        return str(error)
    return None


def why_unusable_plan(plan: StoredPlan) -> str | None:
    """Why nobody can water by a plan, or answer its runs; None where all can."""
    runs: object = plan.page.get("runs", [])
    if not isinstance(runs, list):
        return "its runs are no list"
    for k, run in enumerate(runs, 1):
        try:
            read = Run.from_page(run)
            _text(read.zone)
            for value in (read.pulse, read.minutes, read.liters, read.net_mm, read.flow_lpm):
                _number(value)
            for at in (read.start, read.stop):
                _moment(at.isoformat())
        except LookupError as error:
            return f"its run {k} has no {error.args[0]}"
        except (TypeError, ValueError, AttributeError) as error:
            return f"its run {k}: {error}"
    window: Mapping[str, Any] = plan.page.get("window") or {}
    if runs and not (isinstance(window, dict) and {"from", "until"} <= window.keys()):
        return "it has no watering hours"
    return None


def _number(value: object) -> float:
    if isinstance(value, bool) or not isinstance(value, int | float) or not math.isfinite(value):
        raise ValueError(f"{_short(value)} is not a number")
    return float(value)


def _moment(value: object) -> datetime:
    try:
        found = datetime.fromisoformat(str(value))
    except ValueError:
        raise ValueError(f"{_short(value)} is not a time") from None
    if found.utcoffset() is None or not EARLIEST <= found.date() <= LATEST:
        raise ValueError(f"{_short(value)} is not a time that can be right")
    return found


def _text(value: object) -> str:
    if not isinstance(value, str) or not value.strip():
        raise ValueError(f"{_short(value)} is not a word")
    return value


def _short(value: object) -> str:
    text = ascii(value)
    return text if len(text) <= 40 else f"{text[:37]}..."


def _within(name: str, value: object, least: float, most: float) -> None:
    if not least < _number(value) <= most:
        raise ValueError(f"{name} {_short(value)} is not above {least:g} and at most {most:g}")


def _nothing(_: Details) -> None:
    """Kinds that say all with their day and zone."""


def _soil(details: Details) -> None:
    _moment(details["at"])
    kinds = [name for name in ("tension_kpa", "theta") if details.get(name) is not None]
    if len(kinds) != 1:
        raise ValueError("it names no tension and no water content, or both")
    _number(details[kinds[0]])
    if details.get("depth_m") is not None:
        _within("depth_m", details["depth_m"], -1e-9, DEEPEST_SENSOR_M)
    if details.get("instrument", INSTRUMENTS[0]) not in INSTRUMENTS:
        raise ValueError(f"{_short(details['instrument'])} is no instrument")


def _stage(details: Details) -> None:
    if details["stage"] not in get_args(Stage)[1:]:
        raise ValueError(f"{_short(details['stage'])} is not a stage")


def _hold(details: Details) -> None:
    until = date.fromisoformat(_text(details["until"]))
    if not EARLIEST <= until <= LATEST:
        raise ValueError(f"{until} cannot be right")


def _repair(details: Details) -> None:
    row = details.get("row")
    if row is not None and (isinstance(row, bool) or not isinstance(row, int) or row < 1):
        raise ValueError(f"{_short(row)} is no row")


_JUDGED: Mapping[str, Callable[[Details], object]] = {
    "rain": rain_of,
    "soil": _soil,
    "stage": _stage,
    "hold": _hold,
    "planted": lambda details: _text(details["crop"]),
    "chore": lambda details: _text(details["chore"]),
    "repair": _repair,
    "sprinkled": lambda details: _within("mm", details["mm"], 0.0, MOST_SPRINKLED_MM),
    "cover": lambda details: _within("cover", details["cover"], 0.0, 1.0),
}
