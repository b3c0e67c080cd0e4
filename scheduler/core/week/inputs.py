"""A week for the planner out of the terms of the balance and this morning's need."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from scheduler.core.arrays import BoolArray, FloatArray, Minutes, Mm, Share
from scheduler.core.balance.need import Need
from scheduler.core.balance.pulses import pulse_rest, splits
from scheduler.core.balance.surface import BARE_KC, LEAST_KCB
from scheduler.core.balance.terms import BARE_TAW_MM, Terms
from scheduler.core.hours.rules import PeriodCap
from scheduler.core.week.problem import DAYS, Busy, Finish, Week
from scheduler.model import Zone

_DIGITS = 12  # far finer than any of them is known, and a run stays the whole minutes that it was


@dataclass(frozen=True, slots=True)
class SoilAhead:
    """What a morning knows of crops, rain and doubt beside the terms of the balance."""

    rain_chance: Share  # (day,) 0..1; nan where no source says: such rain is not counted on
    rain_so_far_mm: float = 0.0  # since midnight, of today's `rain_mm`
    rain_mm: Mm | None = None  # (day,) the rain in the terms
    held: BoolArray | None = None  # (day, zone) or (zone,)
    deficit_sd: Mm | None = None  # (zone,)
    etc_sd: Mm | None = None  # (day, zone)
    ky: FloatArray | None = None  # (day, zone) or (zone,); 1 where left out
    weight: FloatArray | None = None  # (day, zone), `core.week.loss.weights`; 1 where left out
    suffered_days: FloatArray | None = None  # (zone,) sum of 1 - Ks over the last SUFFERED_DAYS


@dataclass(frozen=True, slots=True)
class SupplyAhead:
    """What the supply can feed, and what else runs on it today."""

    usable_lpm: float
    caps: Sequence[PeriodCap] = ()
    apart: Sequence[Sequence[int]] = ()  # groups of zones of which no two run at one time
    busy: Sequence[Busy] = ()
    ready: Minutes | None = None  # (valve,) minute of today's hours before which a valve has to rest
    had: Minutes | None = None  # (zone,) minutes that ran today


@dataclass(frozen=True, slots=True)
class Calendar:
    """When water may run."""

    window: Minutes  # (day,) open minutes of the watering hours; 0 where no water is allowed
    earliest: float = 0.0  # minute of today's hours before which nothing starts
    finish: Finish = "late"
    closed: Sequence[tuple[tuple[float, float], ...]] = ()  # by day, as in `Week`


def week_of(
    zones: Sequence[Zone],
    terms: Terms,
    day: int,
    need: Need,
    soil: SoilAhead,
    supply: SupplyAhead,
    calendar: Calendar,
) -> Week:
    """The days from `day` of `terms` on: as many as both `terms` and the calendar cover, 7 at most.

    Arrays are (day, zone) unless `Week` says otherwise, mm, minutes and L/min; day 0 is index `day` of
    `terms`, zones keep their order, valves come in the order of their first zone.
    `need` gives today's deficit, RAW and trigger as the morning sees them (model M6).  Today's rain is the
    share that has yet to fall; rain without a probability is not counted on.
    Raises ValueError where an array does not fit the days and zones.
    """
    count = min(len(calendar.window), terms.etc.shape[0] - day, DAYS)
    keys = list(dict.fromkeys(zone.valve.key for zone in zones))
    found = _of_soil(zones, terms, slice(day, day + count), need, soil)
    ahead: dict[str, Any] = {name: alike(a) if a.dtype.kind == "f" else a for name, a in found.items()}
    return Week(
        zones=tuple(zone.name for zone in zones),
        valve=np.array([keys.index(zone.valve.key) for zone in zones], dtype=np.int64),
        **ahead,
        **_of_zones(zones, keys),
        window=np.asarray(calendar.window[:count], dtype=np.float64),
        earliest=calendar.earliest,
        finish=calendar.finish,
        closed=tuple(calendar.closed[:count]),
        usable_lpm=supply.usable_lpm,
        caps=tuple(supply.caps),
        apart=tuple(tuple(group) for group in supply.apart),
        busy=tuple(supply.busy),
        ready=supply.ready,
        had=supply.had,
    )


def alike(values: FloatArray) -> FloatArray:
    """The values to twelve digits: the same week whatever machine, Python or numpy computed it.

    Beyond that the last digits of a sum are each one's own, and of two plans as good as each other they
    would pick the one or the other.

    >>> alike(np.array([0.1 + 0.2, np.inf, 0.0])).tolist()
    [0.3, inf, 0.0]
    """
    text = [f"{value:.{_DIGITS}g}" for value in values.ravel().tolist()]
    return np.array([float(one) for one in text], dtype=np.float64).reshape(values.shape)


def _of_soil(
    zones: Sequence[Zone], terms: Terms, ahead: slice, need: Need, soil: SoilAhead
) -> dict[str, Any]:
    shape = terms.etc[ahead].shape
    flow = np.array([*(s.delivery.flow_lpm for s in terms.stands), 0.0])
    chance = np.nan_to_num(np.asarray(soil.rain_chance[: shape[0]], dtype=np.float64), nan=0.0)
    raw, trigger = _thresholds(terms, ahead, need)
    per_mm = _minutes_per_mm(terms, ahead, need)
    strip_minutes, least_pulses = splits(zones, terms, ahead, per_mm, need)
    return {
        "deficit": need.deficit_now.copy(),
        "deficit_sd": np.zeros(shape[1]) if soil.deficit_sd is None else soil.deficit_sd,
        "standing": terms.standing[ahead],
        "begins": _begins(terms, ahead, shape),
        "taw": terms.taw[ahead],
        "raw": raw,
        "trigger": trigger,
        "etc": terms.etc[ahead],
        "evaporation": np.maximum(terms.etc[ahead] - terms.use[ahead], 0.0),
        "etc_sd": _table(soil.etc_sd, 0.0, shape),
        "rain_eff": _rain_to_come(terms, ahead, soil),
        "rain_chance": np.tile(chance[:, None], (1, shape[1])),
        "net_per_minute": 1 / per_mm,
        "flow_lpm": flow[terms.stand[ahead]],
        "ky": _table(soil.ky, 1.0, shape),
        "weight": _table(soil.weight, 1.0, shape),
        "settle": _least_minutes(terms, ahead, need),
        "strip_minutes": strip_minutes,
        "least_pulses": least_pulses,
        "held": _held(zones, terms, ahead, soil),
    }


def _held(zones: Sequence[Zone], terms: Terms, ahead: slice, soil: SoilAhead) -> BoolArray:
    """(day, zone) Kept dry by the grower, or drying off with every other crop of its valve (model M13)."""
    standing = terms.standing[ahead]
    held: BoolArray = np.zeros(standing.shape, dtype=bool)
    if soil.held is not None:
        held = np.broadcast_to(soil.held, standing.shape).copy()
    if terms.sowing.dry is None:
        return held
    dry = terms.spread(terms.sowing.dry.astype(np.float64))[ahead] > 0
    for key in {zone.valve.key for zone in zones}:
        mine = [z for z, zone in enumerate(zones) if zone.valve.key == key]
        held[:, mine] |= dry[:, mine] & (dry[:, mine] | ~standing[:, mine]).all(axis=1, keepdims=True)
    return held


def _table(values: FloatArray | None, elsewhere: float, shape: tuple[int, ...]) -> FloatArray:
    filled = np.full(shape, elsewhere) if values is None else np.broadcast_to(values, shape)
    return np.array(filled, dtype=np.float64)


def _thresholds(terms: Terms, ahead: slice, need: Need) -> tuple[Mm, Mm]:
    """RAW and trigger, those of today as the morning decides by them."""
    raw, trigger = terms.raw[ahead].copy(), terms.trigger[ahead].copy()
    raw[0] = np.where(np.isfinite(need.raw), need.raw, BARE_TAW_MM / 2)
    trigger[0] = np.where(terms.standing[ahead][0], need.trigger, np.inf)
    if terms.sowing.refilled is not None:  # on planting day whatever the trigger
        trigger[1:][terms.spread(terms.sowing.refilled.astype(np.float64))[ahead][1:] > 0] = 0.0
    return raw, trigger


def _minutes_per_mm(terms: Terms, ahead: slice, need: Need) -> FloatArray:
    """(day, zone) minutes of one mm net; where salt is washed out this morning, it goes on as long as
    the same crop stands.
    """
    stand = terms.stand[ahead]
    per_mm = terms.minutes_per_mm[ahead]
    return np.asarray(np.where(stand == stand[0], per_mm / (1 - need.leaching), per_mm))


def _begins(terms: Terms, ahead: slice, shape: tuple[int, ...]) -> BoolArray:
    begins = np.zeros(shape, dtype=bool)
    for begin, zone in terms.begins:
        if ahead.start < begin < ahead.stop:  # today's is already held to its TAW
            begins[begin - ahead.start, zone] = True
    return begins


def _rain_to_come(terms: Terms, ahead: slice, soil: SoilAhead) -> Mm:
    rain = terms.rain_eff[ahead].copy()
    if soil.rain_mm is not None and soil.rain_mm[0] > 0:
        rain[0] *= max(soil.rain_mm[0] - soil.rain_so_far_mm, 0.0) / soil.rain_mm[0]
    return rain


def _least_minutes(terms: Terms, ahead: slice, need: Need) -> Minutes:
    """(day, zone) whole runs that young plantings get at least (model M10): today's as the morning has them.

    On later days settling runs, and a seedbed's where the layer over the seed would be too dry.
    """
    least = np.zeros(terms.etc[ahead].shape) if terms.settle is None else terms.settle[ahead].copy()
    least[0] = np.where(need.least_net > 0, need.minutes, need.least_minutes)
    sow, ground = terms.sowing, terms.ground
    if sow.dryness is None or sow.surface_run is None or ground is None:
        return least
    run = np.where(ground.band > 0, sow.surface_run, 0.0)
    if sow.dry is not None:
        run = np.where(sow.dry, 0.0, run)
    runs, dryness = terms.spread(run)[ahead], terms.spread(sow.dryness, np.nan)[ahead]
    loss = terms.spread((BARE_KC - LEAST_KCB) * terms.flat.et0)[ahead]
    lacks = np.nan_to_num(need.surface)
    for day in range(len(least)):  # the layer as bare and watered ground loses it: rather too dry
        due = (lacks + loss[day] > dryness[day]) & (runs[day] > 0)
        if day:
            least[day] = np.where(due, np.maximum(least[day], runs[day]), least[day])
        lacks = np.where(least[day] > 0, 0.0, lacks) + loss[day]
    return least


def _of_zones(zones: Sequence[Zone], keys: Sequence[str]) -> dict[str, Any]:
    """The grower's limits of each zone, and of each valve."""
    none = np.inf
    return {
        "fill": np.array([zone.fill_time_minutes for zone in zones]),
        "shortest": np.array([zone.shortest_run_minutes for zone in zones]),
        "longest": np.array([zone.longest_run_minutes or none for zone in zones], dtype=np.float64),
        "leave_room": np.array([zone.leave_room_mm for zone in zones]),
        "longest_pulse": np.array([zone.longest_pulse_minutes or none for zone in zones], dtype=np.float64),
        "pulse_rest": np.array([pulse_rest(zone) for zone in zones]),
        "valve_cap": np.array(
            [min(zone.valve.cap_minutes for zone in zones if zone.valve.key == key) for key in keys]
        ),
    }
