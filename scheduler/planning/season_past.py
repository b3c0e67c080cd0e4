"""The part of a season that is over: its balance, plans, water and notes, read for looking back."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date, timedelta
from typing import TYPE_CHECKING

import numpy as np

from scheduler.core.arrays import FloatArray, Mm
from scheduler.core.balance.et import ReferenceET, reference_et
from scheduler.core.balance.rule import RefillRule
from scheduler.core.balance.soil import Balance, run
from scheduler.model import Applied, Garden, Note, Run, StoredPlan, WeatherDays, Zone
from scheduler.planning.facts import gather
from scheduler.planning.live import Live, balance_to_last_night
from scheduler.planning.notes import MakePlanting
from scheduler.planning.on_record import unanswered
from scheduler.planning.timer import flow_lpm, liters_per_mm, timer_liters
from scheduler.planning.weather import believed

if TYPE_CHECKING:
    from scheduler.store.store import Store


@dataclass(frozen=True, slots=True)
class Past:
    """first..last, all of it over; (day, zone) arrays are of these days."""

    garden: Garden
    first: date
    last: date
    zones: tuple[Zone, ...]
    live: Live
    plans: tuple[StoredPlan, ...]
    applied: tuple[Applied, ...]  # in force
    notes: tuple[Note, ...]
    unanswered: tuple[tuple[date, Run], ...]
    weather: WeatherDays  # all that is stored, up to `last`; et: of the same days
    et: ReferenceET

    @property
    def span(self) -> slice:
        """The days in the arrays of `live`."""
        begin = (self.first - self.live.start).days
        return slice(begin, begin + (self.last - self.first).days + 1)

    @property
    def days(self) -> list[date]:
        return [self.first + timedelta(days=d) for d in range((self.last - self.first).days + 1)]

    def asked_liters(self) -> FloatArray:
        """What each zone's own rule would have given on this weather with water without limit."""
        terms = self.live.terms
        found = run(terms, starting_deficit=self._start(), rule=RefillRule.of(self.zones))
        return np.asarray((found.minutes * flow_lpm(terms))[self.span])

    def _start(self) -> Mm:
        return np.array([zone.starting_deficit_mm for zone in self.zones], dtype=np.float64)

    def timer_liters(self) -> FloatArray:
        """What a fixed timer would have used (`timer.TIMER`)."""
        return timer_liters(self.live.terms, self.live.balance, self.garden.supply, self.span)

    def flow_lpm(self) -> FloatArray:
        return flow_lpm(self.live.terms)[self.span]

    def liters_per_mm(self) -> FloatArray:
        return liters_per_mm(self.live.terms)[self.span]

    @property
    def balance(self) -> Balance:
        return self.live.balance


def past(garden: Garden, store: Store, first: date, last: date, make_planting: MakePlanting | None) -> Past:
    """Everything on record of first..last, balanced anew. The store's first day at the earliest.

    Errors as of `balance_to_last_night`: NoReferenceET where a day has no ET0 and no stand-in.
    """
    facts = gather(garden, last + timedelta(days=1), store, make_planting)
    first = max(first, facts.start)
    plans = tuple(store.plans(first, last))
    notes = tuple(note for note in facts.notes if note.day <= last)
    begin = min((store.weather_span() or (first,))[0], first)
    weather = believed(garden, store, notes, begin, last, today=last + timedelta(days=1)).weather
    water = tuple(a for a in facts.applied if first <= a.day <= last)
    return Past(
        garden, first, last, facts.zones, balance_to_last_night(garden, facts, ()), plans, water,
        notes, tuple(unanswered(plans, water)), weather, reference_et(weather, garden.location),
    )  # fmt: skip
