"""What the minutes of a week would do, and the score: three scenarios of the balance of model M5.

mean: the deficit as it is reckoned, rain x probability.
dry side: the same with `DOUBT_SD` standard deviations more deficit.
no rain: the dry side, and without any rain.  The crop's stress is read from it up to the next allowed
morning, and from the dry side after that: before then nothing can be put right.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np

from scheduler.core.arrays import BoolArray, FloatArray, Minutes, Mm, Share
from scheduler.core.balance.soil import evening, percolation, stress_coefficient
from scheduler.core.week.loss import loss_of
from scheduler.core.week.problem import DOUBT_SD, Outcome, Score
from scheduler.core.week.valves import Valves


class Terms(NamedTuple):
    """(day, zone) arrays that follow from the week alone."""

    slack: Mm  # TAW - RAW
    use: Mm  # of ETc what stress lowers
    slope: Share  # use / (TAW - RAW): Ks use is the lesser of use and slope x (TAW - deficit)
    rain: Mm  # expected: rain x probability
    doubt: Mm  # what the doubt grew by since the last allowed morning
    near: int  # days up to the next allowed morning: they are read from the dry outcome


def terms_of(valves: Valves) -> Terms:
    """What the balances of a week need and no plan changes, (day, zone), mm.

    The doubt grows as the square root of the sum of variances: that of the deficit, and that of ETc of each
    day since the last allowed morning.  TAW - RAW is held above 0.
    """
    week = valves.week
    grown = np.zeros_like(week.etc)
    since = np.zeros(len(week.zones))
    for day in range(week.days):
        if day and week.window[day] > 0:
            since[:] = 0.0
        grown[day] = np.sqrt(week.deficit_sd**2 + since) - week.deficit_sd
        since += week.etc_sd[day] ** 2
    slack = np.maximum(week.taw - week.raw, 1e-9)
    use = week.etc - week.evaporation
    return Terms(
        slack=slack,
        use=use,
        slope=use / slack,
        rain=week.rain_eff * week.rain_chance,
        doubt=DOUBT_SD * grown,
        near=valves.next_morning[0] if week.days else 0,
    )


def day_on(valves: Valves, terms: Terms, day: int, deficit: Mm, net: Mm) -> Mm:
    """(..., zone) mm: the deficit one day on, as it is expected, after `net` mm in the morning.

    Ks lowers the use only, what the soil evaporates stays.
    Source: FAO-56 eq 80, 84 and 85, model M5.
    """
    week = valves.week
    watered = deficit - net
    use = np.minimum((week.taw[day] - np.maximum(watered, 0)) * terms.slope[day], terms.use[day])
    use += week.evaporation[day]
    return evening(watered, rain_eff=terms.rain[day], use=use, taw=week.taw[day]).deficit


class DrySide(NamedTuple):
    """(..., day, zone): 1 - Ks by the crop's side of the doubt, and the deficits at dawn it rests on."""

    lack: Share
    no_rain_start: Mm
    dry_side_start: Mm


def net_of(valves: Valves, minutes: Minutes) -> Mm:
    """(..., day, zone) mm net of as many minutes: none while the line fills, then `net_per_minute`."""
    week = valves.week
    return np.asarray(np.maximum(minutes - week.fill, 0) * week.net_per_minute)


def dry_side_balance(valves: Valves, terms: Terms, net: Mm) -> DrySide:
    """1 - Ks of every zone and day, and the two scenarios it is read from.

    All (..., day, zone); where nothing stands 1 - Ks is 0.  net: (..., day, zone) mm of each morning.
    Source: FAO-56 eq 84 (stress) and 85 (balance), model M5.
    """
    week = valves.week
    no_rain = dry_side = week.deficit + DOUBT_SD * week.deficit_sd
    lack, no_rain_starts, dry_side_starts = np.zeros(net.shape), np.zeros(net.shape), np.zeros(net.shape)
    for day in range(week.days):
        if valves.begins[day]:
            no_rain, dry_side = (
                np.where(week.begins[day], np.minimum(d, week.taw[day]), d) for d in (no_rain, dry_side)
            )
        no_rain_starts[..., day, :], dry_side_starts[..., day, :] = no_rain, dry_side
        water = net[..., day, :]
        worse = no_rain if day < terms.near else dry_side
        at_worst = np.maximum(worse - water, 0) + terms.doubt[day]
        ks = stress_coefficient(at_worst, taw=week.taw[day], span=terms.slack[day])
        lack[..., day, :] = 1 - ks
        # up to the next allowed morning the crop uses what the dry one says
        use = week.evaporation[day] + ks * terms.use[day]
        if day < terms.near:
            no_rain = evening(no_rain - water, rain_eff=0.0, use=use, taw=week.taw[day]).deficit
        dry_side = evening(dry_side - water, rain_eff=terms.rain[day], use=use, taw=week.taw[day]).deficit
    return DrySide(lack * week.standing, no_rain_starts, dry_side_starts)


class MeanBalance(NamedTuple):
    """(..., day, zone)."""

    start: Mm  # deficit at dawn, before the water
    end: Mm  # in the evening
    lack: Share  # 1 - Ks
    percolation: Mm


def mean_balance(valves: Valves, terms: Terms, net: Mm) -> MeanBalance:
    """The deficits that are expected, rain counted by its probability, and what drains below the roots.

    All (..., day, zone), mm; where nothing stands 1 - Ks and percolation are 0.
    net: (..., day, zone) mm of each morning.
    Source: FAO-56 eq 84 (stress), 85 (balance) and 88 (percolation), model M5.
    """
    week = valves.week
    deficit = week.deficit
    start, end, lack, drained = (np.zeros(net.shape) for _ in range(4))
    for day in range(week.days):
        deficit = np.where(week.begins[day], np.minimum(deficit, week.taw[day]), deficit)
        start[..., day, :] = deficit
        water, rain = net[..., day, :], terms.rain[day]
        ks = stress_coefficient(np.maximum(deficit - water, 0), taw=week.taw[day], span=terms.slack[day])
        end[..., day, :], eta = evening(
            deficit - water, rain_eff=rain, use=week.evaporation[day] + ks * terms.use[day], taw=week.taw[day]
        )
        drained[..., day, :] = percolation(deficit, irrigation=water, rain_eff=rain, eta=eta)
        deficit = end[..., day, :]
        lack[..., day, :] = 1 - ks
    return MeanBalance(start, end, lack * week.standing, drained * week.standing)


def may_wait(valves: Valves, terms: Terms, day: int, deficit: Mm, dry_side: Mm) -> BoolArray:
    """(zone,) The crop can do without any rain up to the next allowed morning, and rain is likely to do.

    deficit, dry_side: (zone,) mm at dawn, expected and with the doubt.  Can do without: the deficit would be
    at most RAW by then.  Likely to do: with rain x probability the zone would be below its trigger.
    """
    week, until = valves.week, valves.next_morning[day]
    ahead = slice(day, until)
    use = week.etc[ahead].sum(axis=0)
    doubt = DOUBT_SD * (np.sqrt(week.deficit_sd**2 + (week.etc_sd[ahead] ** 2).sum(axis=0)) - week.deficit_sd)
    stands_it = dry_side + use + doubt <= week.raw[day]
    rain = terms.rain[ahead].sum(axis=0)
    return np.asarray(stands_it & (rain > 0) & (deficit + use - rain < week.trigger[day]))


def judge(valves: Valves, terms: Terms, minutes: Minutes) -> tuple[Outcome, Score]:
    """The outcome and the score of (day, valve) minutes, whether or not they fit the supply.

    Outcome: (day, zone), mm.  Score: what the stress costs (`core.week.loss`), litres that depart from the
    trigger rule (model M6), litres that drain below the roots, litres run and still owed on the last
    evening, and starts.  terms: those of the week.
    Source: models M5 and M6.
    """
    week = valves.week
    of_zone = valves.spread(minutes)
    net = net_of(valves, of_zone)
    dry, mean = dry_side_balance(valves, terms, net), mean_balance(valves, terms, net)
    due, waits = np.zeros(net.shape, dtype=bool), np.zeros(net.shape, dtype=bool)
    departures = 0.0
    per_mm = valves.liters_per_mm
    for day in np.flatnonzero(week.window > 0).tolist():
        worst = dry.no_rain_start if day < terms.near else dry.dry_side_start
        due[day] = valves.takes_part[day] & (mean.start[day] >= week.trigger[day])
        waits[day] = due[day] & may_wait(valves, terms, day, mean.start[day], worst[day])
        departures += _departures(
            valves, day, minutes[day], net[day], mean.start[day], due[day], waits[day], per_mm
        )
    owed = (mean.end[-1] * per_mm[-1])[week.standing[-1]].sum() if week.days else 0.0
    score = Score(
        loss=float(loss_of(dry.lack, week).sum()),
        departures_l=departures,
        percolation_l=float((mean.percolation * per_mm)[week.standing].sum()),
        liters=float((minutes * valves.flow).sum() + owed),
        starts=int(np.count_nonzero(minutes)),
        stress_days=float(dry.lack.sum()),
    )
    outcome = Outcome(mean.start, mean.end, 1 - dry.lack, net, mean.percolation, due, waits)
    return outcome, score


def _departures(
    valves: Valves,
    day: int,
    minutes: Minutes,
    net: Mm,
    deficit: Mm,
    due: BoolArray,
    waits: BoolArray,
    per_mm: FloatArray,
) -> float:
    """L by which a morning departs from the trigger rule of model M6."""
    week = valves.week
    runs = minutes[week.valve] > 0
    wanted = valves.wanted(day, deficit)
    must = due & ~waits & (wanted > 0)
    unrun = np.where(must & ~runs, deficit - week.leave_room, 0.0)
    left = np.where(must & runs, np.maximum(deficit - net - week.trigger[day], 0), 0.0)
    settle = valves.settling(day)
    asked = valves.most_of((due & (wanted > 0)) + settle)
    early = np.where((asked == 0)[week.valve] & runs & valves.takes_part[day], net, 0.0)
    short = np.maximum(settle - minutes[week.valve], 0) * week.flow_lpm[day]
    return float(((unrun + left + early) * per_mm[day])[valves.takes_part[day]].sum() + short.sum())
