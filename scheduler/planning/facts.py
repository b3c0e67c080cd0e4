"""The season's facts as the daily job reads them: weather, water given, notes, earlier plans."""

from __future__ import annotations

from collections.abc import Container, Iterable, Mapping
from dataclasses import dataclass
from datetime import date, datetime, timedelta
from typing import TYPE_CHECKING

from scheduler.model import Applied, Garden, Note, Opening, Run, StoredPlan, WeatherDays, WeatherValue, Zone
from scheduler.planning.notes import LeftAside, MakePlanting, feeds, lay_over, sprinkled
from scheduler.planning.on_record import begun, holds
from scheduler.planning.spans import ASK_BACK_DAYS, BED_DAYS, DAYS_AHEAD, LEARN_DAYS
from scheduler.planning.warmth import first_warm_day
from scheduler.planning.weather import temperatures, with_history

if TYPE_CHECKING:
    from scheduler.core.quality.checks import Flag
    from scheduler.store.store import Store


@dataclass(frozen=True, slots=True)
class Facts:
    start: date  # the first day whose water is known: earlier ones are never replayed as dry
    day: date
    zones: tuple[Zone, ...]  # the garden's, with what the grower planted, pulled and saw
    weather: WeatherDays  # all stored days, up to DAYS_AHEAD after `day`
    rain_so_far_mm: float | None
    applied: tuple[Applied, ...]  # in force, corrections worked in
    notes: tuple[Note, ...]
    plans: Mapping[date, StoredPlan]  # newest of each day, today's too
    store_replaced: bool
    forecasts_issued: tuple[WeatherValue, ...] = ()  # for the last LEARN_DAYS days, oldest first
    flags: tuple[Flag, ...] = ()  # what quality control set aside or remarks on
    tried: frozenset[tuple[str, int]] = frozenset()  # today's runs that were opened or answered: zone, pulse
    aside: tuple[LeftAside, ...] = ()  # notes that could not be followed
    unread: tuple[tuple[StoredPlan, str], ...] = ()  # plans that nobody can follow, with the reason
    stored_from: date | None = None  # first day with any weather, at most `start`; None: that of `weather`
    temperatures: WeatherDays | None = None  # of days before `weather`, where a crop goes by their warmth
    begun: frozenset[tuple[str, int]] = frozenset()  # of today, by hand: start passed, not answered yet
    sprinkled: tuple[tuple[str, date, float], ...] = ()  # zone, day, mm over its seed rows; they add up
    feeds: frozenset[tuple[str, date]] = frozenset()  # zone, day of feeding through the tape
    under_way: tuple[Opening, ...] = ()  # because a person asked, today, and not closed in the books yet

    def plan_before(self) -> StoredPlan | None:
        """The newest plan of an earlier day."""
        return max((p for d, p in self.plans.items() if d < self.day), key=lambda p: p.day, default=None)

    def applied_on(self, zone: str, day: date) -> list[Applied]:
        return [a for a in self.applied if a.zone == zone and a.day == day]

    def in_hand(self) -> list[Run]:
        """Today's planned runs, as planned, that have no record of their water yet.

        Opened by a valve, or to be opened by hand at a time that has passed: not to be planned twice.
        """
        return self._runs_among((self.tried | self.begun) - self._answered())

    def opened(self) -> list[Run]:
        """Those in hand that a valve opened; of the others only the grower knows."""
        return self._runs_among(self.tried - self._answered())

    def _answered(self) -> set[tuple[str, int | None]]:
        return {(a.zone, a.pulse) for a in self.applied if a.day == self.day}

    def _runs_among(self, wanted: Container[tuple[str, int]]) -> list[Run]:
        before = self.plans.get(self.day)
        return [run for run in (before.runs if before else ()) if (run.zone, run.pulse) in wanted]

    def first_pulse(self, zone: str, kept: Iterable[Run]) -> int:
        """Of a new run today: counted from what was tried, not only from the runs kept in the plan.

        A run that opens while this plan is made then keeps its like from opening.
        """
        pulses = [pulse for name, pulse in self.tried if name == zone]
        return 1 + max([*pulses, *(run.pulse for run in kept if run.zone == zone)], default=0)

    def held(self, zone: str) -> date | None:
        """Until when the grower keeps this zone dry, or another on its valve, if that is still ahead."""
        until = holds(self.notes, self.day)
        key = next((one.valve.key for one in self.zones if one.name == zone), None)
        shared = (until[one.name] for one in self.zones if one.valve.key == key and one.name in until)
        return max(shared, default=None)


def gather(
    garden: Garden, day: date, store: Store, make_planting: MakePlanting | None, now: datetime | None = None
) -> Facts:
    """Read everything that today's plan rests on. Same store, same garden, same day: same facts.

    now: runs by hand that were to begin by then stay as they were planned; None: none has begun.
    """
    from scheduler.store.openings import tried, unsettled
    from scheduler.store.store import effective_applied

    start = min(store.first_day or day, day)
    last = day + timedelta(days=DAYS_AHEAD)
    notes = tuple(store.notes())
    applied = tuple(effective_applied(store.applied(start, day)))
    plans = {plan.day: plan for plan in store.plans(day - timedelta(days=2 * ASK_BACK_DAYS), day)}
    by_valve = {zone.name for zone in garden.zones if zone.valve.driver != "by_hand"}
    in_use = begun(plans[day], applied, by_valve, now) if day in plans and now else []
    zones, aside = lay_over(garden.zones, notes, make_planting)
    found = with_history(garden, store, notes, start, last, today=day, days_before=BED_DAYS)
    span = store.weather_span()
    stored_from = min(span[0], start) if span else start
    warm_from = first_warm_day(zones, start, last, stored_from)
    before = found.weather.first - timedelta(days=1)
    return Facts(
        start=start,
        day=day,
        zones=zones,
        weather=found.weather,
        rain_so_far_mm=found.rain_so_far_mm,
        applied=applied,
        notes=notes,
        plans=plans,
        store_replaced=store.replaced_on(day),
        forecasts_issued=tuple(
            store.weather_issued(day - timedelta(days=LEARN_DAYS), day - timedelta(days=1), kind="forecast")
        ),
        flags=found.flags,
        tried=frozenset((zone, pulse) for _, zone, pulse in tried(store, day, day)),
        aside=(*aside, *(LeftAside(note, why) for note, why in store.unusable_notes())),
        unread=tuple(store.unusable_plans(day - timedelta(days=2 * ASK_BACK_DAYS), day)),
        begun=frozenset((run.zone, run.pulse) for run in in_use),
        stored_from=stored_from,
        temperatures=temperatures(garden, store, warm_from, before) if warm_from <= before else None,
        sprinkled=sprinkled(notes),
        feeds=feeds(notes),
        under_way=tuple(
            one.opening
            for one in unsettled(store)
            if all(share.pulse is None and share.day == day for share in one.opening.shares)
        ),
    )
