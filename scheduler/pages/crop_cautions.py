"""What a cold night and salty water ask of the grower this morning; nothing is watered or stopped for it."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from datetime import date

import numpy as np

from scheduler.core.system.frost import FrostNight, frost_nights
from scheduler.core.system.salinity import (
    DRY_SPELL_DAYS,
    is_salty,
    light_rain_after_dry_spell,
    planted_soon,
)
from scheduler.model import Garden, Notice
from scheduler.planning.facts import Facts
from scheduler.planning.live import Live
from scheduler.show import show_depth, show_temperature

LIKELY_PCT = 50.0


def crop_cautions(garden: Garden, facts: Facts, live: Live) -> Iterator[Notice]:
    """Crops that last night may have killed; rain and planting where the water is salty."""
    yield from _frost(garden, facts)
    if is_salty(garden.supply.ec_ds_m):
        yield from _rain_on_salt(garden, facts, live)
        yield from _over_the_tape(facts)


def _frost(garden: Garden, facts: Facts) -> Iterator[Notice]:
    """One question a night, of all that it may have killed."""
    tmin = dict(zip(facts.weather.dates(), facts.weather.tmin_c.tolist(), strict=True))
    nights: dict[date, list[FrostNight]] = {}
    for one in frost_nights(facts.zones, facts.day, tmin, garden.location, garden.supply):
        nights.setdefault(one.morning, []).append(one)
    for morning, found in nights.items():
        zones = tuple(one.zone for one in found)
        night = f"{show_temperature(found[0].tmin_c, garden.display)} in the night to {_named(morning)}"
        yield Notice("look", f"{', '.join(zones)}: {night}: {_dead(found)}", "frost", zones)


def _dead(found: Sequence[FrostNight]) -> str:
    if len(found) == 1:
        return f"is the {found[0].crop} dead? Then: rowwater note pulled {found[0].zone}"
    crops = list(dict.fromkeys(one.crop for one in found))
    named = " and ".join(part for part in (", ".join(crops[:-1]), crops[-1]) if part)
    return f"which of {named} are dead? Of each: rowwater note pulled ZONE"


def _rain_on_salt(garden: Garden, facts: Facts, live: Live) -> Iterator[Notice]:
    known = facts.weather
    today = (facts.day - known.first).days
    if today < DRY_SPELL_DAYS or not light_rain_after_dry_spell(
        known.rain_mm[:today], _rain_today(facts, live)
    ):
        return
    zones = tuple(zone.name for z, zone in enumerate(facts.zones) if _rained_on(facts, live, z))
    if zones:
        rain = show_depth(_rain_today(facts, live), garden.display)
        yield Notice(
            "look",
            f"{', '.join(zones)}: light rain ({rain}) after a dry spell takes the salt beside the strip down "
            "to the roots: run the drip through it (rowwater water ZONE 20min)",
            "salt",
            zones,
        )


def _rain_today(facts: Facts, live: Live) -> float:
    """mm since midnight, or still to come where that is likely, or no chance is given."""
    chance = facts.weather.rain_chance_pct[live.et_offset + live.today]
    likely = not np.isfinite(chance) or chance >= LIKELY_PCT
    return max(facts.rain_so_far_mm or 0.0, float(live.rain_mm[live.today]) if likely else 0.0)


def _rained_on(facts: Facts, live: Live, z: int) -> bool:
    """A crop stands in the zone, under no roof."""
    k = int(live.terms.stand[live.today, z])
    if k < 0:
        return False
    shelter = live.terms.stands[k].planting.shelter
    if shelter is None or not shelter.keeps_rain_out:
        return True
    return shelter.until is not None and facts.day >= shelter.until


def _over_the_tape(facts: Facts) -> Iterator[Notice]:
    soon = list(planted_soon(facts.zones, facts.day))
    if soon:
        crops = ", ".join(f"{planting.crop.name} in {zone.name}" for zone, planting in soon)
        yield Notice(
            "info",
            f"{crops}: with this water sow and plant over the tape, not beside it: salt gathers at the edge "
            "of the wet strip",
            "salt",
            tuple(zone.name for zone, _ in soon),
        )


def _named(day: date) -> str:
    return f"{day:%a} {day.day} {day:%b}"
