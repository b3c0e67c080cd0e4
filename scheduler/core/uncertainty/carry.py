"""The doubt of weather and water carried along the root-zone balance, day after day, all zones at once.

Errors that last (ET0, rain, water given) are met by six scenarios, each with one of the three sqrt(3) sd up
or down: together they have the mean, variance and, one by one, the fourth moment of a normal spread (the
unscented transform's points for three causes: Julier and Uhlmann 1997).  Within a scenario the deficit is
taken as normal, and the two bends of the balance (held at 0, stress from RAW on) pass on its moments: those
of a rectified normal, and the mean slope of the bend for what hangs together (J. Bussgang 1952).
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import NamedTuple, Protocol

import numpy as np

from scheduler.core.arrays import FloatArray, IntArray, Mm
from scheduler.core.balance.soil import Balance, percolation, step, stress_coefficient
from scheduler.core.balance.terms import Terms
from scheduler.core.uncertainty.sources import Doubt

START_SHARE_OF_TAW = 0.10
"""sd of the deficit a balance begins with (own reading: nobody measured it)."""
PARTS = ("reference ET, lasting", "reference ET, day to day", "rain", "water given", "start and bounds",
         "soil readings")  # fmt: skip
ET0, RAIN, WATER = range(3)  # lasting causes: scenario 2k is sqrt(3) sd up, 2k + 1 as much down
SCENARIOS = 6
FAR = 4.0  # standard deviations off a bend that leave it unfelt
_UP = np.sqrt(3.0) * np.array([[1.0], [-1.0]])
_TAIL = (0.319381530, -0.356563782, 1.781477937, -1.821255978, 1.330274429)


class Rectified(NamedTuple):
    """Moments of max(0, x) for a normal x, and P(x > 0): the mean slope."""

    mean: FloatArray
    variance: FloatArray
    slope: FloatArray


def _normal(z: FloatArray) -> tuple[FloatArray, FloatArray]:
    """(density, distribution function) of the standard normal: Abramowitz and Stegun (1964) 26.2.17,
    within 7.5e-8."""
    z = np.clip(z, -30.0, 30.0)
    density = np.exp(-0.5 * z * z) / math.sqrt(2 * math.pi)
    t = 1 / (1 + 0.2316419 * np.abs(z))
    b1, b2, b3, b4, b5 = _TAIL
    tail = density * t * (b1 + t * (b2 + t * (b3 + t * (b4 + t * b5))))
    return density, np.where(z > 0, 1 - tail, tail)


def rectified(mean: FloatArray, sd: FloatArray) -> Rectified:
    """Of a normal x with this mean and sd.

    >>> half = rectified(np.array([0.0]), np.array([1.0]))     # 1/sqrt(2 pi) and 1/2 - 1/(2 pi)
    >>> round(float(half.mean[0]), 5), round(float(half.variance[0]), 5), round(float(half.slope[0]), 6)
    (0.39894, 0.34085, 0.5)
    """
    density, slope = _normal(mean / sd)
    m = np.maximum(mean * slope + sd * density, 0)
    variance = (mean * mean + sd * sd) * slope + mean * sd * density - m * m
    return Rectified(m, np.maximum(variance, 0), slope)


def quantile(share: float, mean: FloatArray, sd: FloatArray) -> FloatArray:
    """The value that `share` of an even mixture of normals lies below; mixed over the first axis.

    >>> round(float(quantile(0.95, np.array([0.0, 0.0]), np.array([1.0, 1.0]))), 3)
    1.645
    """
    sd = np.maximum(sd, 1e-9)
    low, high = (mean - 6 * sd).min(axis=0), (mean + 6 * sd).max(axis=0)
    for _ in range(40):
        middle = (low + high) / 2
        below = _normal((middle - mean) / sd)[1].mean(axis=0) < share
        low, high = np.where(below, middle, low), np.where(below, high, middle)
    return np.asarray((low + high) / 2)


class State:
    """What is known of true minus stated deficit, mm: (scenario, zone) arrays.

    shift: mean.  own: (5, scenario, zone) variances of what is independent between causes.
    memory: covariance with the passing error of ET0 in its sd.  sensor: sensitivity to the lasting error of
    the soil sensor.
    """

    __slots__ = ("memory", "own", "sensor", "shift")
    OWN_ET0, OWN_RAIN, OWN_WATER, OWN_BOUND, OWN_READING = range(5)

    def __init__(self, zones: int) -> None:
        self.own = np.zeros((5, SCENARIOS, zones))
        self.shift, self.memory, self.sensor = (np.zeros((SCENARIOS, zones)) for _ in range(3))

    @property
    def within(self) -> Mm:
        """Variance within each scenario."""
        own = self.own
        return np.asarray(own[0] + own[1] + own[2] + own[3] + own[4] + self.sensor * self.sensor)

    @property
    def mean(self) -> Mm:
        return np.asarray(self.shift.mean(axis=0))

    @property
    def variance(self) -> Mm:
        """(zone,) about the mean."""
        return np.asarray(self.within.mean(axis=0) + self.shift.var(axis=0))

    @property
    def sd(self) -> Mm:
        """(zone,) standard uncertainty about the stated deficit: what is off in the mean counts too."""
        return np.asarray(np.sqrt((self.within + self.shift * self.shift).mean(axis=0)))

    def scale(self, by: FloatArray) -> None:
        self.own *= by * by
        self.memory *= by
        self.sensor *= by

    def parts(self) -> FloatArray:
        """Mean squares by cause, (part, zone), in the order of PARTS; they add up to sd squared."""
        centre = self.mean
        between = ((self.shift - centre) ** 2).reshape(3, 2, -1).sum(axis=1) / SCENARIOS
        own = self.own.mean(axis=1)
        return np.stack([
            between[ET0], own[self.OWN_ET0], between[RAIN] + own[self.OWN_RAIN],
            between[WATER] + own[self.OWN_WATER], own[self.OWN_BOUND] + centre**2,
            own[self.OWN_READING] + (self.sensor**2).mean(axis=0),
        ])  # fmt: skip


class Corrector(Protocol):
    """Soil readings: corrects Dr of some zones on some mornings and evenings."""

    @property
    def zones(self) -> IntArray: ...

    def correct(self, day: int, *, evening: bool, deficit: Mm, state: State) -> Mm: ...


@dataclass(frozen=True, slots=True)
class Carried:
    """(day, zone) standard uncertainty of the deficit about the stated one, mm; the balance with readings."""

    balance: Balance
    sd_start: Mm  # of deficit_start
    shift: Mm  # (day, scenario, zone), morning: mean of true minus stated
    within: Mm  # (day, scenario, zone), morning: sd within each scenario
    parts: FloatArray  # (part, zone), mean squares on the morning of `today`

    def band(self, days: slice | int, taw: Mm, *, share: float = 0.90) -> tuple[Mm, Mm]:
        """Low and high end of the morning deficit's band of this share, mm, within 0 .. TAW."""
        shift = np.moveaxis(self.shift[days], -2, 0)
        within = np.moveaxis(self.within[days], -2, 0)
        stated = self.balance.deficit_start[days]
        low, high = (stated + quantile(s, shift, within) for s in ((1 - share) / 2, (1 + share) / 2))
        return np.clip(low, 0, taw), np.clip(high, 0, taw)


def carry(
    terms: Terms,
    balance: Balance,
    *,
    et0: Mm,
    et0_doubt: Doubt,
    rain: Mm,
    rain_doubt: Doubt,
    water_doubt: Doubt,
    today: int,
    start_share: float = START_SHARE_OF_TAW,
    readings: Corrector | None = None,
) -> Carried:
    """The doubt of every day's deficit.  et0, rain and their doubts (day,); water's (day, zone).

    Zones that `readings` may correct are stepped anew, the others' balance is left as it is.
    """
    count, width = terms.etc.shape
    state = State(width)
    shift, within = (np.zeros((count, SCENARIOS, width)) for _ in range(2))
    parts = np.zeros((len(PARTS), width))
    mean = _Mean(terms, balance, readings)
    errors = _Errors(terms, et0, et0_doubt, rain, rain_doubt, water_doubt)
    begins: dict[int, list[int]] = {}
    for day, zone in terms.begins:
        begins.setdefault(day, []).append(zone)
    begun, all_begun = np.zeros(width, dtype=bool), False
    for d in range(min(begins, default=count), count):
        for zone in begins.get(d, ()):
            if begun[zone]:
                _not_above(state, zone, terms.taw[d, zone] / 2)
            else:
                state.own[State.OWN_BOUND, :, zone] = (start_share * terms.taw[d, zone]) ** 2
                begun[zone] = True
                all_begun = bool(begun.all())
        mean.begin(d, begins.get(d, []), state)
        shift[d], within[d] = state.shift, state.within
        if d == today:
            parts = state.parts()
        true = _a_day(state, mean.after(d), terms, errors, d)
        state.shift = (true - mean.end(d)) * begun
        if not all_begun:
            state.own[:, :, ~begun] = 0.0
            state.memory[:, ~begun] = 0.0
        mean.evening(d, state)
    sd_start = np.sqrt((within + shift * shift).mean(axis=1))
    return Carried(mean.balance(), sd_start, shift, np.sqrt(within), parts)


def _not_above(state: State, zone: int, most: float) -> None:
    """A new planting's root zone holds less: so does the doubt of it."""
    sd = float(state.sd[zone])
    if sd > most:
        state.own[:, :, zone] *= (most / sd) ** 2
        for linear in (state.memory, state.sensor, state.shift):
            linear[:, zone] *= most / sd


class _Errors:
    """What each day adds, laid out once."""

    def __init__(self, terms: Terms, et0: Mm, et: Doubt, rain: Mm, rain_doubt: Doubt, water: Doubt) -> None:
        some = np.maximum(et0, 1e-9)[:, None]
        self.slope = terms.etc / (terms.taw - terms.raw)
        share = terms.spread(terms.flat.rain_share)
        bare = np.where(terms.rain_eff > 0, terms.rain_eff / np.maximum(rain[:, None], 1e-9), 1.0)
        share = np.where(terms.standing, share, bare)
        self.et_lasting = et.lasting[:, None] / some  # of ET0: a share of whatever the crop uses
        self.et_passing, self.memory = et.passing[:, None] / some, et.memory
        self.et_bias = np.broadcast_to(np.asarray(et.bias), et0.shape)[:, None] / some
        self.rain_lasting = share * rain_doubt.lasting[:, None]
        self.rain_passing2 = (share * rain_doubt.passing[:, None]) ** 2
        self.water_lasting, self.water_passing2 = water.lasting, water.passing**2
        self.rained = np.asarray(self.rain_lasting.any(axis=1))
        self.watered = np.asarray(self.water_lasting.any(axis=1))


def _a_day(state: State, after: Mm, terms: Terms, errors: _Errors, d: int) -> Mm:
    """Mean of the true deficit in the evening, (scenario, zone); the state's spread goes one day on."""
    x = after + state.shift
    water = errors.water_lasting[d]
    if errors.watered[d]:
        x[2 * WATER : 2 * WATER + 2] -= _UP * water
    sd, above = np.sqrt(state.within) + 1e-9, x - terms.raw[d]
    use = np.broadcast_to(terms.etc[d], x.shape)
    if np.count_nonzero(above > -FAR * sd):
        over, slope = rectified(above, sd), errors.slope[d]
        use = np.maximum(use - slope * over.mean, 0)
        state.scale(np.maximum(1 - slope * over.slope, 0))
    x += (1 + errors.et_bias[d]) * use - terms.rain_eff[d]
    x[2 * ET0 : 2 * ET0 + 2] += _UP * (errors.et_lasting[d] * use[2 * ET0 : 2 * ET0 + 2])
    rain = errors.rain_lasting[d]
    if errors.rained[d]:
        x[2 * RAIN : 2 * RAIN + 2] -= _UP * rain
    own = state.own
    fresh, kept = errors.et_passing[d] * use, errors.memory[d] * state.memory
    own[State.OWN_ET0] = np.maximum(own[State.OWN_ET0] + fresh * (2 * kept + fresh), 0)
    state.memory = kept + fresh
    own[State.OWN_RAIN] += errors.rain_passing2[d]
    own[State.OWN_WATER] += errors.water_passing2[d]
    variance = state.within
    sd = np.sqrt(variance) + 1e-9
    if np.count_nonzero(x < FAR * sd):
        bound = rectified(x, sd)
        state.scale(bound.slope)
        own[State.OWN_BOUND] += np.maximum(bound.variance - bound.slope**2 * variance, 0)
        x = bound.mean
    return np.asarray(np.minimum(x, terms.taw[d]))


class _Mean:
    """The stated deficit: the balance's own, or stepped anew in zones that have readings."""

    def __init__(self, terms: Terms, balance: Balance, readings: Corrector | None) -> None:
        self._terms, self._given = terms, balance
        self._readings = readings if readings is not None and len(readings.zones) else None
        self._start, self._end, self._eta = balance.deficit_start, balance.deficit_end, balance.eta
        if self._readings is not None:
            self._start, self._end, self._eta = self._start.copy(), self._end.copy(), self._eta.copy()
            self._slope = terms.etc / (terms.taw - terms.raw)

    def begin(self, d: int, begins: list[int], state: State) -> None:
        """The morning: what last night left, held to a new planting's TAW, then corrected by readings."""
        if self._readings is None:
            return
        z = self._readings.zones
        if d > 0:
            known = self._given.known[d - 1, z]
            self._start[d, z] = np.where(known, self._end[d - 1, z], self._start[d, z])
            for zone in begins:
                if zone in z:
                    self._start[d, zone] = min(self._start[d, zone], self._terms.taw[d, zone])
        self._start[d] = self._readings.correct(d, evening=False, deficit=self._start[d], state=state)

    def after(self, d: int) -> Mm:
        """Once the morning's water is in."""
        return np.asarray(self._start[d] - self._given.irrigation[d])

    def end(self, d: int) -> Mm:
        if self._readings is not None:
            z, terms, known = self._readings.zones, self._terms, self._given.known[d]
            stepped = step(
                self._start[d, z], irrigation=self._given.irrigation[d, z], rain_eff=terms.rain_eff[d, z],
                etc=terms.etc[d, z], taw=terms.taw[d, z], slope=self._slope[d, z],
            )  # fmt: skip
            self._end[d, z] = np.where(known[z], stepped.deficit, self._end[d, z])
            self._eta[d, z] = np.where(known[z], stepped.eta, self._eta[d, z])
        return np.asarray(self._end[d])

    def evening(self, d: int, state: State) -> None:
        if self._readings is not None:
            self._end[d] = self._readings.correct(d, evening=True, deficit=self._end[d], state=state)

    def balance(self) -> Balance:
        if self._readings is None:
            return self._given
        terms, irrigation, z = self._terms, self._given.irrigation, self._readings.zones
        drained = percolation(self._start, irrigation=irrigation, rain_eff=terms.rain_eff, eta=self._eta)
        ks, lost = self._given.ks.copy(), self._given.percolation.copy()
        dry = np.maximum(self._start - irrigation, 0)
        ks[:, z] = stress_coefficient(dry, taw=terms.taw, span=terms.taw - terms.raw)[:, z]
        lost[:, z] = np.where(terms.standing, drained, 0.0)[:, z]
        return replace(
            self._given, deficit_start=self._start, deficit_end=self._end, eta=self._eta, ks=ks,
            percolation=lost,
        )  # fmt: skip
