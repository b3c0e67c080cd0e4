"""Drip tapes and the supply line that feeds them: pressure and flow at every emitter.

Pressures in kPa, flows in L/min, lengths in m. A tape is marched from its far end upstream: guess the
end pressure, add each emitter's flow to the line and each spacing's friction and rise to the pressure,
and correct the guess until the inlet pressure is met. All tapes of all zones take each step together, so
the only loop is over the emitters along a tape.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import NamedTuple

import numpy as np

from scheduler.core.arrays import BoolArray, FloatArray, IntArray, Kilopascal, Metres
from scheduler.core.hydraulics.pipes import KPA_PER_M, FrictionLaw, Loss, darcy_weisbach, velocity_pressure

SOFT_KPA = 0.1
"""Below this (a centimetre of water) an emitter's flow falls in a straight line to 0 at no pressure, so that
an exponent near 0, a compensating emitter, makes no jump there."""
KNEE_KPA = 1e-4
"""Above the pressure at which all flow ends: where the unknowns' scale turns from a line into a logarithm."""
NUDGE = 1e-5  # between the two points of a secant, on that scale
TOLERANCE_KPA = 1e-5
ROUNDS = 80


@dataclass(frozen=True, slots=True)
class LateralBatch:
    """Tapes to be solved together; every field (tape,).

    Where `tapes` > 1, that many equal ones leave the same take-off and the entry stands for each of them.
    """

    emitters: IntArray
    spacing_m: Metres  # the first emitter stands one full spacing from the inlet
    emitter_lpm: FloatArray  # k of q = k P^x, P in kPa
    exponent: FloatArray
    diameter_m: Metres
    roughness_m: Metres
    slope: FloatArray  # rise away from the inlet, m per m
    takeoff_loss: FloatArray  # K, on the velocity head in the tape's first segment
    tapes: IntArray


@dataclass(frozen=True, slots=True)
class Branches:
    """Supply lines, each fed at one end at a held pressure. Fields (branch,) but `members`.

    Where there is no line, its lengths are 0 and each take-off has the feed's pressure.
    """

    members: IntArray  # (branch, place): tapes in order from the feed; -1 fills up the shorter branches
    feed_kpa: Kilopascal
    diameter_m: Metres
    roughness_m: Metres
    first_m: Metres  # from the feed to the first take-off
    spacing_m: Metres  # between take-offs
    slope: FloatArray  # rise away from the feed, m per m

    @classmethod
    def without_line(cls, inlet_kpa: Kilopascal) -> Branches:
        """Every tape at an inlet pressure of its own."""
        inlet = np.asarray(inlet_kpa, dtype=np.float64)
        none = np.zeros_like(inlet)
        return cls(np.arange(inlet.size)[:, None], inlet, none + 0.01, none, none, none, none)


@dataclass(frozen=True, slots=True)
class Solution:
    """Pressure and flow everywhere; (emitter, tape) arrays hold nan beyond a tape's last emitter."""

    pressure_kpa: Kilopascal  # (emitter, tape)
    emitter_lpm: FloatArray  # (emitter, tape)
    emitters: IntArray  # (tape,)
    still_kpa: Kilopascal  # (tape,): at the take-off, if nothing flowed
    inlet_kpa: Kilopascal  # (tape,): at the take-off, before its minor loss
    tape_lpm: FloatArray  # (tape,): of one tape
    line_lpm: FloatArray  # (branch, place): in the supply line on its way to each take-off
    converged: BoolArray  # (branch,)
    rounds: int


@np.errstate(over="ignore", invalid="ignore", divide="ignore")  # a wild trial is not taken
def solve(batch: LateralBatch, branches: Branches, law: FrictionLaw = darcy_weisbach) -> Solution:
    """Solve all tapes and supply lines at once.

    The unknowns are the tapes' end pressures. Each round marches every tape twice side by side, from the
    guess and from a point close by; the secant through the two tells how inlet pressure and flow answer, and
    the supply lines couple the tapes of a branch. A step that does not bring a branch nearer is halved until
    it does (where a branch has one tape, its root stays bracketed and the bracket is halved): inlet pressure
    rises with end pressure and flow never falls, so such a step exists and there is but one solution.

    Where `ROUNDS` do not suffice, `converged` says so; seen only where the pressure is used up along the way,
    so that the end pressure no longer tells what happens upstream. Tapes without emitters carry no flow.

    A level tape of 300 emitters of 1 L/h at 80 kPa, 16 mm wide and 100 m long, fed at that pressure (5 L/min
    were there no friction):

    >>> one = np.array([1.0])
    >>> k = 1.0 / 60 / 80**0.5 * one
    >>> tape = LateralBatch(np.array([300]), one / 3, k, one / 2, one * 0.016, one * 1.5e-6, 0 * one, 0 * one,
    ...                     np.array([1]))
    >>> found = solve(tape, Branches.without_line(one * 80))
    >>> round(float(found.tape_lpm[0]), 2), bool(found.converged[0])
    (4.85, True)
    """
    march, line = _March(batch, law), _Lines(branches, law, batch.emitters.size)
    search = _Search(march, line)
    while not search.over:
        search.round()
    return search.solution()


class _Best(NamedTuple):
    """The nearest trial so far of each branch."""

    pressure_kpa: Kilopascal  # (emitter, tape)
    tape_lpm: FloatArray  # (tape,)
    takeoff_kpa: Kilopascal  # (tape,)
    line_lpm: FloatArray  # (branch, place)


class _Search:
    """Newton's steps on the tapes' end pressures, halved where they do not bring a branch nearer."""

    def __init__(self, march: _March, line: _Lines) -> None:
        self.march, self.line = march, line
        self.scale = _Scale(march.dead_end)
        self.highest_end = line.of_places(line.still_kpa) - march.whole_rise  # were there no friction
        self.here = self.scale.of_end(np.minimum(march.dead_end, self.highest_end))
        guess = np.minimum(_first_guess(march, line), self.highest_end)
        self.step = self.scale.of_end(guess) - self.here
        self.low, self.high = self.here, np.full_like(self.here, np.inf)
        self.alone = line.of_tapes(line.there.sum(axis=1) == 1)
        self.gap = np.full(line.still_kpa.shape[:1], np.inf)
        zeros = np.zeros_like(self.here)
        self.best = _Best(np.zeros_like(march.k), zeros, self.highest_end, np.zeros(line.there.shape))
        self.rounds = 0
        self.over = False

    def round(self) -> None:
        """One trial: march, compare with the take-offs, keep what is nearer, work out the next step."""
        self.rounds += 1
        goal = self.here + self.step
        outside = self.alone & ((goal < self.low) | (goal > self.high))
        goal = np.where(outside, (self.low + self.high) / 2, goal)
        trial = np.minimum(self.scale.end_of(goal), self.highest_end)
        pressure, inlet, flow = self.march.run(np.stack([trial, trial + NUDGE * self.scale.slope(trial)]))
        takeoff, takeoff_answer, line_lpm = self.line.pressures(flow[0] * self.march.batch.tapes)
        short = takeoff - inlet[0]
        take = self._keep(short, _Best(pressure[:, 0], flow[0], takeoff, line_lpm))
        self.over = self.rounds >= ROUNDS or bool((self.gap <= TOLERANCE_KPA).all())
        if self.over:
            return
        goal = self.scale.of_end(trial)
        self.low = np.where(short > 0, goal, self.low)
        self.high = np.where(short > 0, self.high, goal)
        flow_answer = (flow[1] - flow[0]) * self.march.batch.tapes / NUDGE
        wanted = self.line.newton(short, takeoff_answer, (inlet[1] - inlet[0]) / NUDGE, flow_answer)
        closer = np.where(self.alone, (self.low + self.high) / 2 - self.here, self.step / 2)
        self.here, self.step = np.where(take, goal, self.here), np.where(take, wanted, closer)

    def _keep(self, short: Kilopascal, trial: _Best) -> BoolArray:
        """(tape,) Whether the trial is nearer than any before; never where it ran out of numbers."""
        gap = self.line.worst(short)
        better = gap < self.gap
        self.gap = np.where(better, gap, self.gap)
        take = self.line.of_tapes(better)
        old = self.best
        self.best = _Best(
            np.where(take, trial.pressure_kpa, old.pressure_kpa),
            np.where(take, trial.tape_lpm, old.tape_lpm),
            np.where(take, trial.takeoff_kpa, old.takeoff_kpa),
            np.where(better[:, None], trial.line_lpm, old.line_lpm),
        )
        return take

    def solution(self) -> Solution:
        march, best = self.march, self.best
        emitters = march.batch.emitters
        there = np.arange(best.pressure_kpa.shape[0])[:, None] < emitters
        return Solution(
            pressure_kpa=np.where(there, best.pressure_kpa, np.nan),
            emitter_lpm=np.where(there, march.emit(best.pressure_kpa), np.nan),
            emitters=emitters,
            still_kpa=self.line.of_places(self.line.still_kpa),
            inlet_kpa=best.takeoff_kpa,
            tape_lpm=best.tape_lpm,
            line_lpm=best.line_lpm,
            converged=self.gap <= TOLERANCE_KPA,
            rounds=self.rounds,
        )


class _Scale:
    """End pressure, kPa, and the unknown that steps are taken in.

    Along a tape that friction rules, the end pressure spans many powers of ten: the scale is a straight line
    within KNEE_KPA of the dead end and a logarithm beyond.
    """

    def __init__(self, dead_end: Kilopascal) -> None:
        self.dead_end = dead_end

    def of_end(self, end: Kilopascal) -> FloatArray:
        return np.asarray(np.arcsinh((end - self.dead_end) / KNEE_KPA))

    def end_of(self, unknown: FloatArray) -> Kilopascal:
        return np.asarray(self.dead_end + KNEE_KPA * np.sinh(unknown))

    def slope(self, end: Kilopascal) -> FloatArray:
        """kPa per unit of the unknown."""
        return np.asarray(np.hypot(end - self.dead_end, KNEE_KPA))


class _March:
    """The tapes, with all that does not change from one march to the next worked out."""

    def __init__(self, batch: LateralBatch, law: FrictionLaw) -> None:
        longest = int(batch.emitters.max(initial=0))
        there = np.arange(longest)[:, None] < batch.emitters  # (emitter, tape)
        self.k = np.where(there, batch.emitter_lpm, 0.0)
        self.rise = np.where(there, batch.slope * batch.spacing_m * KPA_PER_M, 0.0)
        self.exponent, self.batch = batch.exponent, batch
        self.loss: Loss = law(batch.diameter_m, batch.roughness_m, batch.spacing_m)
        self.kpa_per_lpm2 = batch.takeoff_loss * velocity_pressure(1.0, batch.diameter_m)
        self.whole_rise = self.rise.sum(axis=0)
        # with the end at this pressure or less no emitter has any, so nothing flows
        self.dead_end = -np.maximum(self.whole_rise - self.rise[0], 0.0) if longest else self.whole_rise

    def emit(self, pressure: Kilopascal) -> FloatArray:
        """(emitter, tape) L/min."""
        return self.k * _law(pressure, self.exponent)

    def run(self, end: Kilopascal) -> tuple[Kilopascal, Kilopascal, FloatArray]:
        """End pressures (..., tape) -> pressures (emitter, ..., tape), inlet pressure, flow (..., tape)."""
        pressure = np.empty((self.k.shape[0], *end.shape))
        here, flow = end, np.zeros_like(end)
        for i in range(self.k.shape[0] - 1, -1, -1):
            pressure[i] = here
            flow = flow + self.k[i] * _law(here, self.exponent)
            here = here + self.loss(flow) + self.rise[i]
        return pressure, here + self.kpa_per_lpm2 * flow * flow, flow


def _law(pressure: Kilopascal, exponent: FloatArray) -> FloatArray:
    """P^x, 0 where there is no pressure."""
    if pressure.min(initial=np.inf) >= SOFT_KPA:
        return np.asarray(pressure**exponent)
    return np.asarray(
        np.maximum(pressure, SOFT_KPA) ** exponent * np.minimum(np.maximum(pressure / SOFT_KPA, 0.0), 1.0)
    )


class _Lines:
    """The supply lines; an array over tapes is turned into (branch, place) and back."""

    def __init__(self, branches: Branches, law: FrictionLaw, tapes: int) -> None:
        members = branches.members
        self.there = members >= 0
        self.members = np.where(self.there, members, 0)
        self.place = np.zeros(tapes, dtype=np.int64)  # of each tape in the flattened (branch, place)
        self.place[members[self.there]] = np.flatnonzero(self.there)
        number = np.arange(members.shape[1])
        length = np.where(number == 0, branches.first_m[:, None], branches.spacing_m[:, None])
        self.length = length
        self.loss = law(branches.diameter_m[:, None], branches.roughness_m[:, None], length)
        rise = np.cumsum(length, axis=1) * branches.slope[:, None] * KPA_PER_M
        self.still_kpa = branches.feed_kpa[:, None] - rise
        self.shared = np.minimum(number[:, None], number)  # (place, place): last segment on both ways
        self.eye = np.eye(members.shape[1])

    def by_place(self, of_tapes: FloatArray) -> FloatArray:
        return np.where(self.there, of_tapes[self.members], 0.0)

    def of_places(self, by_place: FloatArray) -> FloatArray:
        return np.asarray(by_place.reshape(-1)[self.place])

    def of_tapes(self, by_branch: BoolArray) -> BoolArray:
        return np.asarray(by_branch[self.place // self.members.shape[1]])

    def worst(self, short: Kilopascal) -> Kilopascal:
        return np.asarray(np.abs(self.by_place(short)).max(axis=1, initial=0.0))

    def pressures(self, row_lpm: FloatArray) -> tuple[Kilopascal, FloatArray, FloatArray]:
        """Take-off pressure (tape,), its answer to row flows (branch, place, place), flow in the line."""
        flow = np.cumsum(self.by_place(row_lpm)[:, ::-1], axis=1)[:, ::-1]
        nudge = 1e-5 * flow + 1e-9
        loss, more = self.loss(np.stack([flow, flow + nudge]))
        answer = -np.cumsum((more - loss) / nudge, axis=1)
        return self.of_places(self.still_kpa - np.cumsum(loss, axis=1)), answer[:, self.shared], flow

    def newton(
        self, short: Kilopascal, takeoff_answer: FloatArray, inlet_answer: FloatArray, flow_answer: FloatArray
    ) -> FloatArray:
        """Step (tape,) that would close every gap if all answers were straight lines; kept to a few units."""
        own = np.where(self.there, np.maximum(self.by_place(inlet_answer), 1e-9), 1.0)
        matrix = takeoff_answer * self.by_place(flow_answer)[:, None, :] - self.eye * own[:, None, :]
        step = np.linalg.solve(matrix, -self.by_place(short)[..., None])[..., 0]
        longest = np.abs(step).max(axis=1, keepdims=True, initial=0.0)
        return self.of_places(step * (3.0 / np.maximum(longest, 3.0)))


def _first_guess(march: _March, line: _Lines) -> Kilopascal:
    """End pressures from a few sweeps over all emitters at once; good on short tapes, harmless on others."""
    rise = np.cumsum(march.rise, axis=0)
    takeoff = line.of_places(line.still_kpa)
    pressure = takeoff - rise
    trust = np.ones_like(takeoff)
    for sweep in range(4):
        flow = np.cumsum(march.emit(pressure)[::-1], axis=0)[::-1]
        whole = flow[0] if flow.shape[0] else np.zeros_like(takeoff)
        takeoff = line.pressures(whole * march.batch.tapes)[0]
        lost_kpa = march.kpa_per_lpm2 * whole * whole + np.cumsum(march.loss(flow), axis=0)
        next_pressure = takeoff - rise - lost_kpa
        if sweep == 0 and flow.shape[0]:
            still = line.of_places(line.still_kpa) - rise[-1]
            lost = (still - next_pressure[-1]) / np.maximum(still, 1.0)
            trust = 1 / (1 + 0.9 * np.maximum(lost, 0.0))
        pressure = pressure + trust * (next_pressure - pressure)
    last = pressure[-1] if pressure.shape[0] else takeoff
    return np.asarray(np.maximum(last, march.dead_end + 0.01 * np.abs(takeoff)))
