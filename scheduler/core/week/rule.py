"""The plain rule of model M6 for a whole week, each valve as if it were alone with the supply.

Where rain is expected a due zone is left the room for it, but never so much that it stays at its trigger or
that the crop would suffer were it to stay dry up to the next allowed morning.
"""

from __future__ import annotations

import numpy as np

from scheduler.core.arrays import Minutes, Mm
from scheduler.core.week.outcome import Terms, day_on, may_wait
from scheduler.core.week.problem import DOUBT_SD
from scheduler.core.week.valves import Valves


def rule_minutes(valves: Valves, terms: Terms) -> Minutes:
    """(day, valve) whole minutes when every zone follows its trigger and nothing is short (models M6, M7).

    Held to what each valve can have by itself; what runs beside it, and the caps that others use up, do not
    count.
    """
    week = valves.week
    minutes = np.zeros((week.days, week.valves))
    deficit = week.deficit.copy()
    dry_side = deficit + DOUBT_SD * week.deficit_sd
    room = rain_room(terms.rain, week.etc)
    for day in range(week.days):
        deficit, dry_side = (
            np.where(week.begins[day], np.minimum(d, week.taw[day]), d) for d in (deficit, dry_side)
        )
        if week.window[day] > 0:
            minutes[day] = _morning(valves, terms, day, deficit, dry_side, room[day])
        of_zone = np.where(valves.takes_part[day], minutes[day][week.valve], 0.0)
        net = np.maximum(of_zone - week.fill, 0) * week.net_per_minute[day]
        deficit, dry_side = (day_on(valves, terms, day, d, net) for d in (deficit, dry_side))
    return minutes


def refilled_daily(valves: Valves) -> Mm:
    """(day, zone) net mm of every zone refilled each morning, whatever its run: no plan has less stress.

    A zone that shares its valve gets all that the valve can give.
    """
    week = valves.week
    own = np.array([len(valves.of[v]) == 1 for v in week.valve], dtype=bool)
    net = np.zeros_like(week.etc)
    deficit = week.deficit
    for day in range(week.days):
        deficit = np.where(week.begins[day], np.minimum(deficit, week.taw[day]), deficit)
        rate, most = week.net_per_minute[day], valves.most[day][week.valve]
        shortest = np.maximum(np.ceil(week.shortest), valves.settling(day))
        refill = np.maximum(deficit - week.leave_room, 0) + rate * np.maximum(shortest, 0.5)
        able = np.maximum(most - week.fill, 0) * rate
        net[day] = np.where(valves.takes_part[day], np.where(own, np.minimum(able, refill), able), 0.0)
        deficit = np.maximum(deficit - net[day] + week.etc[day], 0)
    return net


def rain_room(rain: Mm, etc: Mm) -> Mm:
    """(day, zone) mm that must be free in the soil on each morning so that the expected rain stays in it.

    rain, etc: (day, zone) mm; a day's use makes room for its rain and for that of later days.

    >>> rain_room(np.array([[0.0], [12.0], [6.0]]), np.array([[4.0], [5.0], [5.0]])).ravel().tolist()
    [4.0, 8.0, 1.0]
    """
    need = np.zeros((len(rain) + 1, rain.shape[1]))
    for day in reversed(range(len(rain))):
        need[day] = np.maximum(rain[day] - etc[day] + need[day + 1], 0)
    return need[:-1]


def _morning(valves: Valves, terms: Terms, day: int, deficit: Mm, dry_side: Mm, room: Mm) -> Minutes:
    week = valves.week
    due = valves.takes_part[day] & (deficit >= week.trigger[day])
    settle = valves.settling(day)
    if not due.any() and not settle.any():
        return np.zeros(week.valves)
    due &= ~may_wait(valves, terms, day, deficit, dry_side)
    wanted = valves.wanted(day, deficit)
    if room.any():
        wanted = np.minimum(wanted, _with_room(valves, terms, day, deficit, dry_side, room, wanted))
    asked = np.maximum(np.where(due, wanted, 0.0), settle)
    return np.asarray(np.minimum(valves.most_of(asked), valves.most[day]))


def _with_room(
    valves: Valves, terms: Terms, day: int, deficit: Mm, dry_side: Mm, room: Mm, wanted: Minutes
) -> Minutes:
    """(zone,) minutes that leave the rain its room, get under the trigger and carry the crop through."""
    week = valves.week
    dry_days = slice(day, max(valves.next_morning[day] - 1, day))
    carried = week.etc[dry_days].sum(axis=0) + terms.doubt[max(valves.next_morning[day] - 1, day)]
    with np.errstate(invalid="ignore"):
        net = np.maximum.reduce(
            [deficit - room, deficit - week.trigger[day], dry_side + carried - week.raw[day]]
        )
    net = np.where(np.isfinite(net), net, 0.0)
    minutes = np.ceil(np.maximum(net, 0) * valves.minutes_per_mm[day] + week.fill - 1e-9)
    least = np.maximum(np.ceil(week.shortest), np.floor(week.fill) + 1)
    return np.asarray(np.where(room > 0, np.maximum(minutes, least), wanted))
