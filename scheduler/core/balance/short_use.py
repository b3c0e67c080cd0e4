"""Stress that comes on inside a day: what a crop uses less of, though its morning was fine (model M5).

Eq 84 of FAO-56 holds at every moment; its exact integral over a day of even use says what the daily Ks of
the morning leaves out.
"""

from __future__ import annotations

import numpy as np

from scheduler.core.arrays import BoolArray, Mm
from scheduler.core.balance.soil import Balance
from scheduler.core.balance.terms import Terms


def used_within_day(deficit: Mm, etc: Mm, *, taw: Mm, raw: Mm) -> Mm:
    """F: mm used of `etc` on a day that begins with this deficit, after the morning's water.

    All arguments broadcast, mm.  Up to RAW all of it; from there on the use falls with what is left in the
    soil, dD/dt = etc (TAW - D) / (TAW - RAW).  Source: FAO-56 eq 84, integrated.

    >>> used = used_within_day(np.array([2.0, 8, 14]), np.full(3, 6.0), taw=np.full(3, 20.0),
    ...                        raw=np.full(3, 10.0))
    >>> used.round(3).tolist()
    [6.0, 5.297, 2.707]
    """
    span = taw - raw
    fine = np.maximum(raw - deficit, 0)
    late = np.maximum(taw - np.maximum(deficit, raw), 0) * -np.expm1(-np.maximum(etc - fine, 0) / span)
    return np.asarray(np.minimum(etc, fine) + late)


def short_use(terms: Terms, balance: Balance) -> Mm:
    """(day, zone) mm that the crop used less than it wanted; 0 in gaps and while a crop is dried off."""
    etc = asked(terms, balance)
    dawn = np.maximum(balance.deficit_start - balance.irrigation, 0)
    used = used_within_day(dawn, etc, taw=terms.taw, raw=terms.raw)
    share = np.divide(used, etc, out=np.ones_like(etc), where=etc > 0)
    short = terms.use * np.maximum(1 - share, 0)
    drying = terms.sowing.drying
    if drying is not None:
        short[terms.spread(drying.astype(np.float64)) > 0] = 0.0
    return np.asarray(short)


def asked(terms: Terms, balance: Balance) -> Mm:
    """(day, zone) mm of ETc before any cut: Kc ET0, or (Kcb + Ke_i + S Ke_p) ET0."""
    apart = balance.apart
    if terms.ground is None or apart is None:
        return terms.etc
    return np.asarray(apart.kc * terms.spread(terms.flat.et0))


def stressed(terms: Terms, balance: Balance) -> BoolArray:
    """(day, zone), True where a standing crop was short of water (Ks < 1, eq 84); drying off is no shortage.

    >>> from datetime import date
    >>> import numpy as np
    >>> from scheduler.core.balance.rule import RefillRule
    >>> from scheduler.core.balance.soil import run
    >>> from scheduler.core.balance.terms import terms
    >>> from scheduler.model import Crop, Location, Planting, Rows, Soil, Supply, Tape, Valve, Zone
    >>> crop = Crop("x", 1, 1, 1, (9, 9, 9, 9), root_start_m=0.5, root_full_m=0.5, depletion=0.45)
    >>> bed = Zone("bed", Tape("thin", 0.05), Soil("loam", 0.25, 0.12), None,
    ...            (Planting(crop, date(2024, 6, 1), None, Rows(4, 20, 0.6)),), Valve("by_hand", "x"), 0.6)
    >>> days = terms((bed,), date(2024, 6, 1), np.full(3, 6.0), np.zeros(3),
    ...              location=Location(35.6, -82.4, 650.0, "UTC"), supply=Supply(30.0))
    >>> dry = run(days, starting_deficit=np.array([22.0]), rule=RefillRule.of((bed,)),
    ...           given=np.zeros((3, 1)), decide_from=3)
    >>> dry.ks[:, 0].round(2).tolist(), stressed(days, dry)[:, 0].tolist()
    ([1.0, 0.96, 0.81], [False, True, True])
    """
    drying = terms.sowing.drying
    short = terms.standing & (balance.ks < 1)
    return np.asarray(short if drying is None else short & (terms.spread(drying.astype(np.float64)) == 0))
