"""How sure this morning's deficits are, from the facts they rest on; soil readings correct them here."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date, timedelta

import numpy as np

from scheduler.core.arrays import BoolArray, IntArray, Mm
from scheduler.core.balance.et import NONE, ReferenceET
from scheduler.core.balance.soil import Balance
from scheduler.core.balance.terms import Terms
from scheduler.core.uncertainty import sources
from scheduler.core.uncertainty.carry import Carried, Causes, carry
from scheduler.core.uncertainty.learned import PRIOR_DAYS, learn_inputs, skill
from scheduler.core.uncertainty.soil_readings import Taken
from scheduler.model import Applied, Garden, WeatherDays
from scheduler.planning.facts import Facts
from scheduler.planning.issued import et0_as_issued
from scheduler.planning.soil import soil_filter
from scheduler.planning.spans import LEARN_DAYS

MOST_SHARE = 0.5


@dataclass(frozen=True, slots=True)
class Confidence:
    """(day,) and (day, zone) arrays; day 0 is `Facts.start`."""

    et0: sources.Uncertainty  # (day,)
    rain: sources.Uncertainty  # (day,)
    carried: Carried
    low: Mm  # (zone,) this morning's 90 % band of Dr(i-1)
    high: Mm
    readings: tuple[Taken, ...]
    forecast_share: tuple[float, ...]  # of ET0, by lead day
    inputs: sources.InputUncertainty


def confidence(
    garden: Garden,
    facts: Facts,
    *,
    et: ReferenceET,
    terms: Terms,
    balance: Balance,
    rain: Mm,
    rain_missing: BoolArray,
) -> Confidence:
    """Standard uncertainties along the balance, and the balance as soil readings correct it.

    rain (mm) and rain_missing: (day,) of the balance's days, from `Facts.start` on.
    """
    today, offset = (facts.day - facts.start).days, (facts.start - et.first).days
    span = slice(offset, offset + len(rain))
    inputs, share = learn_inputs(et), forecast_share(facts, et, garden)
    et0 = sources.et0_uncertainty(
        et,
        garden.location.elevation_m,
        by=came_by(facts.weather, "tmax_c", offset + today),
        lead_days=np.maximum(np.arange(len(et.et0_mm)) - offset - today, 0),
        inputs=inputs,
        forecast_share=share,
    ).days(span)
    rain_sd = _rain_uncertainty(facts.weather, span, offset + today, rain, rain_missing)
    readings = soil_filter(garden, facts, terms, today)
    water = water_uncertainty(facts, terms, today)
    causes = Causes(et.et0_mm[span], et0, rain, rain_sd, water)
    carried = carry(terms, balance, causes, today=today, readings=readings)
    low, high = carried.band(today, terms.taw[today])
    return Confidence(
        et0=et0,
        rain=rain_sd,
        carried=carried,
        low=low,
        high=high,
        readings=tuple(readings.taken) if readings else (),
        forecast_share=share,
        inputs=inputs,
    )


def _rain_uncertainty(
    weather: WeatherDays, span: slice, today: int, rain: Mm, missing: BoolArray
) -> sources.Uncertainty:
    """span, today: in the days of `weather`; rain and missing: of the days of the span."""
    return sources.rain_uncertainty(
        rain,
        by=came_by(weather, "rain_mm", today)[span],
        missing=missing,
        chance=weather.rain_chance_pct[span] / 100,
        unknown_mm=_usual_rain(weather.rain_mm[:today]),
    )


def came_by(weather: WeatherDays, field: str, today: int) -> IntArray:
    """STATION, MODEL, FORECAST or GAUGE of each day; days from index `today` on are forecast."""
    came_from = weather.came_from.get(field, ())
    by = np.full(len(weather), sources.STATION, dtype=np.int64)
    for i, source in enumerate(came_from):
        if source:
            kind = source.rpartition("(")[2].rstrip(")")
            by[i] = {"gauge": sources.GAUGE, "model": sources.MODEL, "forecast": sources.FORECAST}.get(
                kind, sources.STATION
            )
    by[today:] = sources.FORECAST
    return by


def forecast_share(facts: Facts, et: ReferenceET, garden: Garden) -> tuple[float, ...]:
    """Standard uncertainty of forecast ET0 as a share of it, by lead day, learned from how forecasts fared.

    Each lead of the source that is asked first is learned by itself (`skill`, with the prior until a
    month is there); a lead without pairs moves as its neighbours did.
    """
    first = max(facts.day - timedelta(days=LEARN_DAYS), et.first)
    came = _et0_that_came(facts, et, first)
    if not facts.forecasts_issued or not np.isfinite(came).any():
        return sources.FORECAST_SHARE
    share = list(sources.FORECAST_SHARE)
    moved = 1.0
    leads = range(1, sources.LEADS)
    issued = et0_as_issued(garden, facts.forecasts_issued, first, len(came), leads)
    for lead in leads:
        if lead in issued and np.isfinite(issued[lead] - came).any():
            moved = _learned_share(issued[lead], came, lead) / sources.FORECAST_SHARE[lead]
            if lead == 1:
                share[0] = min(share[0] * moved, MOST_SHARE)  # what was issued this morning for today
        share[lead] = min(sources.FORECAST_SHARE[lead] * moved, MOST_SHARE)
    return tuple(share)


def _et0_that_came(facts: Facts, et: ReferenceET, first: date) -> Mm:
    """ET0 (mm, (day,)) from `first` to yesterday; nan where it is still a forecast, or a stand-in."""
    span = slice((first - et.first).days, (facts.day - et.first).days)
    by = came_by(facts.weather, "tmax_c", len(facts.weather))[span]
    return np.where((by != sources.FORECAST) & (et.method[span] != NONE), et.et0_mm[span], np.nan)


def _learned_share(issued: Mm, came: Mm, lead: int) -> float:
    found = skill(["forecast"] * len(came), np.full(len(came), lead), issued, came)
    mean = max(float(came[np.isfinite(issued - came)].mean()), sources.SMALL_ET0_MM)
    return float(found["forecast", lead].sd / mean)


def _usual_rain(rain: Mm) -> float:
    """Root mean square of all recorded days' rain; the prior counts as PRIOR_DAYS."""
    known = rain[rain >= 0]
    square = PRIOR_DAYS * sources.UNKNOWN_RAIN_MM**2 + float(np.sum(known**2))
    return float(np.sqrt(square / (PRIOR_DAYS + len(known))))


def water_uncertainty(facts: Facts, terms: Terms, today: int) -> sources.Uncertainty:
    """Of the water given before today, (day, zone) mm net: metered, timed, by hand, or between bounds."""
    shape = terms.etc.shape
    lasting, passing2 = np.zeros(shape), np.zeros(shape)
    index = {zone.name: z for z, zone in enumerate(facts.zones)}
    for given in facts.applied:
        day = (given.day - facts.start).days
        if given.zone not in index or not 0 <= day < today:
            continue
        z = index[given.zone]
        spread = _spread_of(given)
        lasting[day, z] += spread.lasting * given.net_mm
        passing2[day, z] += (spread.passing * given.net_mm) ** 2
        if given.least_minutes is not None and given.most_minutes is not None:
            unsure = (given.most_minutes - given.least_minutes) / terms.minutes_per_mm[day, z]
            passing2[day, z] += unsure**2 / 12  # anything between its bounds is as likely
    return sources.Uncertainty(lasting, np.sqrt(passing2), np.zeros(shape[0]))


def _spread_of(given: Applied) -> sources.Spread:
    if given.measured:
        return sources.METERED
    return sources.BY_HAND if given.outcome == "by hand" else sources.TIMED
