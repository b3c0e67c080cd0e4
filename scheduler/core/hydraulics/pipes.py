"""Friction of water in a round pipe: Darcy-Weisbach, with EPANET's friction factor.

Water is at 20 degC. Pressures in kPa, flows in L/min, lengths and diameters in m; every function broadcasts.
"""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
from numpy.typing import ArrayLike

from scheduler.core.arrays import FloatArray, Kilopascal

VISCOSITY_M2_S = 1.0219e-6
"""Kinematic viscosity at 20 degC (EPANET 2.2 manual); at 10 degC it is 28 % higher."""
KPA_PER_M = 9.80665
"""Pressure of one metre of water, density 1000 kg/m3 and standard gravity (2.30666 ft per psi)."""
SMOOTH_M = 1.5e-6
"""Roughness of drawn or extruded plastic, 0.0015 mm (EPANET 2.2 manual, table of roughness)."""
LAMINAR_BELOW, TURBULENT_ABOVE = 2000.0, 4000.0

Loss = Callable[[FloatArray], Kilopascal]
"""Flow (L/min, not negative) -> pressure lost along the length that the law was made for (kPa)."""
FrictionLaw = Callable[[FloatArray, FloatArray, FloatArray], Loss]
"""(inside diameter m, roughness m, length m) -> Loss."""

_TINY = 1e-300
_M3_S = 1 / 60000  # of one L/min


def velocity(flow_lpm: ArrayLike, diameter_m: ArrayLike) -> FloatArray:
    """Mean velocity in a full pipe, m/s: v = Q / A.

    flow_lpm in L/min, inside diameter_m in m; broadcasts.

    >>> round(float(velocity(3.785411784, 0.625 * 0.0254)), 3)  # 1 gpm in 5/8 in: 1.05 ft/s
    0.319
    """
    return np.asarray(flow_lpm, dtype=np.float64) * _M3_S * 4 / (np.pi * np.square(diameter_m))


def flow_at_velocity(velocity_m_s: ArrayLike, diameter_m: ArrayLike) -> FloatArray:
    """L/min that run through a full pipe at a mean velocity, as at the open end of a tape being flushed.

    Q = v A, the inverse of `velocity`; velocity in m/s, inside diameter in m; broadcasts.

    >>> round(float(flow_at_velocity(0.3048, 0.625 * 0.0254)), 2)  # 1 ft/s in 5/8 in: gpm = 2.448 d^2 v
    3.62
    """
    return np.asarray(velocity_m_s, dtype=np.float64) * np.pi * np.square(diameter_m) / (4 * _M3_S)


def velocity_pressure(flow_lpm: ArrayLike, diameter_m: ArrayLike) -> Kilopascal:
    """v^2 / 2g as a pressure, kPa: what one unit of a minor loss coefficient K costs (water of 1000 kg/m3).

    >>> round(float(velocity_pressure(3.785411784, 0.0127)), 3)  # half of (0.498 m/s)^2
    0.124
    """
    return np.square(velocity(flow_lpm, diameter_m)) / 2


def reynolds_number(flow_lpm: ArrayLike, diameter_m: ArrayLike) -> FloatArray:
    """Re = v d / viscosity, at 20 degC; flow in L/min, inside diameter in m; broadcasts.

    >>> round(float(reynolds_number(1.0, 0.016)))
    1298
    """
    return velocity(flow_lpm, diameter_m) * np.asarray(diameter_m, dtype=np.float64) / VISCOSITY_M2_S


def friction_factor(reynolds: ArrayLike, relative_roughness: ArrayLike = 0.0) -> FloatArray:
    """Darcy friction factor f of a round pipe, loss = f (L/d) v^2 / 2g.

    64/Re up to Re 2000 (Hagen-Poiseuille); from Re 4000 on Swamee and Jain (1976, J. Hydraul. Div. ASCE 102,
    p. 657), f = 0.25 / log10(e/3.7d + 5.74/Re^0.9)^2; between the two Dunlop's (1991) cubic as in the EPANET
    2.2 manual, which meets both in value and slope.  Swamee and Jain name about 1 % against Colebrook for Re
    5e3..1e8 and e/d 1e-6..1e-2; measured: 1.3 % in pipes as smooth as tape (e/d to 2e-4), 2.8 % at the rough
    corner, and 1.7 % and 3.1 % from Re 4000.  At Re = 0 the factor is without bound; a very large finite
    number is returned.

    >>> [round(float(f), 5) for f in friction_factor([1000, 2000, 3000, 4000, 1e5])]
    [0.064, 0.032, 0.03307, 0.04055, 0.01786]
    """
    re = np.asarray(reynolds, dtype=np.float64)
    if np.any(re < 0):
        raise ValueError("a Reynolds number is not negative")
    share = np.asarray(relative_roughness, dtype=np.float64) / 3.7
    passage = _passage(share)
    curved = np.where(re < TURBULENT_ABOVE, _cubic(re, passage), _swamee_jain(re, share))
    return np.where(re <= LAMINAR_BELOW, 64 / np.maximum(re, _TINY), curved)


def darcy_weisbach(diameter_m: FloatArray, roughness_m: FloatArray, length_m: FloatArray) -> Loss:
    """The law of friction used here: flow (L/min) -> kPa lost over `length_m`, with `friction_factor`.

    The parts that depend on the pipe alone are worked out once: a march calls the result for every emitter.

    1 L/min through 10 m of 16 mm tape is laminar: Hagen-Poiseuille, 128 x viscosity x L Q / (pi d^4):

    >>> loss = darcy_weisbach(np.array([0.016]), np.array([0.0]), np.array([10.0]))
    >>> poiseuille_kpa = 128 * VISCOSITY_M2_S * 10.0 * (1 / 60_000) / (np.pi * 0.016**4)
    >>> round(float(loss(np.array([1.0]))[0]), 4), round(poiseuille_kpa, 4)
    (0.1059, 0.1059)
    """
    diameter, length = np.asarray(diameter_m, dtype=np.float64), np.asarray(length_m, dtype=np.float64)
    share = np.asarray(roughness_m, dtype=np.float64) / diameter / 3.7
    passage = _passage(share)
    re_per_lpm = reynolds_number(1.0, diameter)
    kpa_per_f_lpm2 = length / diameter * velocity_pressure(1.0, diameter)
    kpa_per_lpm = 64 * kpa_per_f_lpm2 / re_per_lpm  # laminar flow: in proportion, so nothing is divided by 0

    def loss(flow_lpm: FloatArray) -> Kilopascal:
        re = flow_lpm * re_per_lpm
        laminar: FloatArray = flow_lpm * kpa_per_lpm
        swiftest = re.max(initial=0.0)
        if swiftest <= LAMINAR_BELOW:  # so in most of a garden's rows, and several times quicker
            return laminar
        factor = _cubic(re, passage)
        if swiftest > TURBULENT_ABOVE:
            factor = np.where(re < TURBULENT_ABOVE, factor, _swamee_jain(re, share))
        return np.where(re <= LAMINAR_BELOW, laminar, factor * flow_lpm * flow_lpm * kpa_per_f_lpm2)

    return loss


def _swamee_jain(re: FloatArray, share: FloatArray) -> FloatArray:
    """share: relative roughness / 3.7.  Below Re 2000, where nobody reads the result, held at Re 2000."""
    held = np.maximum(re, LAMINAR_BELOW)
    log = np.log(share + 5.74 / held**0.9)
    return np.asarray((0.25 * np.log(10) ** 2) / (log * log))


def _passage(share: FloatArray) -> tuple[FloatArray, FloatArray, FloatArray, FloatArray]:
    """x1..x4 of f = x1 + r (x2 + r (x3 + r x4)), r = Re/2000 (EPANET 2.2 manual, section 12.1)."""
    y2 = share + 5.74 / TURBULENT_ABOVE**0.9
    y3 = -2 / np.log(10) * np.log(y2)  # 1 / sqrt(f) at Re 4000
    fa = y3**-2
    # Re df/dRe at 4000 = -1.8 * (2 / ln 10) * 5.74 / 4000^0.9 / (y2 y3) * fa
    fb = fa * (2 - (1.8 * 2 / np.log(10)) * 5.74 / TURBULENT_ABOVE**0.9 / (y2 * y3))
    return 7 * fa - fb, 0.128 - 17 * fa + 2.5 * fb, -0.128 + 13 * fa - 2 * fb, 0.032 - 3 * fa + 0.5 * fb


def _cubic(re: FloatArray, passage: tuple[FloatArray, FloatArray, FloatArray, FloatArray]) -> FloatArray:
    x1, x2, x3, x4 = passage
    r = re / LAMINAR_BELOW
    return x1 + r * (x2 + r * (x3 + r * x4))
