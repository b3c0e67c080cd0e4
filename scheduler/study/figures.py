"""What one season of one variant came to, in the few figures that a study compares."""

from __future__ import annotations

import json
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import asdict, dataclass
from typing import Any, NamedTuple

import numpy as np

from scheduler.core.arrays import BoolArray, FloatArray
from scheduler.core.balance.rule import shared_valves
from scheduler.core.balance.short_use import short_use, stressed
from scheduler.json_reading import read_json
from scheduler.model import Zone
from scheduler.planning.season import Season
from scheduler.planning.season_yields import PlantingUse, planting_uses
from scheduler.planning.timer import flow_lpm

DECIMALS = 6


class ZoneFigures(NamedTuple):
    """Of a zone on the days on which a crop stands, as `rowwater season` has them."""

    liters: float
    percolation_mm: float
    stress_days: int
    longest_minutes: float
    short_days: int | None


@dataclass(frozen=True, slots=True)
class Figures:
    """Of a garden.  short_days: None where nobody counts them; lost: None without a yield response."""

    liters: float
    stress_days: int  # of all zones together, as are short_days
    drained_l: float
    longest_minutes: float  # most minutes of a morning, one valve after another
    short_days: int | None
    short_l: float  # that all crops used less than they asked for
    lost: float | None  # share of the yield, the plantings weighed by their area
    short_share: float  # of the water that it asks for: of the planting that went shortest
    zones: Mapping[str, ZoneFigures]

    def as_text(self) -> str:
        """One line of JSON."""
        return json.dumps(asdict(self) | {"zones": {name: [*zone] for name, zone in self.zones.items()}})

    @classmethod
    def from_text(cls, text: str) -> Figures:
        found: dict[str, Any] = read_json(text)
        return cls(**found | {"zones": {name: ZoneFigures(*zone) for name, zone in found["zones"].items()}})


def figures_of(zones: Sequence[Zone], season: Season, gardens: Sequence[slice]) -> list[Figures]:
    """Of each of the gardens whose zones stand together in one season; `gardens` says which are whose."""
    terms, balance = season.terms, season.balance
    standing = terms.standing
    liters = balance.minutes * flow_lpm(terms)
    area = np.array([*(stand.planting.rows.area_m2 for stand in terms.stands), 0.0])[terms.stand]
    drained = balance.percolation * area
    dry = stressed(terms, balance)
    uses: dict[int, list[PlantingUse]] = {}
    for use in planting_uses(season, short_use(terms, balance)):
        uses.setdefault(use.stand.zone, []).append(use)
    found = []
    for garden in gardens:
        ours = range(garden.start, garden.stop)
        by_zone = {
            zones[z].name: _zone(standing[:, z], liters[:, z], season, z, int(dry[:, z].sum()), zones[z].name)
            for z in ours
        }
        shorts = [zone.short_days for zone in by_zone.values() if zone.short_days is not None]
        plantings = [use for z in ours for use in uses.get(z, ())]
        found.append(
            Figures(
                liters=_rounded(sum(zone.liters for zone in by_zone.values())),
                stress_days=sum(zone.stress_days for zone in by_zone.values()),
                drained_l=_rounded(drained[:, garden].sum()),
                longest_minutes=_longest(balance.minutes[:, garden], zones[garden]),
                short_days=sum(shorts) if len(shorts) == len(by_zone) else None,
                short_l=_rounded(sum(use.short_mm * use.stand.planting.rows.area_m2 for use in plantings)),
                lost=_lost(plantings),
                short_share=_rounded(max(_short_shares(plantings), default=0.0)),
                zones=by_zone,
            )
        )
    return found


def _zone(
    standing: BoolArray, liters: FloatArray, season: Season, z: int, stress_days: int, name: str
) -> ZoneFigures:
    balance = season.balance
    return ZoneFigures(
        liters=_rounded(liters[standing].sum()),
        percolation_mm=_rounded(balance.percolation[standing, z].sum()),
        stress_days=stress_days,
        longest_minutes=float(balance.minutes[standing, z].max(initial=0)),
        short_days=None if season.short is None else season.short.get(name, 0),
    )


def _longest(minutes: FloatArray, zones: Sequence[Zone]) -> float:
    """Minutes of the longest morning; zones on one valve run together."""
    groups = shared_valves(tuple(zones))
    shared = {z for group in groups for z in group}
    alone = [z for z in range(len(zones)) if z not in shared]
    a_day = minutes[:, alone].sum(axis=1)
    for group in groups:
        a_day = a_day + minutes[:, list(group)].max(axis=1)
    return float(a_day.max(initial=0))


def _lost(plantings: Sequence[PlantingUse]) -> float | None:
    known = [
        (use.stand.planting.rows.area_m2, use.expected.both)
        for use in plantings
        if use.expected.both is not None
    ]
    area = sum(area for area, _ in known)
    return _rounded(1 - sum(area * share for area, share in known) / area) if area else None


def _short_shares(plantings: Sequence[PlantingUse]) -> Iterator[float]:
    return (use.short_mm / use.asked_mm for use in plantings if use.asked_mm > 0)


def _rounded(value: float) -> float:
    return round(float(value), DECIMALS) + 0.0
