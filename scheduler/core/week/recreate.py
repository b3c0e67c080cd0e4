"""Ruin and recreate on packed mornings: a better plan out of one whose runs already lie in their hours.

Some runs of a morning or two are taken out and put back where they spare the crops most, each into a gap that
holds it.  What is not worse is kept, and now and then a little worse.  Every plan on the way is packed, so
nothing is lost at the end.  (Schrimpf, Schneider, Stamm-Wilbrandt and Dueck 2000, Journal of Computational
Physics 159; from memory.)  Numbers are plain floats: a row of a dozen is no work for numpy.
"""

from __future__ import annotations

import math
import random
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from scheduler.core.arrays import Minutes
from scheduler.core.hours.packing import Flows, Times
from scheduler.core.week.capacity import job_of
from scheduler.core.week.loss import loss_of_one
from scheduler.core.week.outcome import Terms, judge
from scheduler.core.week.problem import DOUBT_SD, Score
from scheduler.core.week.valves import Valves, empty_hours, hours_end

SMALL = 1e-7
"""Loss that nobody could measure."""
WARM, COOL = 0.03, 0.0003
"""Loss by which a plan may be worse than the last and is kept all the same: at first, at the end."""
CYCLE = 40
"""Rounds from warm to cool, then anew from the best: whatever time there is, so that more of it only adds."""
IDLE_CYCLES = 2
"""So many without anything better are the end."""
TAKEN_OUT = 4
"""Runs of one morning, at most, but now and then all of them."""
ALL_OF_THEM = 0.2
LONGER_THAN_NEED = (0.0, 0.0, 0.3, 1.0)
"""Of the minutes that would spare no more, the share that a run gets all the same; one by chance."""


# --- the balance of one valve --------------------------------------------------------------------


def _evening(deficit: float, water: float, rain: float, use: float, taw: float) -> float:
    return max(deficit - water - rain + min(use, taw - deficit + rain + water), 0.0)


class ZoneDays:
    """One zone's week as `core.week.outcome` has it (model M5, FAO-56 eq 84 and 85), in plain floats."""

    def __init__(self, valves: Valves, terms: Terms, z: int) -> None:
        week = valves.week
        self.deficit = float(week.deficit[z])
        self.doubted = float(week.deficit[z] + DOUBT_SD * week.deficit_sd[z])
        self.fill, self.leave_room = float(week.fill[z]), float(week.leave_room[z])
        self.shortest, self.longest = float(week.shortest[z]), float(valves.limits.longest[z])
        self.takes_part: list[bool] = valves.takes_part[:, z].tolist()
        self.rate: list[float] = (week.net_per_minute[:, z] * valves.takes_part[:, z]).tolist()
        self.taw: list[float] = week.taw[:, z].tolist()
        self.raw: list[float] = week.raw[:, z].tolist()
        self.reach: list[float] = (week.raw[:, z] - terms.doubt[:, z]).tolist()
        self.slack: list[float] = terms.slack[:, z].tolist()
        self.evaporation: list[float] = week.evaporation[:, z].tolist()
        self.use: list[float] = terms.use[:, z].tolist()
        self.rain: list[float] = terms.rain[:, z].tolist()
        self.trigger: list[float] = week.trigger[:, z].tolist()
        self.begins: list[bool] = week.begins[:, z].tolist()
        self.weight: list[float] = (week.weight[:, z] * week.standing[:, z]).tolist()
        self.ky: list[float] = week.ky[:, z].tolist()
        self.near = terms.near

    def loss(self, minutes: Sequence[float]) -> float:
        """What the stress costs over the days, on the crop's side of the doubt (`core.week.loss`).

        minutes: of the zone's valve, by day.  Sources: FAO-56 eq 84 and 85, model M5.
        """
        dry = wet = self.doubted
        total = 0.0
        for day, run in enumerate(minutes):
            taw = self.taw[day]
            if self.begins[day]:
                dry, wet = min(dry, taw), min(wet, taw)
            water = max(run - self.fill, 0.0) * self.rate[day]
            near = day < self.near
            over = max((dry if near else wet) - water, 0.0) - self.reach[day]
            lack = min(max(over / self.slack[day], 0.0), 1.0)
            if lack > 0:
                total += self.weight[day] * loss_of_one(lack, self.ky[day])
            use = self.evaporation[day] + (1 - lack) * self.use[day]
            if near:
                dry = _evening(dry, water, 0.0, use, taw)
            wet = _evening(wet, water, self.rain[day], use, taw)
        return total

    def dawn(self, minutes: Sequence[float], until: int) -> float:
        """The deficit expected on the morning of day `until`, mm, before its water.

        minutes: of the zone's valve, by day; those from `until` on do not matter.  Sources: FAO-56 eq 84 and
        85, model M5.
        """
        deficit = self.deficit
        for day in range(until):
            taw = self.taw[day]
            if self.begins[day]:
                deficit = min(deficit, taw)
            water = max(minutes[day] - self.fill, 0.0) * self.rate[day]
            lack = min(max((max(deficit - water, 0.0) - self.raw[day]) / self.slack[day], 0.0), 1.0)
            use = self.evaporation[day] + (1 - lack) * self.use[day]
            deficit = _evening(deficit, water, self.rain[day], use, taw)
        return min(deficit, self.taw[until]) if self.begins[until] else deficit

    def refill(self, deficit: float, day: int) -> float:
        """Whole minutes that refill a deficit of so many mm on that day, 0 where nothing runs (model M7).

        As `core.balance.tape.run_minutes` has them; the zone's own `leave_room` is left free.
        """
        if not self.takes_part[day] or deficit <= self.leave_room:
            return 0.0
        run = math.floor((deficit - self.leave_room) / self.rate[day] + self.fill + 0.5)
        if run < self.shortest:
            run = math.ceil(self.shortest) if deficit >= self.raw[day] else 0
        return min(float(run), self.longest)


class ValveDays:
    """The same of all zones on one valve: they run together, for the longest of their minutes."""

    def __init__(self, valves: Valves, terms: Terms, rule: Minutes, v: int) -> None:
        self.zones = [ZoneDays(valves, terms, z) for z in valves.of[v]]
        self.most: list[float] = valves.most[:, v].tolist()
        self.least: list[float] = valves.useful[:, v].tolist()
        self.flow: list[float] = valves.flow[:, v].tolist()
        mine = list(valves.of[v])
        self.settle = [float(valves.settling(day)[mine].max()) for day in range(valves.week.days)]
        rainy = terms.rain[:, mine].any()  # then the plain rule leaves room for it
        self.rule: list[float] = np.where(rainy & (rule[:, v] > 0), rule[:, v], np.inf).tolist()

    def loss(self, minutes: Sequence[float]) -> float:
        """What the stress costs over the days and the valve's zones; minutes: by day."""
        return math.fsum(zone.loss(minutes) for zone in self.zones)

    def able(self, minutes: Sequence[float], day: int) -> float:
        """The longest run, whole minutes, that does not top what the zones lack on the morning of `day`.

        minutes: by day; those from `day` on do not matter.  At least a settling run where one is asked, and
        never above what hours, flow and caps allow the valve by itself.
        """
        wanted = max(zone.refill(zone.dawn(minutes, day), day) for zone in self.zones)
        return min(max(wanted, self.settle[day]), self.most[day])

    def trimmed(self, minutes: Sequence[float], first: int) -> list[float]:
        """The minutes by day, those from day `first` on held to what the zones still lack.

        0 where they lack less than the least run that is of use.
        """
        kept = list(minutes)
        for day in range(first, len(kept)):
            if kept[day] > 0:
                able = self.able(kept, day)
                kept[day] = min(kept[day], able) if able >= self.least[day] else 0.0
        return kept

    def asks(self, minutes: Sequence[float], day: int) -> tuple[float, float]:
        """How dry the driest zone is, deficit as a share of RAW, and the minutes that the triggers ask for.

        minutes: by day; those from `day` on do not matter.  0 are asked where none is due or settles.
        """
        dryness, asked = 0.0, self.settle[day]
        for zone in self.zones:
            deficit = zone.dawn(minutes, day)
            if zone.takes_part[day]:
                dryness = max(dryness, deficit / zone.raw[day])
                if deficit >= zone.trigger[day]:
                    asked = max(asked, min(zone.refill(deficit, day), self.rule[day]))
        return dryness, min(asked, self.most[day])


# --- packed mornings -----------------------------------------------------------------------------


@dataclass(slots=True)
class PackedWeek:
    """A plan and where its runs lie.  Copies share the mornings: a changed one is made anew."""

    minutes: list[list[float]]  # [valve][day]
    mornings: list[Flows]
    loss: list[float]  # [valve]

    def copy(self) -> PackedWeek:
        """The same plan, in which a morning can be put in place of another without a change to this one.

        >>> plan = PackedWeek(minutes=[[30.0, 0.0]], mornings=[Flows(10.0), Flows(10.0)], loss=[0.5])
        >>> other = plan.copy()
        >>> other.minutes[0][0] = 0.0
        >>> plan.minutes, other.mornings[0] is plan.mornings[0]
        ([[30.0, 0.0]], True)
        """
        return PackedWeek([own.copy() for own in self.minutes], self.mornings.copy(), self.loss.copy())

    @property
    def total(self) -> float:
        """Loss of all valves together, in weighted stress days.

        >>> PackedWeek(minutes=[[30.0], [20.0]], mornings=[Flows(10.0)], loss=[0.5, 0.25]).total
        0.75
        """
        return math.fsum(self.loss)

    @property
    def runs(self) -> list[Mapping[int, Times]]:
        """By day, then by valve: (start, stop) of each pulse, minutes after the begin of that day's hours.

        >>> PackedWeek(minutes=[[0.0, 0.0]], mornings=[Flows(10.0), Flows(10.0)], loss=[0.5]).runs
        [{}, {}]
        """
        return [flows.runs for flows in self.mornings]

    @property
    def by_day(self) -> Minutes:
        """(day, valve) minutes.

        >>> plan = PackedWeek([[30.0, 0.0], [20.0, 10.0]], [Flows(10.0), Flows(10.0)], [0.0, 0.0])
        >>> plan.by_day.tolist()
        [[30.0, 20.0], [0.0, 10.0]]
        """
        return np.array(self.minutes, dtype=np.float64).T


class Recreate:
    """Moves on the packed mornings of one week.

    moves: raises of a run that may be looked at, in all: work is counted, not timed, so that a busy computer
    makes the same plan.  seed: of the chance by which runs are taken out.
    """

    def __init__(self, valves: Valves, terms: Terms, rule: Minutes, moves: int, seed: int = 0) -> None:
        self.valves, self.week, self.terms = valves, valves.week, terms
        self.own = [ValveDays(valves, terms, rule, v) for v in range(valves.count)]
        self.days = range(self.week.days)
        self.allowed = [day for day in self.days if valves.allowed[day]]
        self.ends = [hours_end(self.week, day) for day in self.days]
        self.jobs = [[job_of(valves, day, v, 1.0) for v in range(valves.count)] for day in self.days]
        self.left = moves
        self.end = -4 * moves  # a round begun goes on to its end, but in a big dry garden not for ever
        self.chance = random.Random(seed)

    def begin(self, runs: Mapping[int, Mapping[int, Times]]) -> PackedWeek:
        """The packed plan to start from: the runs as they lie, held to what the zones still lack.

        runs: by day and valve, (start, stop) minutes after the begin of that day's hours.
        """
        minutes = [[0.0] * self.week.days for _ in self.own]
        for day, by_valve in runs.items():
            for v, times in by_valve.items():
                minutes[v][day] = float(round(sum(stop - start for start, stop in times)))
        loss = [own.loss(mine) for own, mine in zip(self.own, minutes, strict=True)]
        mornings = [self._morning(day, runs.get(day, {})) for day in self.days]
        plan = PackedWeek(minutes, mornings, loss)
        for v in range(len(self.own)):
            self._trim(plan, v, 0)
        return plan

    # --- rounds ---

    def less_loss(self, plan: PackedWeek, goal: float) -> PackedWeek:
        """The packed plan of the least loss found, `plan` where nothing is better; that one stays as it is.

        goal: loss at which it ends.  It ends as well when nothing better turns up for IDLE_CYCLES cycles,
        or when the moves are used up.
        """
        best = now = self._raised(plan.copy())
        idle = 0
        while idle < IDLE_CYCLES * CYCLE and best.total > goal + SMALL and self.left > 0:
            if idle % CYCLE == 0:
                now = best
            heat = WARM * (COOL / WARM) ** (idle % CYCLE / CYCLE)
            tried = self._raised(self._ruined(now))
            if tried.total <= now.total + heat:
                now = tried
            idle += 1
            if tried.total < best.total - SMALL:
                best, idle = tried, 0
        return best

    def other_aims(self, plan: PackedWeek, rounds: int) -> PackedWeek:
        """The packed plan that is best by all the aims in their order (`Score`); `plan` stays as it is.

        rounds: tries at most; fewer where the moves are used up.
        """
        best, score = plan, self._score(plan)
        for k in range(rounds):
            if self.left <= 0:
                break
            tried = self._served(plan.copy() if k == 0 else self._raised(self._ruined(best)))
            found = self._score(tried)
            if found.better_than(score):
                best, score = tried, found
        return best

    def _score(self, plan: PackedWeek) -> Score:
        return judge(self.valves, self.terms, plan.by_day)[1]

    # --- out ---

    def _ruined(self, plan: PackedWeek) -> PackedWeek:
        """Without some runs of a morning or two, and without those of one valve, rather a stressed one."""
        other = plan.copy()
        weights = [loss + 1e-9 for loss in plan.loss]
        chosen = self.chance.choices(range(len(self.own)), weights=weights)[0]
        mornings = min(self.chance.choice((1, 1, 2)), len(self.allowed))
        for day in self.chance.sample(self.allowed, mornings):
            running = sorted(other.mornings[day].runs)
            count = len(running)
            if self.chance.random() >= ALL_OF_THEM:
                count = min(self.chance.randint(1, TAKEN_OUT), count)
            self._take_out(other, day, {*self.chance.sample(running, count), chosen})
        return other

    def _take_out(self, plan: PackedWeek, day: int, gone: Iterable[int]) -> None:
        plan.mornings[day] = self._without(plan, day, set(gone))
        for v in gone:
            if plan.minutes[v][day]:
                plan.minutes[v][day] = 0.0
                plan.loss[v] = self.own[v].loss(plan.minutes[v])

    def _without(self, plan: PackedWeek, day: int, gone: set[int]) -> Flows:
        stay = {v: times for v, times in plan.mornings[day].runs.items() if v not in gone}
        return self._morning(day, stay)

    def _morning(self, day: int, runs: Mapping[int, Times]) -> Flows:
        flows = empty_hours(self.week, day)
        for v, times in runs.items():
            for start, stop in times:
                flows.add(self.jobs[day][v], start, stop)
        return flows

    # --- in ---

    def _raised(self, plan: PackedWeek) -> PackedWeek:
        """In place: runs raised, always the one that spares most by the litre, while that spares anything."""
        moves: dict[tuple[int, int], tuple[float, float]] = {}
        stale = [(v, day) for v in range(len(self.own)) for day in self.allowed]
        while stale and self.left > self.end:
            for v, day in stale:
                moves.pop((v, day), None)
                found = self._raise(plan, v, day) if plan.loss[v] > SMALL else None
                if found is not None:
                    moves[v, day] = found
            if not moves:
                break
            (v, day), (_, run) = max(moves.items(), key=lambda item: item[1][0])
            self._put(plan, v, day, run)
            stale = [(u, day) for u in range(len(self.own)) if u != v] + [(v, d) for d in self.allowed]
            if self.week.caps:  # of a cap over days any run may have taken the rest
                stale = [(u, d) for u in range(len(self.own)) for d in self.allowed]
        return plan

    def _raise(self, plan: PackedWeek, v: int, day: int) -> tuple[float, float] | None:
        """Worth by the litre, and minutes, of one run made longer; None where that spares nothing."""
        own, now = self.own[v], plan.minutes[v]
        least = max(own.least[day], now[day] + 1)
        if own.most[day] < least:
            return None
        self.left -= 1
        able = own.able(now, day)
        if able < least or self._spared(plan, v, day, able) <= SMALL:
            return None
        longest = self._longest(plan, v, day, least, able)
        gain = self._spared(plan, v, day, longest) if longest >= least else 0.0
        if gain <= SMALL:
            return None
        run = _least(least, longest, lambda m: self._spared(plan, v, day, m) >= gain - SMALL)
        run += round(self.chance.choice(LONGER_THAN_NEED) * (longest - run))
        return gain / ((run - now[day]) * own.flow[day]) * self.chance.uniform(0.7, 1.3), run

    def _spared(self, plan: PackedWeek, v: int, day: int, run: float) -> float:
        tried = plan.minutes[v].copy()
        tried[day] = run
        return plan.loss[v] - self.own[v].loss(self.own[v].trimmed(tried, day + 1))

    def _longest(self, plan: PackedWeek, v: int, day: int, least: float, most: float) -> float:
        """The longest run up to `most` that the morning still holds beside the others; 0: not the least."""
        flows = self._without(plan, day, {v}) if v in plan.mornings[day].runs else plan.mornings[day]
        most = min(most, self._of_caps(plan, v, day))
        if most < least or not self._fits(flows, v, day, least):
            return 0.0
        if self._fits(flows, v, day, most):
            return most
        return _least(least, most - 1, lambda run: not self._fits(flows, v, day, run + 1))

    def _fits(self, flows: Flows, v: int, day: int, minutes: float) -> bool:
        job = job_of(self.valves, day, v, minutes)
        if len(job.pulses) == 1:
            return flows.earliest(job, job.ready, minutes) + minutes <= self.ends[day] + SMALL
        return flows.copy().place(job, self.ends[day])

    def _of_caps(self, plan: PackedWeek, v: int, day: int) -> float:
        """Minutes that the caps on water leave a run."""
        longest = math.inf
        for cap in self.week.caps:
            if day in cap.days and self.own[v].flow[day] > 0:
                used = math.fsum(
                    own.flow[d] * mine[d]
                    for own, mine in zip(self.own, plan.minutes, strict=True)
                    for d in cap.days
                )
                more = math.floor((cap.liters - used) / self.own[v].flow[day] + SMALL)
                longest = min(longest, plan.minutes[v][day] + more)
        return longest

    def _put(self, plan: PackedWeek, v: int, day: int, run: float) -> None:
        """A run that fits in place of the valve's own of that morning; later ones held to what lacks."""
        self._lay(plan, v, day, run)
        self._trim(plan, v, day + 1)

    def _trim(self, plan: PackedWeek, v: int, first: int) -> None:
        kept = self.own[v].trimmed(plan.minutes[v], first)
        for day in range(first, self.week.days):
            if kept[day] < plan.minutes[v][day]:
                self._lay(plan, v, day, kept[day])

    def _lay(self, plan: PackedWeek, v: int, day: int, run: float) -> None:
        if run == 0:
            self._take_out(plan, day, {v})
            return
        flows = self._without(plan, day, {v})
        if not flows.place(job_of(self.valves, day, v, run), self.ends[day]):
            return
        plan.mornings[day] = flows
        plan.minutes[v][day] = run
        plan.loss[v] = self.own[v].loss(plan.minutes[v])

    # --- what is due ---

    def _served(self, plan: PackedWeek) -> PackedWeek:
        """In place: day after day, runs as long as the triggers ask where they fit, the driest first."""
        for day in self.allowed:
            asks = [
                (*own.asks(mine, day), v)
                for v, (own, mine) in enumerate(zip(self.own, plan.minutes, strict=True))
            ]
            for _, asked, v in sorted(asks, key=lambda ask: (-ask[0], ask[2])):
                self.left -= 1
                least = max(self.own[v].least[day], plan.minutes[v][day] + 1)
                run = self._longest(plan, v, day, least, asked) if asked >= least else 0.0
                if run >= least:
                    self._put(plan, v, day, run)
        return plan


def _least(low: float, high: float, enough: Callable[[float], bool]) -> float:
    """The least whole number that is enough; `high` is taken to be."""
    while low < high:
        middle = (low + high) // 2
        if enough(middle):
            high = middle
        else:
            low = middle + 1
    return high
