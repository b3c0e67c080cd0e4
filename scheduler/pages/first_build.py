"""What a first build comes to, counted: beds, sections with their lines, and what later plantings add."""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, replace
from itertools import pairwise

from scheduler.core.system.changeover import ZoneChange, changeover
from scheduler.core.system.check import GardenCheck, ZoneRows, check_garden
from scheduler.core.system.counts import Parts
from scheduler.core.system.first_build import cut_length, reaches
from scheduler.core.system.layout import Laid, TakeOff, laid, take_offs
from scheduler.errors import BadInput
from scheduler.model import Garden, Zone
from scheduler.pages.rounding import rounded
from scheduler.shapes.changeover import Feed
from scheduler.shapes.parts import LaterParts


@dataclass(frozen=True, slots=True)
class Asked:
    """How the grower buys and lays: metres of slack and of a roll, share of waste."""

    slack_m: float
    waste: float
    roll_m: float


@dataclass(frozen=True, slots=True)
class Bed:
    """A zone's rows as first laid, counted."""

    zone: Zone
    laid: Laid
    parts: Parts
    cut_m: float  # of each tape

    @property
    def tapes(self) -> int:
        return self.parts.end_closures


@dataclass(frozen=True, slots=True)
class Section:
    rows: tuple[ZoneRows, ...]
    flow_lpm: float
    electric: bool
    ways_m: tuple[float, ...]


def beds_of(garden: Garden, edges: Mapping[str, tuple[float, float]], asked: Asked) -> Iterator[Bed]:
    """Each zone's first build: a changeover from nothing."""
    by_name = {zone.name: zone for zone in garden.zones}
    first = [laid(zone, zone.plantings[0] if zone.plantings else None, edges) for zone in garden.zones]
    after = {one.zone: one for one in first if one is not None}
    for change in changeover([], list(after.values())):
        zone, one = by_name[change.zone], after[change.zone]
        cut = cut_length(one.rows.length_m, depth_m=zone.tape_depth_m, fold_m=asked.slack_m)
        yield Bed(zone, one, change.parts, cut)


def as_first_planted(garden: Garden) -> GardenCheck:
    """The garden as first planted; no climate is asked for, so no hours are judged."""
    first = replace(garden, zones=tuple(replace(zone, plantings=zone.plantings[:1]) for zone in garden.zones))
    planted = [planting.planted for zone in first.zones for planting in zone.plantings]
    if not planted:
        raise BadInput("no zone has a planting", hint="give zones their plantings: flow goes by their rows")
    return check_garden(first, min(planted), math.nan)


def sections_of(
    garden: Garden, check: GardenCheck, edges: Mapping[str, tuple[float, float]], line_m: float, feed: Feed
) -> Iterator[Section]:
    by_name = {zone.name: zone for zone in garden.zones}
    for rows, flow in zip(check.section_rows, check.sections.flows_lpm, strict=True):
        places = [place for one in rows for place in _places(by_name[one.zone], one, edges)]
        electric = any(by_name[one.zone].valve.driver != "by_hand" for one in rows)
        yield Section(rows, flow, electric, reaches(places, line_m=line_m, feed=feed))


def _places(zone: Zone, rows: ZoneRows, edges: Mapping[str, tuple[float, float]]) -> Iterator[TakeOff]:
    """Take-offs of these rows, and of every later layout's rows where they are the zone's last ones."""
    first, *later = [laid(zone, planting, edges) for planting in zone.plantings]
    assert first is not None
    yield from (place for place in take_offs(first) if rows.first <= place.row <= rows.last)
    if rows.last == first.rows.count:
        yield from (place for one in later if one is not None for place in take_offs(one))


def later_parts(garden: Garden, edges: Mapping[str, tuple[float, float]]) -> Iterator[LaterParts]:
    """Of each planting whose rows lie otherwise than those before it."""
    for zone in garden.zones:
        for before, after in pairwise(zone.plantings):
            old, new = laid(zone, before, edges), laid(zone, after, edges)
            (change,) = changeover([one for one in (old,) if one], [one for one in (new,) if one])
            if change.changes:
                yield _later_line(change, after.crop.name, after.planted.isoformat())


def _later_line(change: ZoneChange, crop: str, planted: str) -> LaterParts:
    parts = change.parts
    return {
        "zone": change.zone,
        "crop": crop,
        "planted": planted,
        "row_starts": parts.row_starts,
        "couplings": parts.couplings,
        "end_closures": parts.end_closures,
        "tape_m": rounded(parts.tape_m),
    }
