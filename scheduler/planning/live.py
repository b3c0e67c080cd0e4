"""The balance of every zone up to last night, from the facts."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import date, timedelta

import numpy as np

from scheduler.core.arrays import BoolArray, Mm, Share
from scheduler.core.balance.et import ReferenceET, fill, reference_et
from scheduler.core.balance.rule import RefillRule
from scheduler.core.balance.soil import Balance, run
from scheduler.core.balance.stored import Stored, after_temperatures, stored
from scheduler.core.balance.terms import Terms, terms
from scheduler.model import Garden
from scheduler.planning.confidence import Confidence, confidence
from scheduler.planning.facts import Facts
from scheduler.planning.spans import DAYS_AHEAD
from scheduler.planning.unanswered import Unanswered


@dataclass(frozen=True, slots=True)
class Live:
    """The balance up to last night, and the terms up to a week ahead."""

    start: date
    today: int  # index of the day in every (day, zone) array
    et: ReferenceET  # of all stored weather
    record: Stored  # of all days that anything reads
    terms: Terms
    rain_mm: Mm  # (day,), missing counted as 0
    rain_missing: BoolArray
    balance: Balance
    given: Mm  # (day, zone) net mm that reached the soil
    sure: Confidence

    @property
    def deficit_sd(self) -> Mm:
        """Standard uncertainty of `deficit`, (zone,) mm."""
        return np.asarray(self.sure.carried.sd_start[self.today])

    @property
    def et_offset(self) -> int:
        """Index of `start` in the stored weather."""
        return (self.start - self.et.first).days

    @property
    def et0_mm(self) -> Mm:
        """(day,) of the balance's days."""
        return self.et.et0_mm[self.et_offset : self.et_offset + len(self.rain_mm)]

    @property
    def deficit(self) -> Mm:
        """Dr(i-1) this morning, held to the TAW of a planting that begins today."""
        return np.asarray(self.balance.deficit_start[self.today])

    @property
    def surface(self) -> Mm | None:
        """De over the tape this morning, (zone,) mm; None where one coefficient serves."""
        apart = self.balance.apart
        return None if apart is None or self.terms.ground is None else apart.surface_start[self.today]

    @property
    def leaching(self) -> Share | None:
        """LR in force this morning, (zone,); None where the water's salt is not known."""
        apart = self.balance.apart
        return None if apart is None or self.terms.salt is None else apart.leaching[self.today]


def balance_to_last_night(garden: Garden, facts: Facts, believed: Sequence[Unanswered]) -> Live:
    """Every day from the start to last night, with the water that was really given.

    believed: runs to count as given though nobody said so (for the second of the two figures a grower who
    has not answered is shown).
    """
    today = (facts.day - facts.start).days
    count = today + DAYS_AHEAD + 1
    last = facts.start + timedelta(days=count - 1)
    et = fill(reference_et(facts.weather, garden.location), facts.start, last)
    offset = (facts.start - et.first).days
    rain = facts.weather.rain_mm[offset : offset + count]
    missing = ~(rain >= 0)
    rain = np.where(missing, 0.0, rain)
    record = _record(facts, et)
    laid_out = terms(
        facts.zones, facts.start, et.et0_mm[offset : offset + count], rain,
        location=garden.location, supply=garden.supply, coefficient=garden.crop_coefficient, record=record,
    )  # fmt: skip
    told = [(a.zone, a.day, a.net_mm) for a in facts.applied]
    given = _by_day_and_zone(facts, count, [*told, *((b.zone, b.day, b.net_mm) for b in believed)])
    balance = run(
        laid_out,
        starting_deficit=np.array([zone.starting_deficit_mm for zone in facts.zones], dtype=np.float64),
        rule=RefillRule.of(facts.zones),
        given=given,
        decide_from=count,
        sprinkled=_by_day_and_zone(facts, count, facts.sprinkled),
    )
    sure = confidence(garden, facts, et=et, terms=laid_out, balance=balance, rain=rain, rain_missing=missing)
    return Live(facts.start, today, et, record, laid_out, rain, missing, sure.carried.balance, given, sure)


def _record(facts: Facts, et: ReferenceET) -> Stored:
    """The stored weather from its first day on, as far back as anything reads it."""
    record = stored(facts.weather, et)
    if facts.temperatures is not None:
        return after_temperatures(facts.temperatures, record)
    return record if facts.stored_from is None else record.since(facts.stored_from)


def _by_day_and_zone(facts: Facts, count: int, told: Iterable[tuple[str, date, float]]) -> Mm:
    """(day, zone) mm of what is told of zones and days, those before today."""
    index = {zone.name: z for z, zone in enumerate(facts.zones)}
    out = np.zeros((count, len(facts.zones)))
    for zone, day, mm in told:
        if zone in index and facts.start <= day < facts.day:
            out[(day - facts.start).days, index[zone]] += mm
    return out
