"""Feeding through the tape: how long feed travels, and when in a run it may be injected (model M14).

Only times: no rates, no recipes, and nothing here opens a valve of an injector.
"""

from __future__ import annotations

import math
from collections.abc import Collection
from dataclasses import dataclass
from datetime import date, timedelta

from scheduler.model import Feed, Mainline, Rows, Tape

LEAST_FLUSH_MINUTES = 10.0
LEAST_INJECTION_MINUTES = 15.0
WEEK_DAYS = 7
_ROUNDING = 1e-9


@dataclass(frozen=True, slots=True)
class FeedTimes:
    """When to inject and how long to flush, minutes after the start of a run."""

    start: float
    stop: float
    flush_until: float


def travel_minutes(rows: Rows, tape: Tape, flow_lpm: float, mainline: Mainline | None = None) -> float | None:
    """Minutes until what enters the water has reached the last emitter of the farthest row.

    flow_lpm: of the whole zone, shared evenly by its emitters.  None where the tape's inside diameter or
    emitter spacing is not known, or a row holds no emitter.
    t = A s / q (1 + 1/2 + .. + 1/n) along a row of n emitters, behind each of which the water moves slower;
    along the supply line volume / flow of each piece.

    >>> tape = Tape("thin", 1.5142 / 30.48, emitter_spacing_m=0.3048, inside_diameter_m=0.01615)
    >>> row = Rows(1, 30.48, 1.0)
    >>> round(travel_minutes(row, tape, 1.5142) or 0, 1)
    21.4
    >>> line = Mainline(inside_diameter_m=0.02, length_m=10.0)      # 1 m of it holds 0.314 L
    >>> round(travel_minutes(row, tape, 1.5142, line) or 0, 1)
    21.6
    """
    spacing = tape.emitter_spacing_m
    if tape.inside_diameter_m is None or spacing is None or not flow_lpm > 0:
        return None
    emitters = int(rows.length_m / spacing + 1e-6)
    if not emitters:
        return None
    emitter_lpm = flow_lpm / rows.tape_m * spacing
    slower = sum(1 / k for k in range(1, emitters + 1))
    along_row = _liters(tape.inside_diameter_m, spacing) / emitter_lpm * slower
    return along_row + (0.0 if mainline is None else _along_line(rows, flow_lpm, mainline))


def _liters(inside_diameter_m: float, length_m: float) -> float:
    return 1000 * math.pi / 4 * inside_diameter_m**2 * length_m


def _along_line(rows: Rows, flow_lpm: float, line: Mainline) -> float:
    """To the take-off of the farthest row; where the feed is in the middle the first branch is the longer."""
    middle = line.feed == "middle"
    branch = (rows.count + 1) // 2 if middle else rows.count
    row_lpm = flow_lpm / rows.count
    first = rows.spacing_m / 2 if middle else rows.spacing_m
    pieces = [first, *[rows.spacing_m] * (branch - 1)]
    return sum(
        _liters(line.inside_diameter_m, length) / ((branch - k) * row_lpm) for k, length in enumerate(pieces)
    )


def feed_times(
    run_minutes: float, *, travel: float, fill: float, injector: float | None = None
) -> FeedTimes | None:
    """When to inject in a run of so many minutes; None where it is too short.

    travel: `travel_minutes`; fill: until the line is full; injector: minutes until its tank is empty.
    The run first brings the tape under pressure, and ends with clean water up to the last emitter.  The
    longer injection where it fits.
    Source: multiples after da Silva et al. 2022, Horticulturae 8(12):1103.

    >>> feed_times(60.0, travel=21.4, fill=3.0)
    FeedTimes(start=17.2, stop=38.6, flush_until=60.0)
    >>> print(feed_times(40.0, travel=21.4, fill=3.0))
    None
    """
    before, flush = _before(travel, fill), _flush(travel)
    for wanted in (2 * travel, travel):
        inject = max(wanted, LEAST_INJECTION_MINUTES, injector or 0.0)
        if before + inject + flush <= run_minutes + _ROUNDING:
            stop = run_minutes - flush
            return FeedTimes(round(stop - inject, 6), round(stop, 6), run_minutes)
    return None


def least_run(*, travel: float, fill: float, injector: float | None = None) -> float:
    """Whole minutes of the shortest run in which there is time to feed.

    >>> least_run(travel=21.4, fill=3.0), least_run(travel=5.0, fill=3.0, injector=40.0)
    (54.0, 53.0)
    """
    inject = max(travel, LEAST_INJECTION_MINUTES, injector or 0.0)
    return float(math.ceil(_before(travel, fill) + inject + _flush(travel) - _ROUNDING))


def _before(travel: float, fill: float) -> float:
    return max(fill, travel / 2)


def _flush(travel: float) -> float:
    return max(travel, LEAST_FLUSH_MINUTES)


def feed_asked(feed: Feed | None, day: date, fed: Collection[date]) -> bool:
    """Whether a run of `day` is to be fed; fed: the days that the grower has noted, past or to come.

    A noted day is one in any case.  `weekly` asks from the seventh day after the last noted one on, run
    after run until the next is noted; without a note from the first run.

    >>> monday, weekly = date(2026, 6, 1), Feed()
    >>> [feed_asked(weekly, monday + timedelta(days=k), [monday]) for k in (0, 6, 7, 8)]
    [True, False, True, True]
    >>> feed_asked(Feed(weekdays=(0,)), monday, []), feed_asked(Feed(weekdays=(0,)), date(2026, 6, 2), [])
    (True, False)
    """
    if day in fed:
        return True
    if feed is None:
        return False
    if feed.weekdays is not None:
        return day.weekday() in feed.weekdays
    last = max((one for one in fed if one < day), default=None)
    return last is None or day - last >= timedelta(days=WEEK_DAYS)
