"""Soil readings on record, as the balance takes them."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from datetime import datetime
from functools import cache
from zoneinfo import ZoneInfo

from scheduler import tables
from scheduler.core.arrays import FloatArray
from scheduler.core.balance.terms import Terms
from scheduler.core.uncertainty.retention import Curve
from scheduler.core.uncertainty.soil_readings import Filter, Measured, Reading, impossible, measured
from scheduler.model import Applied, Garden, Note, Soil
from scheduler.planning.facts import Facts


@cache
def curve_of(soil: Soil) -> tuple[str, Curve]:
    """The texture and its retention curve; own figures take the texture of the nearest water contents."""
    curves = tables.retention()
    name = soil.name
    if name not in curves:
        name = min(
            curves,
            key=lambda n: (
                abs(tables.soils()[n].theta_fc - soil.theta_fc)
                + abs(tables.soils()[n].theta_wp - soil.theta_wp)
            ),
        )
    return name, Curve(**curves[name])


def soil_filter(garden: Garden, facts: Facts, laid_out: Terms, today: int) -> Filter | None:
    """None without readings: then nothing of the balance is touched."""
    found = readings_of(facts, ZoneInfo(garden.location.timezone), today)
    if not found:
        return None
    depth = laid_out.spread(laid_out.flat.root_depth)
    return Filter(found, _measure(facts, laid_out, depth), laid_out.taw)


def _measure(
    facts: Facts, laid_out: Terms, depth: FloatArray
) -> Callable[[Reading], tuple[Measured | None, str | None]]:
    def measure(reading: Reading) -> tuple[Measured | None, str | None]:
        if laid_out.stand[reading.day, reading.zone] < 0:
            return None, "no crop stands there"
        why = impossible(reading, float(depth[reading.day, reading.zone]))
        if why:
            return None, why
        soil = facts.zones[reading.zone].soil
        taw = float(laid_out.taw[reading.day, reading.zone])
        made = measured(
            reading, curve=curve_of(soil)[1], theta_fc=soil.theta_fc, theta_wp=soil.theta_wp, taw=taw
        )
        return made, None

    return measure


def readings_of(facts: Facts, site: ZoneInfo, today: int) -> list[Reading]:
    """Readings in order of time, up to this noon; of each zone and half day the last counts."""
    index = {zone.name: z for z, zone in enumerate(facts.zones)}
    last: dict[tuple[int, int, bool], tuple[datetime, Reading]] = {}
    for note in facts.notes:
        if note.kind != "soil" or note.zone not in index:
            continue
        at = datetime.fromisoformat(str(note.details["at"])).astimezone(site)
        day, z, evening = (at.date() - facts.start).days, index[note.zone], at.hour >= 12
        if not 0 <= day <= today or (day == today and evening):
            continue
        key = (day, z, evening)
        if key not in last or at >= last[key][0]:
            last[key] = at, _reading(note, z, day, evening, at, facts.applied)
    return [reading for _, (_, reading) in sorted(last.items(), key=lambda item: item[0])]


def _reading(
    note: Note, z: int, day: int, evening: bool, at: datetime, applied: Sequence[Applied]
) -> Reading:
    details = note.details
    kpa, theta = details.get("tension_kpa"), details.get("theta")
    amount = f"{kpa:g} cb" if kpa is not None else f"{theta:g} m3/m3"
    before = [
        a.net_mm
        for a in applied
        if a.zone == note.zone and a.day == at.date() and a.closed_at is not None and a.closed_at <= at
    ]
    return Reading(
        zone=z,
        day=day,
        evening=evening,
        label=f"{amount} on {at:%Y-%m-%d %H:%M}",
        tension_kpa=kpa,
        theta=theta,
        depth_m=details.get("depth_m"),
        instrument=details.get("instrument", "tensiometer"),
        watered_mm=0.0 if evening else sum(before),
    )
