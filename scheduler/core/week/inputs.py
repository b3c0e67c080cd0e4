"""A week for the planner out of the terms of the balance and this morning's need."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from scheduler.core.arrays import BoolArray, FloatArray, Minutes, Mm, Share
from scheduler.core.balance.need import Need
from scheduler.core.balance.terms import BARE_TAW_MM, Terms
from scheduler.core.hours.rules import PeriodCap
from scheduler.core.week.problem import DAYS, Busy, Finish, Week
from scheduler.model import Zone


def week_of(
    zones: Sequence[Zone],
    terms: Terms,
    day: int,
    need: Need,
    *,
    window: Minutes,
    usable_lpm: float,
    rain_chance: Share,
    rain_so_far_mm: float = 0.0,
    rain_mm: Mm | None = None,
    given_today: BoolArray | None = None,
    held: BoolArray | None = None,
    deficit_sd: Mm | None = None,
    etc_sd: Mm | None = None,
    ky: FloatArray | None = None,
    caps: Sequence[PeriodCap] = (),
    apart: Sequence[Sequence[int]] = (),
    earliest: float = 0.0,
    ready: Minutes | None = None,
    busy: Sequence[Busy] = (),
    finish: Finish = "late",
) -> Week:
    """The days from `day` on, as many as `window` has and `terms` covers.

    window: (day,) minutes, 0 where no water is allowed.  rain_chance: (day,), nan where no source says: such
    rain is not counted on.  rain_so_far_mm, rain_mm (day,): what fell since midnight, of the rain in `terms`
    today.  given_today: (zone,) has had water this morning, so that no settling run is due.  ky: (day, zone)
    or (zone,), 1 where left out.  `need` gives today's deficit, RAW and trigger as the morning sees them.
    """
    count = min(len(window), terms.etc.shape[0] - day, DAYS)
    ahead = slice(day, day + count)
    shape = (count, len(zones))

    def table(values: FloatArray | None, elsewhere: float) -> FloatArray:
        filled = np.full(shape, elsewhere) if values is None else np.broadcast_to(values, shape)
        return np.array(filled, dtype=np.float64)

    standing = terms.standing[ahead]
    raw, trigger = terms.raw[ahead].copy(), terms.trigger[ahead].copy()
    raw[0] = np.where(np.isfinite(need.raw), need.raw, BARE_TAW_MM / 2)
    trigger[0] = np.where(standing[0], need.trigger, np.inf)
    rain = terms.rain_eff[ahead].copy()
    if rain_mm is not None and rain_mm[0] > 0:
        rain[0] *= max(rain_mm[0] - rain_so_far_mm, 0.0) / rain_mm[0]
    settle = np.zeros(shape) if terms.settle is None else terms.settle[ahead].copy()
    if given_today is not None:
        settle[0, given_today] = 0.0
    begins = np.zeros(shape, dtype=bool)
    for begin, zone in terms.begins:
        if day < begin < day + count:  # today's is already held to its TAW
            begins[begin - day, zone] = True
    keys = list(dict.fromkeys(zone.valve.key for zone in zones))
    flow = np.array([*(s.delivery.flow_lpm for s in terms.stands), 0.0])
    chance = np.nan_to_num(np.asarray(rain_chance[:count], dtype=np.float64), nan=0.0)
    none = np.inf
    return Week(
        zones=tuple(zone.name for zone in zones),
        valve=np.array([keys.index(zone.valve.key) for zone in zones], dtype=np.int64),
        deficit=need.deficit_now.copy(),
        deficit_sd=np.zeros(len(zones)) if deficit_sd is None else deficit_sd,
        standing=standing,
        begins=begins,
        taw=terms.taw[ahead],
        raw=raw,
        trigger=trigger,
        etc=terms.etc[ahead],
        etc_sd=table(etc_sd, 0.0),
        rain_eff=rain,
        rain_chance=np.tile(chance[:, None], (1, len(zones))),
        net_per_minute=1 / terms.minutes_per_mm[ahead],
        flow_lpm=flow[terms.stand[ahead]],
        ky=table(ky, 1.0),
        settle=settle,
        held=np.zeros(shape, dtype=bool) if held is None else np.broadcast_to(held, shape),
        fill=np.array([zone.fill_time_minutes for zone in zones]),
        shortest=np.array([zone.shortest_run_minutes for zone in zones]),
        longest=np.array([zone.longest_run_minutes or none for zone in zones], dtype=np.float64),
        leave_room=np.array([zone.leave_room_mm for zone in zones]),
        longest_pulse=np.array([zone.longest_pulse_minutes or none for zone in zones], dtype=np.float64),
        pulse_rest=np.array([zone.pulse_rest_minutes for zone in zones]),
        valve_cap=np.array(
            [min(zone.valve.cap_minutes for zone in zones if zone.valve.key == key) for key in keys]
        ),
        window=np.asarray(window[:count], dtype=np.float64),
        usable_lpm=usable_lpm,
        caps=tuple(caps),
        apart=tuple(tuple(group) for group in apart),
        earliest=earliest,
        ready=ready,
        busy=tuple(busy),
        finish=finish,
    )
