"""How many pulses a run is split into, so that no one gives more than the strip holds (model M7)."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from scheduler.core.arrays import BoolArray, FloatArray, IntArray, Minutes, Mm
from scheduler.core.balance.curves import held_mm_per_m
from scheduler.core.balance.need import Need
from scheduler.core.balance.short_use import asked
from scheduler.core.balance.soil import Balance
from scheduler.core.balance.terms import Terms
from scheduler.core.pulsing import LEAST_PULSE_MINUTES, MOST_PULSES, Pulsing
from scheduler.model import Soil, TextureGroup, Zone

FILLED_SHARE, FILLED_DEPTH_M = 0.5, 0.30
PULSE_REST_MINUTES: dict[TextureGroup, float] = {"coarse": 120.0, "medium": 60.0, "fine": 60.0}
"""Own choices."""


def pulse_rest(zone: Zone) -> float:
    """Minutes between two pulses: the grower's, else by the soil."""
    own = zone.pulse_rest_minutes
    return PULSE_REST_MINUTES[zone.soil.texture_group] if own is None else own


def most_of_one_pulse(soil: Soil, root_depth_m: FloatArray | float, wetted: FloatArray | float) -> Mm:
    """Net mm that one pulse gives at most: half of what the strip holds down to the roots, or 0.30 m.

    root_depth_m, wetted (Pw) broadcast.

    >>> loam = Soil("loam", 0.25, 0.12)
    >>> round(float(most_of_one_pulse(loam, 0.6, 0.4)), 3)
    7.8
    """
    return np.asarray(FILLED_SHARE * held_mm_per_m(soil) * np.minimum(root_depth_m, FILLED_DEPTH_M) * wetted)


def pulses_of_run(
    net: Mm, *, most: Mm, minutes: Minutes, least: FloatArray | float, longest: Minutes
) -> IntArray:
    """Pulses of each run, 0 without one.

    All arguments broadcast.  net: mm booked; most: mm of one pulse; least: pulses that stress within the day
    or a seedbed ask for; longest: the grower's longest pulse, inf where none: it decides alone.

    >>> pulses_of_run(np.array([11.0, 11.0, 2.0, 0.0]), most=np.full(4, 4.0),
    ...               minutes=np.array([90, 12, 30, 0.0]),
    ...               least=1.0, longest=np.array([np.inf, np.inf, 20.0, np.inf])).tolist()
    [3, 2, 2, 0]
    """
    by_strip = np.maximum(np.ceil(net / most - 1e-12), least)
    few = np.minimum(np.minimum(by_strip, MOST_PULSES), minutes // LEAST_PULSE_MINUTES)
    count = np.where(np.isfinite(longest), np.ceil(minutes / longest), np.maximum(few, 1))
    return np.where(minutes > 0, count, 0).astype(np.int64)


def strip_caps(zones: Sequence[Zone], terms: Terms, days: slice = slice(None)) -> Mm:
    """(day, zone) mm net that one pulse gives at most; inf where nothing stands.

    TAW is what the strip holds down to the roots, so half of it, or of 0.30 m: `most_of_one_pulse`.
    """
    stand = terms.stand[days]
    deep = [held_mm_per_m(zones[s.zone].soil) * FILLED_DEPTH_M * s.wetted for s in terms.stands]
    held = np.minimum(terms.taw[days], np.array([*deep, np.inf])[stand])
    return np.where(stand >= 0, FILLED_SHARE * held, np.inf)


def splits(
    zones: Sequence[Zone], terms: Terms, days: slice, minutes_per_mm: FloatArray, need: Need
) -> tuple[Minutes, FloatArray]:
    """(day, zone) minutes of one pulse by the strip, the line full, and pulses asked for whatever the run.

    Inf and 1 where the grower's longest pulse decides alone.  minutes_per_mm: (day, zone), of net; need: of
    the first day, whose waterings of seedbeds count.  A run to be fed has pulses of twice the shortest run
    for it at least: none of even parts is then shorter than that.
    """
    own = np.array([z.longest_pulse_minutes is not None for z in zones], dtype=bool)
    strip = strip_caps(zones, terms, days) * minutes_per_mm
    least = least_pulses(terms.etc[days], terms.raw[days], 1.0)
    least[:1] = np.where(need.feed_minutes > 0, 1.0, np.maximum(least[:1], need.waterings))
    strip[:1] = np.maximum(strip[:1], 2 * need.feed_minutes)
    return np.where(own, np.inf, strip), np.where(own, 1.0, least)


def pulsing(
    zones: Sequence[Zone], strip_minutes: Minutes, least: FloatArray, firm: BoolArray
) -> list[Pulsing]:
    """How each zone's run of one day is split; (zone,) arrays, the first two those of `splits`."""
    return [
        Pulsing(
            longest=np.inf if zone.longest_pulse_minutes is None else zone.longest_pulse_minutes,
            holds=float(strip_minutes[z]), fill=zone.fill_time_minutes, least=int(least[z]),
            rest=pulse_rest(zone), firm=bool(firm[z]),
        )
        for z, zone in enumerate(zones)
    ]  # fmt: skip


def least_pulses(etc: Mm, raw: Mm, waterings: FloatArray | float) -> FloatArray:
    """(day, zone) pulses that the day's use against RAW, or a seedbed, asks for; etc: mm before any cut.

    >>> least_pulses(np.array([6.0, 6.0]), np.array([2.5, 9.0]), 2.0).tolist()
    [3.0, 2.0]
    """
    return np.maximum(np.ceil(etc / raw - 1e-12), waterings)


def pulses(zones: Sequence[Zone], terms: Terms, balance: Balance) -> IntArray:
    """(day, zone) pulses of what the balance gave."""
    apart = balance.apart
    waterings = 0.0 if apart is None else apart.waterings
    longest = np.array(
        [np.inf if z.longest_pulse_minutes is None else z.longest_pulse_minutes for z in zones]
    )
    return pulses_of_run(
        balance.irrigation, most=strip_caps(zones, terms), minutes=balance.minutes,
        least=least_pulses(asked(terms, balance), terms.raw, waterings), longest=longest,
    )  # fmt: skip
