"""Weeks made up for the planner's tests, a checker written from the rules, and a search of every plan."""

from __future__ import annotations

import itertools
import math
from collections.abc import Iterator
from dataclasses import replace
from typing import Any

import numpy as np

from scheduler.core.week.problem import Week, WeekPlan

ALMOST = 1e-6


def week(zones: int, days: int = 7, *, valve: list[int] | None = None, **given: Any) -> Week:
    """A week of loam-like zones with everything plain; numbers and rows spread out to the right shape."""
    valve = list(range(zones)) if valve is None else valve
    settings: dict[str, Any] = {
        "standing": True, "begins": False, "taw": 40.0, "raw": 16.0, "trigger": 8.0, "etc": 4.0,
        "evaporation": 0.0, "etc_sd": 0.0,
        "rain_eff": 0.0, "rain_chance": 0.0, "net_per_minute": 0.1, "flow_lpm": 10.0, "ky": 1.0,
        "weight": 1.0, "settle": 0.0,
        "held": False, "deficit": 0.0, "deficit_sd": 0.0, "fill": 0.0, "shortest": 5.0, "longest": np.inf,
        "leave_room": 0.0, "longest_pulse": np.inf, "pulse_rest": 60.0,
        "strip_minutes": np.inf, "least_pulses": 1.0, "valve_cap": 360.0, "window": 360.0,
        "usable_lpm": 30.0,
    } | given  # fmt: skip
    by_day = ("standing", "begins", "taw", "raw", "trigger", "etc", "evaporation", "etc_sd", "rain_eff",
              "rain_chance", "net_per_minute", "flow_lpm", "ky", "weight", "settle", "held", "strip_minutes",
              "least_pulses")  # fmt: skip
    by_zone = ("deficit", "deficit_sd", "fill", "shortest", "longest", "leave_room", "longest_pulse",
               "pulse_rest")  # fmt: skip
    shapes = dict.fromkeys(by_day, (days, zones)) | dict.fromkeys(by_zone, (zones,))
    shapes |= {"valve_cap": (max(valve) + 1,), "window": (days,)}
    for name, shape in shapes.items():
        kind = bool if name in ("standing", "begins", "held") else np.float64
        settings[name] = np.broadcast_to(np.asarray(settings[name], dtype=kind), shape).copy()
    return Week(tuple(f"zone {k}" for k in range(zones)), np.array(valve, dtype=np.int64), **settings)


def random_week(rng: np.random.Generator, zones: int, days: int = 7, **given: Any) -> Week:
    """Anything a garden may be, with too little water about as often as enough."""
    valve = np.unique(
        np.maximum.accumulate(np.arange(zones) * (rng.random(zones) < 0.85)), return_inverse=True
    )[1]
    taw = rng.uniform(15, 70, zones)
    raw = taw * rng.uniform(0.3, 0.6, zones)
    etc = rng.uniform(1, 7, zones) * rng.uniform(0.6, 1.3, (days, 1))
    net, flow = rng.uniform(0.03, 0.3, zones), rng.uniform(2, 20, zones)
    window = np.where(rng.random(days) < 0.8, rng.choice([90.0, 180.0, 360.0]), 0.0)
    window[0] = 180.0
    use = float((flow / net * etc.mean(axis=0)).sum() / max(window.mean(), 1) * rng.uniform(0.4, 2.5))
    doubt = float(rng.choice([0.0, 1.0]))
    evaporates = rng.choice([0.0, 0.1, 0.7], zones)  # share of ETc that stress does not lower
    settings: dict[str, Any] = {
        "taw": taw, "raw": raw, "trigger": raw * rng.choice([0.3, 0.5, 0.8, 1.0], zones), "etc": etc,
        "evaporation": etc * evaporates,
        "etc_sd": doubt * rng.uniform(0, 1), "deficit_sd": doubt * rng.uniform(0, 3, zones),
        "deficit": raw * rng.uniform(0, 1.4, zones),
        "rain_eff": np.where(rng.random((days, 1)) < 0.3, rng.gamma(1, 8, (days, 1)), 0.0),
        "rain_chance": rng.random((days, 1)), "net_per_minute": net, "flow_lpm": flow,
        "ky": rng.choice([0.7, 0.85, 1.0, 1.25], zones), "weight": rng.choice([0.2, 1.0, 2.0], zones),
        "window": window,
        "usable_lpm": max(use, 0.5 * flow.max()),
        "settle": np.where(rng.random((days, zones)) < 0.05, 20.0, 0.0),
        "held": rng.random((days, zones)) < 0.03, "standing": rng.random((1, zones)) < 0.95,
        "fill": rng.choice([0.0, 0.0, 2.5], zones), "shortest": rng.choice([0.0, 5.0, 12.0], zones),
        "longest": rng.choice([np.inf, 45.0, 90.5], zones), "leave_room": rng.choice([0.0, 0.0, 3.0], zones),
        "longest_pulse": rng.choice([np.inf, np.inf, 20.0, 35.5], zones),
        "pulse_rest": rng.choice([0.0, 30.0], zones),
        "strip_minutes": rng.choice([np.inf, 12.0, 40.0], zones),
        "least_pulses": rng.choice([1.0, 1.0, 2.0], zones),
        "valve_cap": rng.choice([360.0, 100.5], int(valve.max()) + 1),
    }  # fmt: skip
    made = week(zones, days, valve=valve.tolist(), **(settings | given))
    if zones > 2 and valve[0] != valve[1] and rng.random() < 0.3:
        made = replace(made, apart=((0, 1),))
    if rng.random() < 0.3:
        made = replace(made, earliest=float(rng.choice([17.25, 60.0])))
    return made


def packed_week(zones: int, seed: int, *, spare_mm: float = 0.1) -> tuple[Week, np.ndarray]:
    """A week that the supply hardly serves, with (day, zone) minutes that pack and leave no crop stressed.

    The mornings are filled with runs first, side by side and one after another as they fit; then each zone is
    given the use, the deficit and the RAW by which just these runs suffice, with `spare_mm` to spare.
    """
    rng = np.random.default_rng(seed)
    days, window = 7, 360
    flow, net_per_minute = rng.uniform(5, 15, zones), rng.uniform(0.05, 0.15, zones)
    usable = float(rng.uniform(2.5, 3.5) * flow.mean())
    minutes, last = np.zeros((days, zones)), rng.uniform(-3, 0, zones)
    for day in range(days):
        used = np.zeros(window)
        for z in np.argsort(last + rng.uniform(0, 1.5, zones)).tolist():
            for run in [int(rng.integers(90, 200)), *range(200, 19, -10)]:
                free = np.convolve(used + flow[z] <= usable, np.ones(run), "valid") > run - 0.5
                if free.any():
                    used[int(np.argmax(free)) :][:run] += flow[z]
                    minutes[day, z], last[z] = run, day
                    break
    net = minutes * net_per_minute
    etc = net.mean(axis=0) * rng.uniform(0.8, 1.2, (days, 1))
    watered = np.cumsum(etc - net, axis=0) - etc  # each morning after the water, from a deficit of 0
    deficit = np.maximum(-watered.min(axis=0), 0) + rng.uniform(0, 1, zones)
    raw = np.maximum((watered + deficit).max(axis=0) + spare_mm, 4)
    ahead = week(
        zones, taw=raw / rng.uniform(0.35, 0.5, zones), raw=raw, trigger=raw * 0.5, etc=etc, deficit=deficit,
        net_per_minute=net_per_minute, flow_lpm=flow, window=float(window), usable_lpm=usable,
        ky=rng.choice([0.85, 1.0, 1.15], zones),
    )  # fmt: skip
    return ahead, minutes


# --- the rules -----------------------------------------------------------------------------------


def broken_rules(week: Week, plan: WeekPlan) -> list[str]:
    """What a plan breaks of the supply's and the grower's rules; nothing here is shared with the planner."""
    found: list[str] = []
    runs = [(p.day, int(z), p.start, p.stop) for p in plan.pulses for z in members(week, p.day, p.valve)]
    for day in range(week.days):
        today = [r for r in runs if r[0] == day]
        begin = week.earliest if day == 0 else 0.0
        found += [
            f"outside the hours {r}"
            for r in today
            if r[2] < begin - ALMOST or r[3] > week.window[day] + ALMOST
        ]
        for _, _, moment, _ in today:
            flow = sum(week.flow_lpm[day, z] for _, z, a, b in today if a <= moment + ALMOST < b)
            flow += sum(b.flow_lpm for b in week.busy if day == 0 and b.start <= moment + ALMOST < b.stop)
            if flow > week.usable_lpm * (1 + ALMOST):
                found.append(f"flow {flow} at {moment} of day {day}")
        for group in week.apart:
            for (_, y, a, b), (_, z, c, d) in itertools.combinations([r for r in today if r[1] in group], 2):
                if y != z and a < d - ALMOST and c < b - ALMOST:
                    found.append(f"{y} beside {z} on day {day}")
        for z in range(len(week.zones)):
            mine = sorted((a, b) for _, y, a, b in today if y == z)
            total = sum(b - a for a, b in mine)
            if abs(total - plan.minutes[day, z]) > ALMOST:
                found.append(f"{total} in pulses, {plan.minutes[day, z]} planned")
            if not mine:
                continue
            same = [
                y for y in range(len(week.zones)) if week.valve[y] == week.valve[z] and week.standing[day, y]
            ]
            if not float(total).is_integer():
                found.append(f"{total} is no whole minutes")
            if not week.standing[day, z] or any(
                week.held[day, y] for y in np.flatnonzero(week.valve == week.valve[z])
            ):
                found.append(f"{z} is held or bare on day {day}")
            if total < min(week.shortest[y] for y in same) or total > max(week.longest[y] for y in same):
                found.append(f"{total} is too short or too long")
            if total > week.valve_cap[week.valve[z]]:
                found.append("above the valve's cap")
            if any(b - a > max(np.floor(week.longest_pulse[y]), 1) + ALMOST for a, b in mine for y in same):
                found.append(f"a pulse is too long: {mine}")
            few = min(6, total // 5)  # none shorter than 5 minutes, 6 at most
            asked = max(math.ceil((total - week.fill[y]) / week.strip_minutes[day, y] - ALMOST) for y in same)
            if week.loose is None and len(mine) < min(asked, few):
                found.append(f"more at a time than the strip holds: {mine}, {asked} pulses")
            rest = max(week.pulse_rest[y] for y in same)
            if any(c - b < rest - ALMOST for (_, b), (c, _) in itertools.pairwise(mine)):
                found.append(f"no rest: {mine}")
    for cap in week.caps:
        used = sum(plan.minutes[d] @ week.flow_lpm[d] for d in cap.days)
        if used > cap.liters + ALMOST:
            found.append(f"{used} L of {cap}")
    return found


def members(week: Week, day: int, valve: int) -> list[int]:
    return [int(z) for z in np.flatnonzero((week.valve == valve) & week.standing[day])]


# --- every plan there is -------------------------------------------------------------------------


def tiny_week(rng: np.random.Generator) -> Week:
    """Two or three valves and so few minutes that every plan can be looked at."""
    zones, days = [(2, 3), (2, 4), (3, 3)][rng.integers(3)]
    raw = rng.uniform(5, 12, zones)
    window = np.where(rng.random(days) < 0.75, float(rng.integers(3, 6)), 0.0)
    window[0] = float(rng.integers(4, 6))
    doubt = float(rng.random() < 0.4)
    flow, etc = rng.uniform(2, 6, zones), rng.uniform(2, 6, zones) * rng.uniform(0.7, 1.3, (days, 1))
    evaporates = rng.choice([0.0, 0.2, 0.8], zones)
    return week(
        zones, days, raw=raw, taw=raw * rng.uniform(1.8, 3, zones), trigger=raw * 0.5,
        etc=etc, evaporation=etc * evaporates,
        deficit=raw * rng.uniform(0.2, 1.5, zones),
        deficit_sd=doubt * rng.uniform(0, 2, zones), etc_sd=doubt,
        rain_eff=np.where(rng.random((days, 1)) < 0.3, rng.gamma(1, 6, (days, 1)), 0.0),
        rain_chance=rng.random((days, 1)), net_per_minute=rng.uniform(1, 3, zones), flow_lpm=flow,
        ky=rng.choice([0.2, 1.0, 1.5], zones), weight=rng.choice([0.3, 1.0, 2.0], zones), window=window,
        shortest=float(rng.integers(1, 4)),
        longest_pulse=rng.choice([np.inf, 2.0]), pulse_rest=1.0,
        usable_lpm=float(rng.uniform(flow.max(), flow.sum() * 1.05)),
    )  # fmt: skip


def least_loss(week: Week) -> float:
    """The least of the first aim over all plans: all that a morning can hold, all their sequences.

    Valves of one zone, no caps.  What a zone cannot take any more is not run.
    """
    best = np.inf
    options = [np.array(packable(week, day), dtype=float) for day in range(week.days)]
    first, rest = options[0], [range(len(o)) for o in options[1:]]
    sequences = np.array(list(itertools.product(*rest)))
    later = [
        np.broadcast_to(o[sequences[:, d]], (len(sequences), o.shape[1])) for d, o in enumerate(options[1:])
    ]
    for vector in first:
        minutes = np.stack([np.broadcast_to(vector, later[0].shape), *later], axis=1)
        best = min(best, float(loss(week, minutes).min()))
    return best


def packable(week: Week, day: int) -> list[tuple[int, ...]]:
    room, count = int(week.window[day]), len(week.zones)
    if room == 0:
        return [(0,) * count]
    least = [max(1, math.ceil(s)) for s in week.shortest]
    choices = [[0, *range(least[z], room + 1)] for z in range(count)]
    found: set[tuple[int, ...]] = set()
    for vector in sorted(itertools.product(*choices), key=lambda v: -sum(v)):
        smaller = any(all(a <= b for a, b in zip(vector, bigger, strict=True)) for bigger in found)
        if smaller or any(True for _ in timetables(week, day, vector)):
            found.add(vector)
    return sorted(found)


def timetables(
    week: Week, day: int, minutes: tuple[int, ...], z: int = 0, used: tuple[float, ...] = ()
) -> Iterator[bool]:
    """Once for each way to lay the runs into the minutes of a morning; used: L/min in each minute."""
    room = int(week.window[day])
    used = used or (0.0,) * room
    if z == len(minutes):
        yield True
        return
    for times in placements(int(minutes[z]), week.longest_pulse[z], int(week.pulse_rest[z]), room):
        flow = [u + (week.flow_lpm[day, z] if k in times else 0.0) for k, u in enumerate(used)]
        if max(flow) <= week.usable_lpm * (1 + 1e-12):
            yield from timetables(week, day, minutes, z + 1, tuple(flow))


def placements(minutes: int, longest: float, rest: int, room: int) -> list[set[int]]:
    """Sets of minutes that one run may take."""
    if minutes == 0:
        return [set()]
    count = 1 if minutes <= longest else math.ceil(minutes / longest)
    lengths = [minutes // count + (k < minutes % count) for k in range(count)]
    found = []
    for starts in itertools.combinations(range(room), count):
        fits = all(s + n <= room for s, n in zip(starts, lengths, strict=True))
        rests = all(b >= a + n + rest for a, b, n in zip(starts, starts[1:], lengths, strict=False))
        if fits and rests:
            found.append({m for s, n in zip(starts, lengths, strict=True) for m in range(s, s + n)})
    return found


def loss(week: Week, minutes: np.ndarray) -> np.ndarray:
    """The first aim of (plan, day, zone) minutes: FAO-56 eq 84 and 85, the crop's side of the doubt.

    A lack costs Ky in proportion; beyond a third of the way to wilting 3 more, beyond two thirds 9 more.
    """
    plans, days, zones = minutes.shape
    next_morning = next((d for d in range(1, days) if week.window[d] > 0), days)
    mean = np.tile(week.deficit, (plans, 1))
    dry = wet = mean + 1.28 * week.deficit_sd
    total, since = np.zeros(plans), np.zeros(zones)
    for d in range(days):
        since = np.zeros(zones) if week.window[d] > 0 else since
        doubt = 1.28 * (np.sqrt(week.deficit_sd**2 + since) - week.deficit_sd)
        since = since + week.etc_sd[d] ** 2
        rain = week.rain_eff[d] * week.rain_chance[d]
        lacks = np.floor(mean / week.net_per_minute[d] + 0.5)  # rounded half up, model M7
        least = np.maximum(np.ceil(week.shortest), 1)
        lacks = np.where(lacks < least, np.where(mean >= week.raw[d], least, 0), lacks) * (mean > 0)
        run = np.minimum(minutes[:, d], lacks)
        water = np.where(run >= least, run, 0) * week.net_per_minute[d]
        worse = dry if d < next_morning else wet  # up to the next allowed morning no rain is counted on
        share = _lack(week, d, worse - water, doubt)
        dire = 3 * np.maximum(share - 1 / 3, 0) + 9 * np.maximum(share - 2 / 3, 0)
        total += (week.weight[d] * (week.ky[d] * share + dire)).sum(axis=1)
        use = _used(week, d, share)
        mean = _evening(week, d, mean, water, rain, _used(week, d, _lack(week, d, mean - water, 0.0)))
        dry, wet = _evening(week, d, dry, water, 0.0, use), _evening(week, d, wet, water, rain, use)
    return total


def _used(week: Week, d: int, lack: np.ndarray) -> np.ndarray:
    """What leaves the soil: stress lowers the crop's part of it, not the evaporation (FAO-56 eq 80)."""
    return week.evaporation[d] + (1 - lack) * (week.etc[d] - week.evaporation[d])


def _lack(week: Week, d: int, start: np.ndarray, doubt: Any) -> np.ndarray:
    return np.clip((np.maximum(start, 0) + doubt - week.raw[d]) / (week.taw[d] - week.raw[d]), 0, 1)


def _evening(
    week: Week, d: int, deficit: np.ndarray, water: np.ndarray, rain: Any, use: np.ndarray
) -> np.ndarray:
    use = np.minimum(use, week.taw[d] - deficit + rain + water)
    return np.maximum(deficit - rain - water + use, 0)
