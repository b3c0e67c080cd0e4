"""What is assumed while the records are young, and how to correct it."""

from __future__ import annotations

from collections.abc import Iterator

from scheduler.model import Garden, Notice
from scheduler.planning.facts import Facts
from scheduler.show import show_depth

FIRST_DAYS = 2


def first_days_notices(garden: Garden, facts: Facts) -> Iterator[Notice]:
    """How wet the soil was taken to be when the record began; nothing where somebody has looked."""
    if (facts.day - facts.start).days >= FIRST_DAYS:
        return
    looked = {note.zone for note in facts.notes if note.kind == "soil"}
    zones = [zone for zone in garden.zones if zone.starting_deficit_mm == 0 and zone.name not in looked]
    if zones:
        names = "every zone" if len(zones) == len(garden.zones) else ", ".join(zone.name for zone in zones)
        yield Notice(
            "info",
            f"the record begins: the soil of {names} is taken as full (field capacity). If it was dry, write "
            f"starting_deficit: {show_depth(20.0, garden.display)} (or what is missing) under the zone in "
            f"garden.yaml, or dig and say so: rowwater note soil {zones[0].name} 35cb",
            "soil",
        )
