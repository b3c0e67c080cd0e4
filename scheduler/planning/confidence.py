"""How sure this morning's deficits are, from the facts they rest on; soil readings correct them here."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import timedelta

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
from scheduler.planning.issued import et0_as_told
from scheduler.planning.soil import soil_filter
from scheduler.planning.spans import LEARN_DAYS

MOST_SHARE = 0.5


@dataclass(frozen=True, slots=True)
class Confidence:
    """Of the days of the balance, from its start on."""

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
    laid_out: Terms,
    balance: Balance,
    rain: Mm,
    rain_missing: BoolArray,
) -> Confidence:
    """Standard uncertainties along the balance, and the balance as soil readings correct it."""
    count, today = len(rain), (facts.day - facts.start).days
    offset = (facts.start - et.first).days
    span = slice(offset, offset + count)
    inputs = learn_inputs(et)
    share = forecast_share(facts, et, garden)
    ahead = np.maximum(np.arange(len(et.et0_mm)) - offset - today, 0)
    et0 = sources.et0_uncertainty(
        et,
        garden.location.elevation_m,
        by=came_by(facts.weather, "tmax_c", offset + today),
        lead_days=ahead,
        inputs=inputs,
        forecast_share=share,
    ).days(span)
    chance = facts.weather.rain_chance_pct[span] / 100
    rain_uncertainty = sources.rain_uncertainty(
        rain,
        by=came_by(facts.weather, "rain_mm", offset + today)[span],
        missing=rain_missing,
        chance=chance,
        unknown_mm=_usual_rain(facts.weather.rain_mm[: offset + today]),
    )
    readings = soil_filter(garden, facts, laid_out, today)
    carried = carry(
        laid_out,
        balance,
        Causes(et.et0_mm[span], et0, rain, rain_uncertainty, water_uncertainty(facts, laid_out, today)),
        today=today,
        readings=readings,
    )
    low, high = carried.band(today, laid_out.taw[today])
    taken = tuple(readings.taken) if readings else ()
    return Confidence(et0, rain_uncertainty, carried, low, high, taken, share, inputs)


def came_by(weather: WeatherDays, field: str, today: int) -> IntArray:
    """STATION, MODEL, FORECAST or GAUGE of each day; days from index `today` on are forecast."""
    told = weather.came_from.get(field, ())
    by = np.full(len(weather), sources.STATION, dtype=np.int64)
    for i, source in enumerate(told):
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
    if not facts.said:
        return sources.FORECAST_SHARE
    first = max(facts.day - timedelta(days=LEARN_DAYS), et.first)
    span = slice((first - et.first).days, (facts.day - et.first).days)
    by = came_by(facts.weather, "tmax_c", len(facts.weather))[span]
    came = np.where((by != sources.FORECAST) & (et.method[span] != NONE), et.et0_mm[span], np.nan)
    if not np.isfinite(came).any():
        return sources.FORECAST_SHARE
    share = list(sources.FORECAST_SHARE)
    moved = 1.0
    for lead in range(1, sources.LEADS):
        told = et0_as_told(garden, facts.said, first, len(came), lead)
        pairs = None if told is None else np.isfinite(told - came)
        if told is not None and pairs is not None and pairs.any():
            found = skill(["forecast"] * len(came), np.full(len(came), lead), told, came)
            mean = max(float(came[pairs].mean()), sources.SMALL_ET0_MM)
            moved = found["forecast", lead].sd / mean / sources.FORECAST_SHARE[lead]
            if lead == 1:
                share[0] = min(share[0] * moved, MOST_SHARE)  # this morning's word on today
        share[lead] = min(sources.FORECAST_SHARE[lead] * moved, MOST_SHARE)
    return tuple(share)


def _usual_rain(rain: Mm) -> float:
    """Root mean square of all recorded days' rain; the prior counts as PRIOR_DAYS."""
    known = rain[rain >= 0]
    square = PRIOR_DAYS * sources.UNKNOWN_RAIN_MM**2 + float(np.sum(known**2))
    return float(np.sqrt(square / (PRIOR_DAYS + len(known))))


def water_uncertainty(facts: Facts, laid_out: Terms, today: int) -> sources.Uncertainty:
    """Of the water given before today, (day, zone) mm net: metered, timed, by hand, or between bounds."""
    shape = laid_out.etc.shape
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
            unsure = (given.most_minutes - given.least_minutes) / laid_out.minutes_per_mm[day, z]
            passing2[day, z] += unsure**2 / 12  # anything between its bounds is as likely
    return sources.Uncertainty(lasting, np.sqrt(passing2), np.zeros(shape[0]))


def _spread_of(given: Applied) -> sources.Spread:
    if given.measured:
        return sources.METERED
    return sources.BY_HAND if given.outcome == "by hand" else sources.TIMED


# --- soil readings -------------------------------------------------------------------------------
