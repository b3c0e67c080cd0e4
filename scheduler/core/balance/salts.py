"""What the salt balance needs of each planting that stands (model M12)."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from scheduler.core.arrays import FloatArray, IntArray, Mm, Share
from scheduler.core.balance.salt import PASSED_ON, leaching_requirement
from scheduler.core.balance.stands import Stand
from scheduler.model import Planting, Zone


def quarter_mm(zone: Zone, planting: Planting, wetted: float) -> float:
    """V: water that a quarter of the full root depth holds at field capacity, mm of planted area."""
    return 1000 * zone.soil.theta_fc * planting.crop.root_full_m / 4 * wetted


@dataclass(frozen=True, slots=True)
class Salts:
    """What the salt balance needs of each stand, (stand,) arrays."""

    water_ec: float  # dS/m
    v_mm: Mm  # of a quarter at field capacity
    least_mm: Mm  # that a quarter keeps
    passed_on: FloatArray
    first: FloatArray  # concentration of a soil that nobody has watered yet, dS/m
    threshold: FloatArray  # ECe up to which the yield is full; inf where not known
    leaching: FloatArray  # LR

    def in_force(self, ece: FloatArray, stand: IntArray) -> Share:
        """LR of a morning on which the strips of these stands have this ECe, dS/m: 0 up to the threshold."""
        return np.where(ece > self.threshold[stand], self.leaching[stand], 0.0)


def salts(zones: Sequence[Zone], found: Sequence[Stand], water_ec: float | None) -> Salts | None:
    """Of all stands; None where the salinity of the water is not given."""
    if water_ec is None:
        return None
    of = [zones[s.zone] for s in found]
    v = np.array([quarter_mm(z, s.planting, s.wetted) for z, s in zip(of, found, strict=True)])
    ratio = np.array([z.soil.theta_wp / z.soil.theta_fc for z in of])
    limits = [s.planting.crop.ec_threshold_ds_m for s in found]
    return Salts(
        water_ec=water_ec,
        v_mm=v,
        least_mm=v * ratio,
        passed_on=np.array([PASSED_ON[z.soil.texture_group] for z in of]),
        first=np.array([2 * z.soil_ec_ds_m for z in of]),
        threshold=np.array([np.inf if a is None else a for a in limits]),
        leaching=np.array([leaching_requirement(water_ec, s.planting.crop) for s in found]),
    )
