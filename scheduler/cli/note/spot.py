"""A zone on a day, with what stands there by all that was noted so far; doubts about it are asked at once."""

from __future__ import annotations

from datetime import date, datetime
from typing import TYPE_CHECKING, NamedTuple

from scheduler.cli import common
from scheduler.cli.note.doubts import ask_if_meant, coming_doubt, date_doubt
from scheduler.cli.note.keeping import planting_maker, site

if TYPE_CHECKING:
    from scheduler.core.balance.stored import Stored
    from scheduler.model import Garden, Note, Planting, Zone
    from scheduler.pages.stage_moved import Site


class Spot(NamedTuple):
    garden: Garden
    now: datetime
    zone: Zone
    day: date
    planting: Planting | None
    notes: tuple[Note, ...]

    @property
    def name(self) -> str:
        return self.zone.name

    @property
    def crop(self) -> str:
        return "what stands there" if self.planting is None else self.planting.crop.name


def spot_of(zone: str, day: date | None, *, sure: bool, may_come: bool = False) -> Spot:
    """Where and when; asks where nothing stands, or the day is far away or, unless it may, still to come."""
    from scheduler.planning.notes import standing_on, why_nothing_stands, with_notes

    garden, now = site()
    name, when = common.zone_name(garden, zone), day or now.date()
    with common.store(now) as store:
        notes = tuple(store.notes())
        far = date_doubt(store, when, now.date())
    zones = with_notes(garden.zones, notes, planting_maker())
    here = next(one for one in zones if one.name == name)
    planting = standing_on(here, when)
    ask_if_meant(far or (None if may_come else coming_doubt(when, now.date())), sure=sure)
    ask_if_meant(None if planting else why_nothing_stands(here, when), sure=sure)
    return Spot(garden, now, here, when, planting, notes)


def site_of(spot: Spot) -> Site:
    """What the stages of the zone's plantings hang on; the stored weather only where they go by warmth."""
    from scheduler.pages.stage_moved import Site

    return Site(spot.zone, spot.garden.location, spot.garden.supply, _record(spot))


def _record(spot: Spot) -> Stored | None:
    planting = spot.planting
    if planting is None or not planting.heat or planting.crop.heat is None:
        return None
    from scheduler.core.balance.et import reference_et
    from scheduler.core.balance.stored import stored
    from scheduler.planning.facts import gather

    with common.store(spot.now) as store:
        weather = gather(spot.garden, spot.now.date(), store, None).weather
    return stored(weather, reference_et(weather, spot.garden.location))
