"""From a soil sensor's tension or water content to the root zone's deficit.

Source: van Genuchten (1980), Soil Sci. Soc. Am. J. 44, 892-898, eq 3 with m = 1 - 1/n.  Arrays of any shape.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from scheduler.core.arrays import FloatArray, Kilopascal, Share

CM_PER_KPA = 10.19716
"""Water column: 1 kPa = 1000 / (9.80665 x 1000) m (standard gravity, water of 1000 kg/m3)."""
WILTING_KPA = 1500.0
"""Permanent wilting point (the convention of FAO-56 chapter 8: 1.5 MPa)."""
FIELD_CAPACITY_KPA = 33.0
"""Only where the curve never holds theta_fc (FAO-56 chapter 8 names 0.1 bar coarse to 0.33 bar fine)."""


@dataclass(frozen=True, slots=True)
class Curve:
    """Water content against tension: van Genuchten's four parameters of a soil.

    theta_r, theta_s: residual and saturated water content, m3/m3; alpha: per cm of water column; n: no unit.
    """

    theta_r: float
    theta_s: float
    alpha_per_cm: float
    n: float

    def theta(self, tension_kpa: Kilopascal | np.float64) -> FloatArray:
        """Water content, m3/m3, at a tension of 0 or more.

        >>> loam = Curve(0.061, 0.399, 0.0111, 1.472)
        >>> float(loam.theta(np.float64(0.0)))
        0.399
        """
        wet = 1 + (self.alpha_per_cm * CM_PER_KPA * np.maximum(tension_kpa, 0)) ** self.n
        return np.asarray(self.theta_r + (self.theta_s - self.theta_r) * wet ** (1 / self.n - 1))

    def tension_kpa(self, theta: FloatArray | float) -> FloatArray:
        """The tension at which the curve holds theta; nan outside theta_r .. theta_s.

        >>> loam = Curve(0.061, 0.399, 0.0111, 1.472)
        >>> round(float(loam.tension_kpa(float(loam.theta(np.float64(20.0))))), 6)
        20.0
        """
        full = (np.asarray(theta, dtype=np.float64) - self.theta_r) / (self.theta_s - self.theta_r)
        inside = (full > 0) & (full <= 1)
        full = np.where(inside, full, 1.0)
        suction = (full ** (self.n / (1 - self.n)) - 1) ** (1 / self.n)
        return np.where(inside, suction / self.alpha_per_cm / CM_PER_KPA, np.nan)

    def field_capacity_kpa(self, theta_fc: float) -> float:
        """The tension that stands for field capacity: where the curve holds the soil's own theta_fc.

        >>> loam = Curve(0.061, 0.399, 0.0111, 1.472)
        >>> theta_fc = float(loam.theta(np.float64(20.0)))
        >>> round(loam.field_capacity_kpa(theta_fc), 6), loam.field_capacity_kpa(0.45)  # too wet: default
        (20.0, 33.0)
        """
        found = float(self.tension_kpa(theta_fc))
        return found if 0 < found < WILTING_KPA else FIELD_CAPACITY_KPA


def used_share(tension_kpa: Kilopascal | np.float64, curve: Curve, theta_fc: float) -> Share:
    """Share of TAW gone at a tension: 0 at field capacity, 1 at wilting point.

    The curve's own water contents are used for its shape only, scaled so that both its ends meet the soil's
    theta_fc and theta_wp: a deficit of used_share x TAW then lies on the scale of the balance.  Wetter than
    field capacity is below 0.

    >>> loam = Curve(0.061, 0.399, 0.0111, 1.472)
    >>> at_fc = loam.field_capacity_kpa(0.25)
    >>> np.abs(used_share(np.array([at_fc, WILTING_KPA]), loam, theta_fc=0.25)).round(6).tolist()
    [0.0, 1.0]
    """
    at_fc = float(curve.theta(np.float64(curve.field_capacity_kpa(theta_fc))))
    at_wp = float(curve.theta(np.float64(WILTING_KPA)))
    return np.asarray((at_fc - curve.theta(tension_kpa)) / (at_fc - at_wp))


def used_share_of_theta(theta: FloatArray | np.float64, theta_fc: float, theta_wp: float) -> Share:
    """Share of TAW gone at a water content, m3/m3: 0 at theta_fc, 1 at theta_wp (FAO-56 eq 82 turned round).

    >>> used_share_of_theta(np.array([0.25, 0.185, 0.12]), theta_fc=0.25, theta_wp=0.12).round(3).tolist()
    [0.0, 0.5, 1.0]
    """
    return np.asarray((theta_fc - theta) / (theta_fc - theta_wp))
