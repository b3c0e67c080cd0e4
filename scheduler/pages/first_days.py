"""What is assumed while the records are young, and how to correct it."""

from __future__ import annotations

from collections.abc import Iterator

from scheduler.model import Garden, Notice, Zone
from scheduler.planning.facts import Facts
from scheduler.show import show_depth

FIRST_DAYS = 2
FULL = "is taken as full (field capacity). If it was dry"
BY_WEATHER = (
    "is taken as the weather of the weeks before left it, dry where nothing is known. If you know better"
)


def first_days_notices(garden: Garden, facts: Facts) -> Iterator[Notice]:
    """How wet the soil was taken to be when the record began; nothing where somebody has looked."""
    if (facts.day - facts.start).days >= FIRST_DAYS:
        return
    looked = {note.zone for note in facts.notes if note.kind == "soil"}
    unseen = [zone for zone in garden.zones if zone.name not in looked]
    full = [zone for zone in unseen if not zone.starting_deficit_mm and not _by_weather(garden, zone)]
    for zones, taken in ((full, FULL), ([z for z in unseen if _by_weather(garden, z)], BY_WEATHER)):
        if zones:
            names = "every zone" if len(zones) == len(garden.zones) else ", ".join(z.name for z in zones)
            yield Notice("info", _text(names, taken, zones[0], garden), "soil")


def _by_weather(garden: Garden, zone: Zone) -> bool:
    return garden.crop_coefficient == "dual" and zone.starting_deficit_mm is None


def _text(names: str, taken: str, one: Zone, garden: Garden) -> str:
    return (
        f"the record begins: the soil of {names} {taken}, write "
        f"starting_deficit: {show_depth(20.0, garden.display)} (or what is missing) under the zone in "
        f"garden.yaml, or dig and say so: rowwater note soil {one.name} 35cb"
    )
