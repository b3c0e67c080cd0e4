"""What the salt balance needs of each planting that stands (model M12)."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from scheduler.core.arrays import BoolArray, FloatArray, IntArray, Mm, Share
from scheduler.core.balance.salt import PASSED_ON, Quarters
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
        leaching=np.array([s.leaching for s in found]),
    )


class SaltDays:
    """The quarters of all chains of days walked side by side, and what is kept of each (chain-day,)."""

    def __init__(self, salts: Salts, uniformity: FloatArray, chains: int, days: int) -> None:
        """uniformity: (stand,) EU: what it wastes leaches."""
        self.salts, self._uniformity = salts, uniformity
        self._quarters = Quarters(np.ones((4, chains)), np.zeros((4, chains)))
        self._v = np.ones(chains)
        self.leaching, self.ece, self.ece_start = (np.full(days, np.nan) for _ in range(3))

    def only(self, n: int) -> None:
        """The first n chains go on."""
        quarters = self._quarters
        quarters.water, quarters.salt, self._v = quarters.water[:, :n], quarters.salt[:, :n], self._v[:n]

    def begin(self, which: IntArray, stand: IntArray, anew: BoolArray) -> None:
        """Plantings that begin in some chains; anew: in soil that this tape has not watered."""
        kept = self._quarters.salt[:, which] / self._v[which]
        v = self.salts.v_mm[stand]
        self._quarters.water[:, which] = v
        self._quarters.salt[:, which] = np.where(anew, self.salts.first[stand], kept) * v
        self._v[which] = v

    def morning(self, here: slice, stand: IntArray, bare: BoolArray) -> Share:
        """LR of this morning, (chain,)."""
        ece = self._quarters.ece(self.salts.water_ec, self._v)
        self.ece_start[here] = np.where(bare, np.nan, ece)
        self.leaching[here] = np.where(bare, 0.0, self.salts.in_force(ece, stand))
        return self.leaching[here]

    def day(self, here: slice, stand: IntArray, bare: BoolArray, *, water: Mm, rain: Mm, eta: Mm) -> None:
        """The day's water in and out, mm; water: net, with the leaching of `morning`."""
        salts, quarters = self.salts, self._quarters
        passed, v = salts.passed_on[stand], self._v
        gross = np.where(bare, 0.0, water / (self._uniformity[stand] * (1 - self.leaching[here])))
        quarters.enter(gross, salts.water_ec, v_mm=v, passed_on=passed)
        quarters.enter(rain, 0.0, v_mm=v, passed_on=passed)
        quarters.draw(eta, least_mm=v * salts.least_mm[stand] / salts.v_mm[stand])
        self.ece[here] = quarters.ece(salts.water_ec, v)
