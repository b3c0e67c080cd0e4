"""Feeding through the tape this morning: whom, in which run, and how long a run must be for it (model M14).

The grower injects; no plan and no service opens a valve of an injector.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import UTC, datetime, timedelta

import numpy as np

from scheduler.core.arrays import Minutes
from scheduler.core.balance.terms import Terms
from scheduler.core.system.feed import FeedTimes, feed_asked, feed_times, least_run, travel_minutes
from scheduler.model import FeedWindow, Garden, Run
from scheduler.planning.facts import Facts


@dataclass(frozen=True, slots=True)
class FeedAsk:
    """A zone that is to be fed today; travel None: the tape's diameter or emitter spacing is not known."""

    zone: str
    noted: bool  # by `note feed`: only then is water added for it
    travel: float | None
    fill: float
    injector: float | None

    @property
    def least_run(self) -> float | None:
        """Minutes of the shortest run that is long enough."""
        if self.travel is None:
            return None
        return least_run(travel=self.travel, fill=self.fill, injector=self.injector)

    def times(self, run_minutes: float) -> FeedTimes | None:
        """When to inject in a run of so many minutes; None where that is too short, or nobody knows."""
        if self.travel is None:
            return None
        return feed_times(run_minutes, travel=self.travel, fill=self.fill, injector=self.injector)


def feeds_asked(garden: Garden, facts: Facts, terms: Terms, today: int) -> dict[str, FeedAsk]:
    """By zone, those with a crop that are to be fed on the facts' day, which has index `today` in `terms`."""
    found = {}
    for z, k in enumerate(terms.stand[today].tolist()):
        zone = facts.zones[z]
        if k < 0:
            continue
        stand = terms.stands[k]
        days = {day for name, day in facts.feeds if name == zone.name}
        if not feed_asked(stand.planting.feed or zone.feed, facts.day, days):
            continue
        found[zone.name] = FeedAsk(
            zone=zone.name,
            noted=facts.day in days,
            travel=travel_minutes(
                stand.planting.rows, zone.tape, stand.delivery.flow_lpm, garden.supply.mainline
            ),
            fill=zone.fill_time_minutes,
            injector=garden.supply.injector_minutes,
        )
    return found


def feed_minutes(garden: Garden, facts: Facts, terms: Terms, today: int) -> Minutes:
    """(zone,) Least minutes of today's run where the grower noted that the zone is fed today; 0 elsewhere."""
    asked = feeds_asked(garden, facts, terms, today)
    least = [
        asked[zone.name].least_run if zone.name in asked and asked[zone.name].noted else None
        for zone in facts.zones
    ]
    return np.array([minutes or 0.0 for minutes in least])


def with_feed(runs: Sequence[Run], asked: Mapping[str, FeedAsk], *, now: datetime) -> tuple[Run, ...]:
    """The runs, the last one of each zone to be fed with its window; one that has begun keeps what it had."""
    last: dict[str, Run] = {}
    for run in runs:
        if run.zone in asked:
            last[run.zone] = max(last.get(run.zone, run), run, key=lambda one: one.stop.timestamp())
    return tuple(
        _fed(run, asked[run.zone])
        if run is last.get(run.zone) and run.start.timestamp() > now.timestamp()
        else run
        for run in runs
    )


def _fed(run: Run, ask: FeedAsk) -> Run:
    times = ask.times(run.minutes)
    if times is None:
        return replace(run, feed=None)
    window = FeedWindow(_after(run.start, times.start), _after(run.start, times.stop), run.stop)
    return replace(run, feed=window)


def _after(start: datetime, minutes: float) -> datetime:
    """So many true minutes later, to the second, also where the clock is changed meanwhile."""
    later = start.astimezone(UTC) + timedelta(seconds=round(minutes * 60))
    return later.astimezone(start.tzinfo)
