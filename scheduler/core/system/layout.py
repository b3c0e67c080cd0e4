"""Where tapes leave the supply line.

Convention for where take-offs stand, since garden.yaml gives counts and spacings but no places: zones lie one
after another along the supply line in the order of garden.yaml, each as wide as its widest layout (count x
spacing).  A layout begins at its zone's near edge: the first row half a spacing in, the next every spacing.
Several tapes of a row stand evenly about its middle, TAPE_GAP_M apart or a share of the spacing in tight rows
(two tapes: 0.15 m or a quarter of the spacing to each side).  Own convention: measure one hole and compare.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Literal

from scheduler.model import Garden, Planting, Rows, Tape, Zone

TAPE_GAP_M = 0.30
ROUNDING_M = 1e-9


@dataclass(frozen=True, slots=True)
class Laid:
    """A zone's rows as they lie at one time; `begins_m`: where the zone begins along the line."""

    zone: str
    begins_m: float
    rows: Rows
    tape: Tape
    planting: Planting | None = None


@dataclass(frozen=True, slots=True)
class TakeOff:
    """Where one tape leaves the supply line."""

    at_m: float  # along the line, from where the first zone begins
    row: int  # 1, 2, ... within the zone
    length_m: float  # of the tape on it


def take_offs(laid: Laid) -> tuple[TakeOff, ...]:
    """Every take-off of a zone in order along the line, by the convention above.

    >>> bed = Laid("bed", 0.0, Rows(2, 20.0, 0.6, tapes=2), Tape("thin", 0.05))
    >>> [round(take_off.at_m, 3) for take_off in take_offs(bed)]  # 0.15 m beside the rows at 0.3 and 0.9
    [0.15, 0.45, 0.75, 1.05]
    """
    rows = laid.rows
    gap = min(TAPE_GAP_M, rows.spacing_m / rows.tapes)
    sides = [(number - (rows.tapes - 1) / 2) * gap for number in range(rows.tapes)]
    return tuple(
        TakeOff(laid.begins_m + (row + 0.5) * rows.spacing_m + side, row + 1, rows.length_m)
        for row in range(rows.count)
        for side in sides
    )


def least_gap(laid: Laid) -> float:
    """Metres between the two nearest take-offs; inf where there is but one.

    >>> round(least_gap(Laid("bed", 0.0, Rows(2, 20.0, 0.6, tapes=2), Tape("thin", 0.05))), 3)
    0.3
    """
    places = [take_off.at_m for take_off in take_offs(laid)]
    return min((b - a for a, b in zip(places, places[1:], strict=False)), default=float("inf"))


def zone_edges(gardens: Sequence[Garden]) -> dict[str, tuple[float, float]]:
    """Where each zone begins and ends along the line, metres; widest layout of all the gardens given.

    Zones that only a later garden has stand where they stand there: after the zone before them.
    """
    order: list[str] = []
    width: dict[str, float] = {}
    for garden in gardens:
        previous: str | None = None
        for zone in garden.zones:
            if zone.name not in order:
                order.insert(order.index(previous) + 1 if previous is not None else 0, zone.name)
            previous = zone.name
            layouts = [p.rows for p in zone.plantings] or ([zone.rows] if zone.rows else [])
            widths = [rows.count * rows.spacing_m for rows in layouts]
            width[zone.name] = max([width.get(zone.name, 0.0), *widths])
    edges: dict[str, tuple[float, float]] = {}
    at = 0.0
    for name in order:
        edges[name] = (at, at + width[name])
        at += width[name]
    return edges


def laid(zone: Zone, planting: Planting | None, edges: Mapping[str, tuple[float, float]]) -> Laid | None:
    """A planting's rows at their place; the zone's own rows without one; None where there are none."""
    rows = planting.rows if planting else zone.rows
    return None if rows is None else Laid(zone.name, edges[zone.name][0], rows, zone.tape, planting)


def place_from_feed(at_m: float, line_m: float, feed: Literal["end", "middle"]) -> tuple[str | None, float]:
    """Branch ("left" = towards the first zone, "right") and metres from the feed; no branch from an end.

    >>> place_from_feed(4.0, 20.0, "end"), place_from_feed(4.0, 20.0, "middle")
    ((None, 4.0), ('left', 6.0))
    """
    if feed == "end":
        return None, at_m
    off = at_m - line_m / 2
    if abs(off) <= ROUNDING_M:
        off = 0.0
    return ("left" if off < 0 else "right"), abs(off)
