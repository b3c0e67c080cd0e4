"""What is assumed while the records are young, or since this version came, and how to correct it."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

from scheduler.model import USUAL_TAPE_DEPTH_M, Garden, Notice, Zone
from scheduler.planning.facts import Facts
from scheduler.show import show_depth

FIRST_DAYS = 2
FULL = "is taken as full (field capacity). If it was dry"
BY_WEATHER = (
    "is taken as the weather of the weeks before left it, dry where nothing is known. If you know better"
)


def first_days_notices(garden: Garden, facts: Facts) -> Iterator[Notice]:
    """How wet the soil and how deep the tape were taken to be when the record began, or this version came."""
    apart = garden.crop_coefficient == "dual"
    begins = (facts.day - facts.start).days < FIRST_DAYS
    if begins:
        looked = {note.zone for note in facts.notes if note.kind == "soil"}
        unseen = [z for z in garden.zones if z.name not in looked and _unknown_soil(z, apart=apart)]
        if unseen:
            yield Notice("info", _soil(garden, unseen, BY_WEATHER if apart else FULL), "soil")
    if apart and _made_before(facts):
        yield Notice("info", NEW_MEANINGS, "garden")
        begins = True
    deep = [z for z in garden.zones if z.tape_depth_m == USUAL_TAPE_DEPTH_M and z.wet_band_m is None]
    if apart and begins and deep:
        depth, on_top = ("4 in", "0 in") if garden.display == "us" else ("10 cm", "0 cm")
        yield Notice(
            "info",
            f"the tape of {_names(garden, deep)} is taken to lie {depth} deep. If not, write tape_depth: "
            f"{depth} (or what it is, {on_top} on the ground) under the zone in garden.yaml: how much "
            "evaporates hangs on it, and whether a seed gets wet",
            "soil",
        )


NEW_MEANINGS = (
    "new in this version: what the soil evaporates is reckoned apart from what the crop uses. Where "
    "garden.yaml says nothing else, a crop is watered until it is pulled (hold_last_stage), plants set out "
    "are settled in (settle), what is sown is kept damp until it is up (by). crop_coefficient: single keeps "
    "the old reckoning"
)


def _made_before(facts: Facts) -> bool:
    """The morning before was told by a version that knew no stage ends."""
    before = facts.plan_before()
    lines = [] if before is None else [zone for zone in before.page["zones"] if "crop" in zone]
    return bool(lines) and not any("stage_ends" in zone for zone in lines)


def _unknown_soil(zone: Zone, *, apart: bool) -> bool:
    return zone.starting_deficit_mm is None or (not apart and zone.starting_deficit_mm == 0)


def _names(garden: Garden, zones: Sequence[Zone]) -> str:
    return "every zone" if len(zones) == len(garden.zones) else ", ".join(zone.name for zone in zones)


def _soil(garden: Garden, zones: Sequence[Zone], taken: str) -> str:
    return (
        f"the record begins: the soil of {_names(garden, zones)} {taken}, write "
        f"starting_deficit: {show_depth(20.0, garden.display)} (or what is missing) under the zone in "
        f"garden.yaml, or dig and say so: rowwater note soil {zones[0].name} 35cb"
    )
