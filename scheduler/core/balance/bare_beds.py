"""Beds between two crops, all of them side by side: what the layer on top and the strip lack (model M5).

Where a winter's rain fills a bed whatever the fall left, the crops after it begin anew: their days need not
wait for those before.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from scheduler.core.arrays import BoolArray, FloatArray, IntArray, Mm
from scheduler.core.balance.chains import filled_before, first_of_zone
from scheduler.core.balance.ground import Ground
from scheduler.core.balance.surface import bare_evening
from scheduler.core.balance.terms import Terms


@dataclass(frozen=True, slots=True)
class Beds:
    """(planting,) arrays of the bed that each finds."""

    known: BoolArray  # its state does not depend on the days before the gap
    layer: Mm  # De of both parts of the surface where `known`, else nan


def unknown(terms: Terms) -> Beds:
    """Nothing known of any: each planting goes on from the one before."""
    count = len(terms.stands)
    return Beds(np.zeros(count, dtype=bool), np.full(count, np.nan))


def beds(terms: Terms, ground: Ground, wetting: Mm) -> Beds:
    """What the gap before each planting makes of the bed; nothing is known of a zone's first one.

    wetting: (day, zone) mm of rain and given water.  The driest layer that can be left is followed through
    the gap: once rain fills it, so does it any other.  On the old tape the strip has to be filled, too.
    """
    flat = terms.flat
    zone, begin, end = flat.stand_zone, flat.stand_begin, flat.stand_end
    found = unknown(terms)
    after = np.flatnonzero(~first_of_zone(terms) & (begin > np.concatenate([[0], end[:-1]])))
    if not len(after):
        return found
    upper, filled = _driest(ground, zone[after], end[after - 1], begin[after])
    filled &= ~ground.same_tape[after] | (
        filled_before(terms, wetting)[after] if terms.salt is None else False
    )
    found.known[after], found.layer[after] = filled, np.where(filled, upper, np.nan)
    return found


def _driest(ground: Ground, zone: IntArray, begin: IntArray, end: IntArray) -> tuple[Mm, BoolArray]:
    """(gap,) De at the end of days begin..end - 1, dry at first, and whether rain filled the layer once."""
    order = np.argsort(begin - end, kind="stable")
    zone, begin, length = zone[order], begin[order], (end - begin)[order]
    tew, slope = ground.tew[zone], ground.slope_mm[zone]
    de, filled = tew.copy(), np.zeros(len(zone), dtype=bool)
    going = np.searchsorted(-length, -np.arange(int(length.max())), side="left")
    for k, n in enumerate(going.tolist()):
        rain = ground.bare_rain[begin[:n] + k, zone[:n]]
        if rain.any():
            filled[:n] |= rain >= de[:n]
        de[:n] = bare_evening(
            de[:n], rain=rain, et0=ground.bare_et0[begin[:n] + k], tew=tew[:n], slope_mm=slope[:n]
        )
    back = np.argsort(order)
    return de[back], filled[back]


def bare_deficits(wetting: Mm, last: IntArray, days: IntArray, *, end: Mm) -> None:
    """Deficits of the bare days after each chain of planted ones, in place: water fills the soil.

    wetting: (day, zone) mm of rain and given water.  last: (chain,) place of its last day in such an array
    laid flat; days: how many bare ones follow.  end: (day, zone), in the evening.
    """
    width = end.shape[1]
    dr, water = end.ravel()[last], wetting.ravel()
    while len(going := np.flatnonzero((days > 0) & (dr > 0))):
        last, days = last[going] + width, days[going] - 1
        dr = np.maximum(dr[going] - water[last], 0)
        end.ravel()[last] = dr


def bare_layers(ground: Ground, last: IntArray, days: IntArray, *, layers: FloatArray) -> None:
    """De of the same bare days, in place; layers: (2, day, zone), over the tape and in the row middle."""
    width, flat = layers.shape[-1], layers.reshape(2, -1)
    order = np.argsort(-days, kind="stable")
    last, days = last[order], days[order]
    de, zone, rain = flat[:, last], last % width, ground.bare_rain.ravel()
    tew, slope = ground.tew[zone], ground.slope_mm[zone]
    going = np.searchsorted(-days, -np.arange(int(days.max(initial=0))), side="left")
    for k, n in enumerate(going.tolist(), 1):
        place = last[:n] + k * width
        de = bare_evening(
            de[:, :n], rain=rain[place], et0=ground.bare_et0[place // width], tew=tew[:n], slope_mm=slope[:n]
        )
        flat[:, place] = de
