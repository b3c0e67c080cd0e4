"""Salt in the root zone: what leaching asks for, and four quarters of soil water day by day (model M12)."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from scheduler.core.arrays import FloatArray, Mm
from scheduler.model import Crop, TextureGroup

LEACH_ABOVE = 0.1
MOST_LEACHING = 0.5
PASSED_ON: dict[TextureGroup, float] = {"coarse": 1.0, "medium": 1.0, "fine": 0.7}
"""Share of a surplus' salt that moves on with it (own choice)."""
DRAWN = (0.4, 0.3, 0.2, 0.1)
"""Share of the crop's use that each quarter gives."""


def leaching_requirement(water_ec: float | None, crop: Crop) -> float:
    """LR, a fraction, at most 0.5: ECw / (2 (a + 100 / slope)); 0 where it is 0.1 or less, or not known.

    Source: Keller and Bliesner 1990 for drip (from memory): twice the EC at which the yield is nothing.

    >>> bean = Crop("bean", 0.4, 1.1, 0.9, (20, 30, 30, 10), 0.2, 0.5, 0.45,
    ...             ec_threshold_ds_m=1.0, ec_slope_pct=19)
    >>> [round(leaching_requirement(ec, bean), 2) for ec in (None, 1.0, 2.0)]
    [0.0, 0.0, 0.16]
    """
    if water_ec is None or crop.ec_threshold_ds_m is None:
        return 0.0
    least = water_ec / (2 * (crop.ec_threshold_ds_m + 100 / crop.ec_slope_pct))
    return min(least, MOST_LEACHING) if least > LEACH_ABOVE else 0.0


def steady_ece(water_ec: float, leaching: float) -> float:
    """ECe, dS/m, at which salt stays once as much leaves as comes: a share `leaching` of all water drains.

    Source: FAO-29, Table 3 (from memory): each quarter holds what its drainage concentrates.

    >>> [round(steady_ece(1.0, share), 3) for share in (0.05, 0.15, 0.25)]
    [3.249, 1.591, 1.161]
    """
    drains = 1 - (1 - leaching) * np.cumsum(DRAWN)
    return float(water_ec + (water_ec / drains).sum()) / 10


@dataclass(slots=True)
class Quarters:
    """Water, mm, and salt, mm dS/m, of the four quarters, top first: (4, ...) arrays."""

    water: Mm
    salt: FloatArray

    @classmethod
    def full(cls, v_mm: Mm, concentration: FloatArray) -> Quarters:
        """At field capacity, each with its concentration, dS/m."""
        water = np.broadcast_to(v_mm, np.broadcast_shapes(np.shape(v_mm), (4, *np.shape(v_mm)))).copy()
        return cls(water, water * concentration)

    def enter(self, mm: Mm, ec: Mm | float, *, v_mm: Mm, passed_on: Mm | float) -> None:
        """Water from above through all four: mixed, and what a quarter cannot hold goes on."""
        salt = mm * ec
        for k in range(4):
            water, mixed = self.water[k] + mm, self.salt[k] + salt
            mm = np.maximum(water - v_mm, 0)
            salt = mm * mixed / np.where(water > 0, water, 1.0) * passed_on
            self.water[k], self.salt[k] = water - mm, mixed - salt

    def draw(self, mm: Mm, *, least_mm: Mm) -> None:
        """The crop's use, without salt; what a quarter cannot give is asked of the next below."""
        lacking: Mm | float = 0.0
        for k, share in enumerate(DRAWN):
            wanted = share * mm + lacking
            got = np.minimum(wanted, np.maximum(self.water[k] - least_mm, 0))
            self.water[k] = self.water[k] - got
            lacking = wanted - got

    def ece(self, water_ec: float, v_mm: Mm) -> FloatArray:
        """ECe, dS/m: mean of the water given and the quarters, halved (FAO-29, from memory).

        >>> round(float(Quarters.full(np.array(15.0), np.array(2.0)).ece(1.2, np.array(15.0))), 2)
        0.92
        """
        return np.asarray((water_ec + (self.salt / v_mm).sum(axis=0)) / 10)
