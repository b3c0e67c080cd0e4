"""The grower's notes of planting and pulling, laid over garden.yaml."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from dataclasses import replace
from datetime import date
from typing import NamedTuple

from scheduler.errors import BadInput, RowwaterError
from scheduler.model import Note, Planting, Zone

MakePlanting = Callable[[Zone, str, date], Planting]


class LeftAside(NamedTuple):
    """A note that cannot be followed, and why: its crop has left crops.yaml, its zone has no rows."""

    note: Note
    why: str


def with_notes(
    zones: Sequence[Zone], notes: Iterable[Note], make_planting: MakePlanting | None
) -> tuple[Zone, ...]:
    """The zones of `lay_over`."""
    return lay_over(zones, notes, make_planting)[0]


def lay_over(
    zones: Sequence[Zone], notes: Iterable[Note], make_planting: MakePlanting | None
) -> tuple[tuple[Zone, ...], tuple[LeftAside, ...]]:
    """The zones with what the grower really planted and pulled laid over the plan in garden.yaml.

    `planted` moves the planting of that crop whose date is nearest, or adds one on the zone's own rows;
    `pulled` ends the planting that stood on that day.  What cannot be followed is left aside.
    """
    out, aside = list(zones), []
    place = {zone.name: i for i, zone in enumerate(out)}
    for note in notes:
        if note.kind not in ("planted", "pulled") or note.zone not in place:
            continue
        zone = out[place[note.zone]]
        try:
            changed = (_planted if note.kind == "planted" else _pulled)(zone, note, make_planting)
        except RowwaterError as error:
            aside.append(LeftAside(note, error.text))
            continue
        out[place[note.zone]] = replace(zone, plantings=tuple(sorted(changed, key=lambda p: p.planted)))
    return tuple(out), tuple(aside)


def _planted(zone: Zone, note: Note, make_planting: MakePlanting | None) -> list[Planting]:
    plantings = list(zone.plantings)
    crop = str(note.details["crop"])
    same = [p for p in plantings if p.crop.name == crop]
    if same:
        nearest = min(same, key=lambda p: abs((p.planted - note.day).days))
        plantings[plantings.index(nearest)] = replace(nearest, planted=note.day)
        return plantings
    if make_planting is None:
        raise BadInput(f"{zone.name}: no planting of {crop} in garden.yaml")
    return [*plantings, make_planting(zone, crop, note.day)]


def _pulled(zone: Zone, note: Note, _: MakePlanting | None) -> list[Planting]:
    plantings = list(zone.plantings)
    standing = [p for p in plantings if p.planted < note.day]
    if standing:
        latest = max(standing, key=lambda p: p.planted)
        plantings[plantings.index(latest)] = replace(latest, pulled=note.day)
    return plantings
