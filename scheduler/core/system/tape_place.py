"""Where the tape lies: what it wets on top, what one event may give, what other places would save.

Savings are those of one planting on the weather of one year, by the season's own rule: hours, days, caps and
the supply's flow left aside (models M3d, M6, M7).
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from datetime import date, timedelta
from typing import NamedTuple

import numpy as np

from scheduler.core.balance.et import ReferenceET, fill
from scheduler.core.balance.pulses import most_of_one_pulse
from scheduler.core.balance.rule import RefillRule
from scheduler.core.balance.soil import run
from scheduler.core.balance.stands import Stand
from scheduler.core.balance.stored import stored
from scheduler.core.balance.surface import RISE_M, wet_band, wet_share
from scheduler.core.balance.terms import terms
from scheduler.model import Garden, Planting, Valve, WeatherDays, Zone

DEPTHS_M = (0.0, 0.10, 0.15)
"""Places that are tried: on the surface, 4 and 6 in deep (common practice, no source)."""
SAME_DEPTH_M = 0.02
KNOWN_SHARE = 0.9
"""Days of a year with temperatures, for it to be one that says something (own choice)."""
LONGEST_DAYS = 365


@dataclass(frozen=True, slots=True)
class TapePlace:
    """What a zone's tape wets where it lies, and the most that one event should give."""

    depth_m: float
    wet_band_m: float  # wet on top, over one tape
    seen: bool  # the grower measured that
    event_mm: float  # net, with the roots full grown
    event_minutes: float  # whole ones, the line's filling among them

    @property
    def wets_seed(self) -> bool:
        """Whether the water comes up to a seed."""
        return self.wet_band_m > 0


def tape_place(zone: Zone, stand: Stand) -> TapePlace:
    """Of the planting that the zone is judged by."""
    rows = stand.planting.rows
    band = wet_band(zone, stand.planting, stand.wetted) * rows.spacing_m / rows.tapes
    root_depth, wetted = (np.float64(x) for x in (stand.planting.crop.root_full_m, stand.wetted))
    most = float(most_of_one_pulse(zone.soil, root_depth, wetted))
    return TapePlace(
        depth_m=zone.tape_depth_m,
        wet_band_m=band,
        seen=zone.wet_band_m is not None,
        event_mm=most,
        event_minutes=float(math.floor(most / stand.net_per_minute + zone.fill_time_minutes + 1e-9)),
    )


# --- what other places would save ----------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class PlantingWater:
    """What one planting takes on the weather of `first` to `last`."""

    first: date
    last: date
    liters: float
    net_mm: float
    evaporation_mm: float
    sprinkle_days: int  # on which the seed rows want water that the tape does not bring up


@dataclass(frozen=True, slots=True)
class Variant:
    """The same planting with its tape elsewhere, or under straw."""

    depth_m: float
    straw: bool
    water: PlantingWater


@dataclass(frozen=True, slots=True)
class Savings:
    """One zone's season as it stands, and with each change alone."""

    water: PlantingWater
    variants: tuple[Variant, ...]


class Season(NamedTuple):
    """First and last day of a planting."""

    first: date
    last: date

    def moved(self, years: int) -> Season:
        """The same days so many years on; 29 February becomes the 28th."""
        first = _years_on(self.first, years)
        return Season(first, first + (self.last - self.first))


def season_of(planting: Planting) -> Season:
    """Until it is pulled, else until its stages are over; a year at most."""
    days = sum(planting.crop.stage_days)
    if planting.pulled is not None:
        days = (planting.pulled - planting.planted).days
    return Season(planting.planted, planting.planted + timedelta(days=min(max(days, 1), LONGEST_DAYS) - 1))


def _years_on(day: date, years: int) -> date:
    try:
        return day.replace(year=day.year + years)
    except ValueError:
        return day.replace(year=day.year + years, day=28)


def known_year(season: Season, et: ReferenceET) -> int | None:
    """Years by which to move a season onto days whose weather is known: 0, else the latest; None: none.

    >>> from scheduler.core.balance.climate import weather_days
    >>> from scheduler.core.balance.et import reference_et
    >>> from scheduler.model import Location
    >>> days = weather_days(date(2024, 1, 1), tmin_c=np.full(500, 10.0), tmax_c=np.full(500, 20.0))
    >>> et = reference_et(days, Location(35.6, -82.4, 650.0, "UTC"))
    >>> known_year(Season(date(2026, 3, 1), date(2026, 4, 30)), et)
    -1
    >>> print(known_year(Season(date(2026, 12, 1), date(2027, 6, 1)), et))
    None
    """
    last = et.first.year + len(et.et0_mm) // 365 + 1
    latest = range(last - season.first.year, et.first.year - season.first.year - 1, -1)
    return next((years for years in (0, *latest) if _known(season.moved(years), et)), None)


def _known(season: Season, et: ReferenceET) -> bool:
    begin, end = (season.first - et.first).days, (season.last - et.first).days + 1
    if begin < 0 or end > len(et.et0_mm):
        return False
    known = np.isfinite(et.et0_mm)
    return bool(known[: begin + 1].any()) and float(known[begin:end].mean()) >= KNOWN_SHARE


def savings(
    garden: Garden, judged: Sequence[tuple[Zone, Planting]], weather: WeatherDays, et: ReferenceET
) -> dict[str, Savings]:
    """By zone, what its planting would take with the tape elsewhere or under straw, where a year is known.

    judged: a zone and the planting to try.  weather, et: all known days.  Evaporation is always kept apart
    here, or nothing would be saved.
    """
    tried: list[tuple[Zone, float, bool]] = []
    seasons: dict[str, Season] = {}
    for zone, planting in judged:
        years = known_year(season_of(planting), et)
        if years is None:
            continue
        seasons[zone.name] = season_of(planting).moved(years)
        alone = replace(zone, plantings=(_moved(planting, seasons[zone.name]),))
        tried += _variants(alone)
    if not tried:
        return {}
    found = _seasons([zone for zone, _, _ in tried], garden, seasons, weather, et)
    out: dict[str, Savings] = {}
    for (zone, depth, straw), water in zip(tried, found, strict=True):
        before = out.get(zone.name)
        variants = () if before is None else (*before.variants, Variant(depth, straw, water))
        out[zone.name] = Savings(water if before is None else before.water, variants)
    return out


def _moved(planting: Planting, season: Season) -> Planting:
    """Alone, on the days of another year; what was seen of it then is left aside."""
    years = season.first.year - planting.planted.year
    shelter = planting.shelter
    if shelter is not None and shelter.until is not None:
        shelter = replace(shelter, until=_years_on(shelter.until, years))
    return replace(
        planting,
        planted=season.first,
        pulled=season.last + timedelta(days=1),
        harvest=None if planting.harvest is None else _years_on(planting.harvest, years),
        shelter=shelter,
        observed=(), covers_seen=(), emerged=None, dry_from=None,
    )  # fmt: skip


def _variants(zone: Zone) -> Iterator[tuple[Zone, float, bool]]:
    """The zone as it is first; each on a valve of its own."""
    here, (planting,) = zone.tape_depth_m, zone.plantings
    yield _on_own_valve(zone, 0), here, False
    changed = [
        (_at_depth(zone, depth), depth, False) for depth in DEPTHS_M if abs(depth - here) > SAME_DEPTH_M
    ]
    if planting.mulch == "none":
        straw = replace(planting, mulch="straw", mulch_cover=None)
        changed.append((replace(zone, plantings=(straw,)), here, True))
    for k, (other, depth, under_straw) in enumerate(changed, 1):
        yield _on_own_valve(other, k), depth, under_straw


def _on_own_valve(zone: Zone, number: int) -> Zone:
    return replace(zone, valve=Valve("by_hand", f"{zone.name} {number}"))


def _at_depth(zone: Zone, depth_m: float) -> Zone:
    """A band that was seen changes as the one worked out does."""
    rise, band = RISE_M[zone.soil.texture_group], zone.wet_band_m
    if band is not None:
        now = wet_share(zone.tape_depth_m, rise)
        band = band * wet_share(depth_m, rise) / now if now > 0 else None
    return replace(zone, tape_depth_m=depth_m, wet_band_m=band)


def _seasons(
    zones: Sequence[Zone],
    garden: Garden,
    seasons: dict[str, Season],
    weather: WeatherDays,
    et: ReferenceET,
) -> list[PlantingWater]:
    """Every zone's season, walked side by side."""
    first, last = min(s.first for s in seasons.values()), max(s.last for s in seasons.values())
    filled = fill(et, first, last)
    days = slice((first - et.first).days, (last - et.first).days + 1)
    rain = weather.rain_mm[days]
    laid_out = terms(
        zones, first, filled.et0_mm[days], np.where(rain >= 0, rain, 0.0), location=garden.location,
        supply=garden.supply, coefficient="dual", record=stored(weather, filled),
    )  # fmt: skip
    starting = np.array([zone.starting_deficit_mm for zone in zones], dtype=np.float64)
    balance = run(laid_out, starting_deficit=starting, rule=RefillRule.of(tuple(zones)))
    assert balance.apart is not None
    flows = np.zeros(len(zones))
    for stand in laid_out.stands:
        flows[stand.zone] = stand.delivery.flow_lpm
    apart, standing = balance.apart, laid_out.standing
    return [
        PlantingWater(
            first=seasons[zone.name].first,
            last=seasons[zone.name].last,
            liters=float(balance.minutes[:, z].sum() * flows[z]),
            net_mm=float(balance.irrigation[:, z].sum()),
            evaporation_mm=float(apart.evaporation[standing[:, z], z].sum()),
            sprinkle_days=int(np.count_nonzero(apart.sprinkle[standing[:, z], z] > 0)),
        )
        for z, zone in enumerate(zones)
    ]
