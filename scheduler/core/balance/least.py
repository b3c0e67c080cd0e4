"""What a morning gives a young planting at least, whatever the root zone's deficit (model M10)."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np

from scheduler.core.arrays import FloatArray, Minutes, Mm, Share
from scheduler.core.balance.surface import BARE_KC, LEAST_KCB, reduction


class Seedbed(NamedTuple):
    """(zone,) of one morning; 0 where no sown row waits, or the soil over it will stay moist today."""

    net: Mm  # what refills the layer over the seed
    minutes: Minutes  # until the soil over the seed is dark
    waterings: FloatArray  # in how many the day's water is best given
    sprinkle: Mm  # mm to sprinkle over the seed rows, where the tape cannot wet them


def seedbed(
    de: Mm,
    *,
    dryness: Mm,
    et0: Mm,
    tew: Mm,
    slope_mm: Mm,
    wetted: Share,
    band: Share,
    surface_run: Minutes,
) -> Seedbed:
    """What sown rows want, from the layer over them as the night left it.

    All arguments (zone,).  de: mm missing from the top 0.10 m over the tape; dryness: most that it may lack
    by tonight, nan where nothing waits to come up; et0: of the day, mm; slope_mm: TEW - REW; wetted: Pw;
    band: share of the ground that the tape wets on top, 0 where water does not rise so far;
    surface_run: minutes.
    Sources: FAO-56 eq 74 on bare ground; the rule itself is the project's own choice.

    >>> one = np.ones(1)
    >>> loam = {"tew": 19 * one, "slope_mm": 10 * one, "et0": 5 * one, "wetted": 0.4 * one, "band": 0.2 * one}
    >>> want = seedbed(8 * one, dryness=4.5 * one, surface_run=30 * one, **loam)
    >>> [round(float(x[0]), 2) for x in want]
    [3.2, 30.0, 2.0, 0.0]
    """
    waiting = ~np.isnan(dryness)
    most = np.where(waiting, dryness, np.inf)
    loss = reduction(de, tew, slope_mm) * (BARE_KC - LEAST_KCB) * et0
    due = de + loss > most
    by_tape = due & (band > 0)
    return Seedbed(
        net=np.where(by_tape, wetted * de, 0.0),
        minutes=np.where(by_tape, surface_run, 0.0),
        waterings=np.where(by_tape, np.ceil(loss / most), 0.0),
        sprinkle=np.where(due & ~by_tape, de, 0.0),
    )


def planting_net(deficit: Mm, de: Mm | float, wetted: Share) -> Mm:
    """mm net on the day transplants are set: the whole deficit, or what refills the layer over the tape.

    All arguments (zone,); de: 0 where the layer is not known of.

    >>> planting_net(np.array([6.0, 6.0]), np.array([10.0, 19.0]), np.array([0.5, 0.5])).tolist()
    [6.0, 9.5]
    """
    return np.maximum(deficit, wetted * de)
