"""The week as a mixed-integer program for HiGHS.

It is asked for the least loss by stress alone; the other aims are the search's (`core.week.recreate`).

The balance is linear but for Ks (FAO-56 eq 84): ETc = evaporation + use (1 - lack), lack >= (start - RAW) /
(TAW - RAW), lack >= 0; and but for evaporation, which ends where the soil has nothing left.  What a lack
costs is convex (`core.week.loss`): a column for each straight piece.  A lack above the true one would spare
water for days on which it costs more, so it is held below the chord of what it can be; small gardens, where
every minute is looked at, get binaries that hold it to the line.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import NamedTuple

import numpy as np

from scheduler.core.arrays import FloatArray, Minutes, Mm
from scheduler.core.week.capacity import Capacity
from scheduler.core.week.cuts import MOST_SIDE_BY_SIDE, Cut, Share, together
from scheduler.core.week.loss import EXTRA
from scheduler.core.week.outcome import Terms, dry_side_balance, mean_balance
from scheduler.core.week.problem import DOUBT_SD
from scheduler.core.week.solver import Model, Solved, Term

LOSS_GAP = 1e-3
SLIGHT = 1e-7
WHOLE_UP_TO = 40
"""Runs are whole minutes in the program up to so many (day, valve) pairs; above, they are rounded after."""


Runs = dict[tuple[int, int], tuple[int, int]]
"""(day, valve) -> columns of its minutes and of whether it runs."""
Mine = Mapping[int, tuple[int, int]]
"""The same of one valve, by day."""


class Answer(NamedTuple):
    """What one solve found: whole minutes, and how good they are in what it made least."""

    minutes: Minutes  # (day, valve)
    objective: float
    bound: float  # nothing is better
    done: bool  # proved within the gap
    whole: bool  # solved in whole minutes


class Program:
    """The week of one `Capacity`."""

    def __init__(
        self, capacity: Capacity, terms: Terms, cuts: Sequence[Cut] = (), shares: Sequence[Share] = ()
    ) -> None:
        self.capacity, self.terms, self.cuts, self.shares = capacity, terms, cuts, shares
        week = capacity.valves.week
        dry = np.zeros((week.days, len(week.zones)))
        self.unwatered = mean_balance(capacity.valves, terms, dry).start
        unwatered = dry_side_balance(capacity.valves, terms, dry)
        self.no_rain, self.dry_side = unwatered.no_rain_start, unwatered.dry_side_start

    def relaxed(self, seconds: float) -> float:
        """Least loss if runs could be split and mornings cut into any sets of valves that may run together.

        A linear program; in weighted stress days, and nothing is better.  The columns are
        those of the cutting stock problem (Gilmore and Gomory 1961, Operations Research 9; from memory).
        seconds: for the solver.  Raises `NoSolver` where it is not there or finds nothing in time.
        """
        build = _Build(self)
        for column, cost in build.loss:
            build.model.cost[column] = cost
        for day in range(self.capacity.valves.week.days):
            build.sets_of_valves(day)
        build.model.whole = [False] * len(build.model.whole)
        return build.model.solve(seconds, LOSS_GAP).bound

    def least_loss(self, seconds: float, start: Minutes) -> Answer:
        """(day, valve) minutes of the least loss; objective and bound in weighted stress days.

        Loss is what the stress of zones and days costs (`core.week.loss`).
        seconds: for the solver.  start: (day, valve) minutes of a known plan, from which it sets out.
        Raises `NoSolver` where it is not there or finds nothing in time.
        """
        build = _Build(self)
        for column, cost in build.loss:
            build.model.cost[column] = cost
        return build.answer(build.model.solve(seconds, LOSS_GAP, build.start(start)))


class _Build:
    """Columns and rows of one solve, family by family.

    Columns: x minutes of a valve on a day, y whether it runs; of each zone and day s deficit at dawn, l lack,
    q what drains below the roots.
    """

    def __init__(self, program: Program) -> None:
        self.program, self.capacity, self.terms = program, program.capacity, program.terms
        self.valves = program.capacity.valves
        self.week = self.valves.week
        self.model = Model()
        self.runs: Runs = {}
        self.loss: list[Term] = []  # the pieces of every zone and day, and what each costs
        self._runs()
        self._capacity()
        self._shares()
        self._cuts()
        for z in range(len(self.week.zones)):
            self._zone(z)

    def start(self, minutes: Minutes) -> dict[int, float]:
        """(day, valve) minutes of a plan that is known, as values of the columns."""
        known: dict[int, float] = {}
        for (day, v), (x, y) in self.runs.items():
            run = min(float(minutes[day, v]), self.model.high[x])
            run = run if run >= self.valves.useful[day, v] else 0.0
            known[x], known[y] = run, float(run > 0)
        return known

    def answer(self, solved: Solved) -> Answer:
        minutes = np.zeros((self.week.days, self.week.valves))
        for (day, v), (x, y) in self.runs.items():
            run, useful = np.floor(solved.values[x] + 1e-6), self.valves.useful[day, v]
            if self.model.whole[y]:
                minutes[day, v] = max(run, useful) if solved.values[y] > 0.5 else 0.0
            else:
                minutes[day, v] = run if run >= useful else 0.0
        return Answer(minutes, solved.objective, solved.bound, solved.done, self.whole)

    def _runs(self) -> None:
        """shortest useful run x y <= x <= longest x y."""
        model, valves = self.model, self.valves
        pairs = [(int(d), int(v)) for d, v in zip(*np.nonzero(valves.most), strict=True)]
        self.whole = len(pairs) <= WHOLE_UP_TO
        for day, v in pairs:
            most, least = float(valves.most[day, v]), float(valves.useful[day, v])
            if day == 0:
                most = min(most, self._most_today(v))
                if most < least:
                    continue
            x = model.column(0, most, whole=self.whole)
            y = model.column(0, 1, whole=True)
            self.runs[day, v] = x, y
            model.row([(x, 1.0), (y, -least)], low=0)
            model.row([(x, 1.0), (y, -most)], high=0)

    def _most_today(self, v: int) -> float:
        wanted = np.maximum(self.valves.wanted(0, self.program.unwatered[0]), self.valves.settling(0))
        return float(self.valves.most_of(wanted)[v])

    def _capacity(self) -> None:
        """sum of coefficient x <= most: hours, flow and caps, a row of `Capacity` each."""
        count, runs = self.valves.count, self.runs
        for row in self.capacity.rows:
            terms = [
                (runs[divmod(place, count)][0], coefficient)
                for place, coefficient in zip(row.place.tolist(), row.coefficient.tolist(), strict=True)
                if divmod(place, count) in runs
            ]
            if terms:
                self.model.row(terms, high=row.most)

    def _shares(self) -> None:
        """sum of weight x <= hours, for valves of which a share can run side by side at most."""
        for share in self.program.shares:
            for day in range(self.week.days):
                same = [
                    v for v in share.weights if self.valves.flow[day, v] >= self.valves.flow[share.day, v]
                ]
                terms = [(self.runs[day, v][0], share.weights[v]) for v in same if (day, v) in self.runs]
                if len(terms) > 1:
                    self.model.row(terms, high=self.valves.room(day))

    def _cuts(self) -> None:
        """What did not pack on one morning packs on none that is as short and as full."""
        for cut in self.program.cuts:
            for day in range(self.week.days):
                same = all(self.valves.flow[day, v] >= cut.flow[v] for v in cut.minutes)
                known = all((day, v) in self.runs for v in cut.minutes)
                if same and self.valves.room(day) <= cut.room and known:
                    self._cut(day, cut)

    def sets_of_valves(self, day: int) -> None:
        """sum of a morning's sets <= its hours; x of a valve <= sum of the sets that it runs in."""
        able = np.array([v for d, v in self.runs if d == day], dtype=np.int64)
        if not 1 < len(able) <= MOST_SIDE_BY_SIDE:
            return
        sets = together(self.valves, day, able)
        minutes = [self.model.column(0) for _ in sets]
        self.model.row([(column, 1.0) for column in minutes], high=self.valves.room(day))
        for k, v in enumerate(able.tolist()):
            mine = [(minutes[s], -1.0) for s in np.flatnonzero(sets[:, k])]
            self.model.row([(self.runs[day, v][0], 1.0), *mine], high=0)

    def _cut(self, day: int, cut: Cut) -> None:
        """x <= minutes - 1 + over (1 - b) with sum of b >= 1: one of the valves stays below its minutes."""
        over = {v: self.model.high[self.runs[day, v][0]] - (m - 1) for v, m in cut.minutes.items()}
        if min(over.values()) <= 0:
            return
        which = []
        for v, minutes in cut.minutes.items():
            below = self.model.column(0, 1, whole=True)
            which.append((below, 1.0))
            self.model.row([(self.runs[day, v][0], 1.0), (below, over[v])], high=minutes - 1 + over[v])
        self.model.row(which, low=1)

    def _zone(self, z: int) -> None:
        """The outcomes of one zone, and its refills."""
        week, near = self.week, self.terms.near
        v = int(week.valve[z])
        mine = {
            d: self.runs[d, v]
            for d in range(week.days)
            if (d, v) in self.runs and self.valves.takes_part[d, z]
        }
        rain = self.terms.rain[:, z]
        sure, doubted = float(week.deficit[z]), float(week.deficit[z] + DOUBT_SD * week.deficit_sd[z])
        dry_side = _Path(self, mine, z, doubted, self.program.dry_side)
        if near > 1 and (rain[:near] > 0).any():
            no_rain = _Path(self, mine, z, doubted, self.program.no_rain)
            no_rain.go_on(np.zeros(near))
            dry_side.go_on(rain, no_rain.shares)
        else:
            dry_side.go_on(rain)
        mean = dry_side
        if sure != doubted:  # stress is taken over: it matters where the doubt is on the crop's side
            mean = _Path(self, mine, z, sure, self.program.unwatered)
            mean.go_on(rain, dry_side.shares)
        self._refill(mine, z, mean.starts)

    def water(self, mine: Mine, z: int, day: int) -> list[Term]:
        """Net mm of a morning, as terms."""
        if day not in mine:
            return []
        x, y = mine[day]
        rate, fill = float(self.week.net_per_minute[day, z]), float(self.week.fill[z])
        return [(x, rate), *([(y, -rate * fill)] if fill else [])]

    def forced(self, z: int) -> float:
        """Minutes by which the shortest run tops what a zone lacks when it is forced on it (model M7)."""
        week = self.week
        return float(
            max(week.shortest[z] - week.fill[z] - (week.raw[:, z] / week.net_per_minute[:, z]).min(), 0.0)
        )

    def count_loss(self, share: int, day: int, z: int, most: float) -> None:
        """piece >= l - begin, each with its cost; pieces that begin beyond the `most` lack are left out."""
        for begin, cost in ((0.0, float(self.week.ky[day, z])), *EXTRA):
            column = share
            if begin:
                if begin >= most:
                    continue
                column = self.model.column(0)
                self.model.row([(column, 1.0), (share, -1.0)], low=-begin)
            self.loss.append((column, float(self.week.weight[day, z]) * cost))

    def rounds_only(self, day: int, z: int) -> bool:
        """Whether a morning's water can top what the zone lacks by rounding alone."""
        return self.alone(z) and self.week.settle[day, z] == 0

    def rounding(self, z: int, day: int) -> float:
        """mm by which a run may top what a zone lacks: half a minute, or its shortest run (model M7)."""
        return float(self.week.net_per_minute[day, z]) * (0.5 + self.forced(z))

    def alone(self, z: int) -> bool:
        return len(self.valves.of[int(self.week.valve[z])]) == 1

    def most_drained(self, mine: Mine, z: int, day: int, rain: float) -> float:
        """No more can drain than rain and rounding bring.

        Without this the program would let water drain so that a run may be rounded up.
        """
        week = self.week
        if day not in mine:
            return rain
        if not self.rounds_only(day, z):
            return float(np.inf)
        return rain + max(self.rounding(z, day) - float(week.etc[day, z]), 0.0)

    def _refill(self, mine: Mine, z: int, start: Sequence[int]) -> None:
        """rate x + (leave room - rate (fill + 1/2)) y <= s: no run beyond what the zone lacks.

        Minutes are rounded half up.  On a shared valve it is what the driest lacks.
        """
        week = self.week
        if not self.alone(z):
            return  # held to it after the solve: the one that lacks most is not known before
        for day, (x, y) in mine.items():
            if day == 0 or week.settle[day, z] > 0:
                continue
            rate, room = float(week.net_per_minute[day, z]), float(week.leave_room[z])
            terms = [(x, rate), (y, room - rate * (float(week.fill[z]) + 0.5)), (start[day], -1.0)]
            if forced := self.forced(z):  # only where the crop is past its readily available water
                dry = self.model.column(0, 1, whole=True)
                self.model.row([(start[day], 1.0), (dry, -float(week.raw[day, z]))], low=0)
                terms.append((dry, -rate * forced))
            self.model.row(terms, high=0)


class _Path:
    """One outcome of one zone: deficit at dawn, lack and what drains, day by day."""

    def __init__(self, build: _Build, mine: Mine, z: int, first: float, unwatered: Mm) -> None:
        self.build, self.mine, self.z, self.unwatered = build, mine, z, unwatered
        self.starts = [build.model.column(first, first)]
        self.shares: list[int | None] = []

    def go_on(self, rain: FloatArray, given: Sequence[int | None] = ()) -> None:
        """Day after day of `rain`; given: the lack of the first days, from another outcome."""
        for day in range(len(rain)):
            if day < len(given):
                share = given[day]
            else:
                share = self._lack(day) if self.build.week.standing[day, self.z] else None
            self.shares.append(share)
            self.starts.append(self._evening(day, share, float(rain[day])))

    def _lack(self, day: int) -> int:
        """(TAW - RAW) l >= s - water + doubt - RAW (FAO-56 eq 84), l at most 1; counts in the aim."""
        build, z = self.build, self.z
        slack, furthest = float(build.terms.slack[day, z]), self._furthest(day)
        share = build.model.column(0, min(furthest / slack, 1.0) + SLIGHT)
        build.count_loss(share, day, z, furthest / slack)
        water = [(self.starts[day], -1.0), *build.water(self.mine, z, day)]
        past_raw = float(build.terms.doubt[day, z] - build.week.raw[day, z])
        beyond = self._beyond_wilting(share, furthest - slack) if furthest > slack + SLIGHT else []
        build.model.row([(share, slack), *beyond, *water], low=past_raw)
        if build.whole:
            self._held_down(day, share)
        elif furthest > 0 and past_raw <= 0 and build.rounds_only(day, z):
            # below the chord over all that s - water can be: else a crop might be left to use less than it
            # does, so that the stress saved on other days pays
            most, least = min(furthest, slack), build.rounding(z, day)
            chord = [(share, most - past_raw + least), *((c, most / slack * value) for c, value in water)]
            build.model.row(chord, high=most / slack * least + SLIGHT)
        return share

    def _beyond_wilting(self, share: int, most: float) -> list[Term]:
        """over <= most x b, b <= l: mm beyond the wilting point, where the doubt may lead, stress no more."""
        model = self.build.model
        over, wilted = model.column(0, most), model.column(0, 1, whole=self.build.whole)
        model.row([(over, 1.0), (wilted, -most)], high=0)
        model.row([(share, 1.0), (wilted, -1.0)], low=0)
        return [(over, 1.0)]

    def _furthest(self, day: int) -> float:
        """mm past RAW, doubt included, that there can be: without water, but where a drier dawn is a wetter
        evening."""
        build, z = self.build, self.z
        wilting = float(build.terms.slack[day, z] + build.terms.doubt[day, z])
        if (build.terms.slope[:day, z] > 1).any():
            return wilting + float(build.terms.use[:day, z].max())
        dry = float(self.unwatered[day, z] + build.terms.doubt[day, z] - build.week.raw[day, z])
        return min(max(dry, 0.0), wilting)

    def _held_down(self, day: int, share: int) -> None:
        """l <= M past, and l at most that of `_lack` where past: no more lack than there is.

        Where ETc is near TAW - RAW, a greater one today might pay tomorrow.
        """
        build, z = self.build, self.z
        raw, doubt = float(build.week.raw[day, z]), float(build.terms.doubt[day, z])
        slack = float(build.terms.slack[day, z])
        given = build.model.high[self.mine[day][0]] if day in self.mine else 0.0
        far = raw + float(build.week.net_per_minute[day, z]) * given
        past = build.model.column(0, 1, whole=True)  # beyond RAW
        build.model.row([(share, 1.0), (past, -float(build.week.taw[day, z]) * 2 / slack)], high=0)
        build.model.row(
            [
                (share, slack),
                (self.starts[day], -1.0),
                *build.water(self.mine, z, day),
                (past, far),
            ],
            high=far + doubt - raw,
        )

    def _evening(self, day: int, share: int | None, rain: float) -> int:
        """s' = s - water - rain + ETc (1 - l) + q (FAO-56 eq 85): the next morning's column."""
        build, z = self.build, self.z
        week, model = build.week, build.model
        if day + 1 < week.days and week.begins[day + 1, z] and not week.standing[: day + 1, z].any():
            held = float(self.unwatered[day + 1, z])  # neither crop nor water before: known
            return model.column(held, held)
        following = model.column(0)
        drained = model.column(0, build.most_drained(self.mine, z, day, rain))
        terms = [(following, 1.0), (self.starts[day], -1.0), (drained, -1.0)]
        terms += build.water(self.mine, z, day)
        if share is not None:
            terms.append((share, float(build.terms.use[day, z])))
        if self._may_run_out(day, rain):
            terms.append((self._not_evaporated(day, share, following), 1.0))
        etc = float(week.etc[day, z])
        model.row(terms, low=etc - rain, high=etc - rain)
        return following

    def _may_run_out(self, day: int, rain: float) -> bool:
        """Whether evaporation could empty the soil that day, were no water given before."""
        week, z = self.build.week, self.z
        if week.evaporation[day, z] <= 0:
            return False
        wetter_is_drier = bool((self.build.terms.slope[:day, z] > 1).any())
        dawn = float(week.taw[day, z] if wetter_is_drier else self.unwatered[day, z])
        return dawn + float(week.etc[day, z]) - rain > float(week.taw[day, z])

    def _not_evaporated(self, day: int, share: int | None, following: int) -> int:
        """left <= evaporation x b, s' >= TAW b: what an empty soil does not lose (model M5).

        It is empty only where the lack was at least 1 - evaporation / (TAW - RAW) in the morning.
        """
        build, z = self.build, self.z
        evaporation, slack = float(build.week.evaporation[day, z]), float(build.terms.slack[day, z])
        left = build.model.column(0, evaporation)
        empty = build.model.column(0, 1, whole=build.whole)
        build.model.row([(left, 1.0), (empty, -evaporation)], high=0)
        build.model.row([(following, 1.0), (empty, -float(build.week.taw[day, z]))], low=0)
        if share is not None and evaporation < slack:
            build.model.row([(share, 1.0), (empty, evaporation / slack - 1)], low=0)
        return left
