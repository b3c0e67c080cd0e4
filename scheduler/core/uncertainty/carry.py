"""The uncertainty of weather and water carried along the root-zone balance, day after day, all zones at once.

Errors that last (ET0, rain, water given) are met by six scenarios, each with one of the three sqrt(3) sd up
or down: together they have the mean, variance and, one by one, the fourth moment of a normal spread (the
unscented transform's points for three causes: Julier and Uhlmann 1997).  Within a scenario the deficit is
taken as normal, and the two bends of the balance (held at 0, stress from RAW on) pass on its moments: those
of a rectified normal, and the mean slope of the bend for what hangs together (J. Bussgang 1952).

Evaporation kept apart does not hang on the deficit, and stress does not lower it: it is taken day by day as
the balance has it, with the error of the day's ET0.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Protocol

import numpy as np

from scheduler.core.arrays import FloatArray, IntArray, Mm
from scheduler.core.balance.apart import Apart
from scheduler.core.balance.soil import Balance, evening, percolation, stress_coefficient
from scheduler.core.balance.terms import Terms, strip_before
from scheduler.core.uncertainty.moments import quantile, rectified
from scheduler.core.uncertainty.sources import Uncertainty

START_SHARE_OF_TAW = 0.10
"""sd of the deficit a balance begins with (own reading: nobody measured it)."""
PARTS = ("reference ET, lasting", "reference ET, day to day", "rain", "water given", "start and bounds",
         "soil readings")  # fmt: skip
ET0, RAIN, WATER = range(3)  # lasting causes: scenario 2k is sqrt(3) sd up, 2k + 1 as much down
SCENARIOS = 6
FAR = 4.0  # standard deviations off a bend that leave it unfelt
_UP = np.sqrt(3.0) * np.array([[1.0], [-1.0]])


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
        """(zone,) of true minus stated."""
        return np.asarray(self.shift.mean(axis=0))

    @property
    def variance(self) -> Mm:
        """(zone,) about the mean."""
        return np.asarray(self.within.mean(axis=0) + self.shift.var(axis=0))

    @property
    def sd(self) -> Mm:
        """(zone,) standard uncertainty about the stated deficit: what is off in the mean counts too.

        >>> state = State(zones=1)
        >>> state.own[State.OWN_BOUND] += 16.0
        >>> state.shift += 3.0              # off by 3 mm in the mean, 4 mm about it
        >>> state.sd.tolist(), state.variance.tolist()
        ([5.0], [16.0])
        """
        return np.asarray(np.sqrt((self.within + self.shift * self.shift).mean(axis=0)))

    def scale(self, by: FloatArray) -> None:
        """Every error times `by`, (scenario, zone): a bend of the balance passes only a part of it."""
        self.own *= by * by
        self.memory *= by
        self.sensor *= by

    def parts(self) -> FloatArray:
        """Mean squares by cause, (part, zone), in the order of PARTS; they add up to sd squared.

        >>> state = State(zones=1)
        >>> state.own[State.OWN_BOUND] += 16.0
        >>> state.shift += 3.0
        >>> state.parts()[:, 0].tolist()    # start and bounds: 16 + 3^2
        [0.0, 0.0, 0.0, 0.0, 25.0, 0.0]
        """
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
    def zones(self) -> IntArray:
        """(zone with readings,) indices, ascending."""

    def correct(self, day: int, *, evening: bool, deficit: Mm, state: State) -> Mm:
        """The deficits, (zone,) mm, as the readings of day's morning or evening correct them.

        deficit: (zone,) mm, as stated before; it is not changed.  state: brought in line in place.
        """


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


@dataclass(frozen=True, slots=True)
class Causes:
    """What the deficit rests on, mm, and how sure each is; (day,), water (day, zone)."""

    et0: Mm
    et0_uncertainty: Uncertainty
    rain: Mm
    rain_uncertainty: Uncertainty
    water_uncertainty: Uncertainty


def carry(
    terms: Terms,
    balance: Balance,
    causes: Causes,
    *,
    today: int,
    start_share: float = START_SHARE_OF_TAW,
    readings: Corrector | None = None,
) -> Carried:
    """The uncertainty of every day's deficit, mm; zones that `readings` may correct are stepped anew.

    today: day index on whose morning the causes are told apart; start_share: sd of the deficit a balance
    begins with, of TAW.  The balance of zones without readings is left as it is.

    Three days of 5 mm, each known to 0.5 mm in the long run and 0.5 mm from day to day, far from both bends:
    what lasts adds up by itself (0.5, 1.0), what passes by its squares (0.5, 0.707).

    >>> from datetime import date
    >>> from scheduler.core.balance.rule import RefillRule
    >>> from scheduler.core.balance.soil import run
    >>> from scheduler.core.balance.terms import terms
    >>> from scheduler.model import Crop, Location, Planting, Rows, Soil, Supply, Tape, Valve, Zone
    >>> crop = Crop("x", 1, 1, 1, (9, 9, 9, 9), root_start_m=1, root_full_m=1, depletion=0.45)
    >>> bed = Zone("bed", Tape("thin", 0.05), Soil("loam", 0.25, 0.12), None,
    ...            (Planting(crop, date(2024, 6, 1), None, Rows(4, 20, 0.6)),), Valve("by_hand", "x"), 0.6)
    >>> et0, none, nothing = np.full(3, 5.0), np.zeros(3), Uncertainty(np.zeros(3), np.zeros(3), np.zeros(3))
    >>> days = terms((bed,), date(2024, 6, 1), et0, none, location=Location(35.6, -82.4, 650.0, "UTC"),
    ...              supply=Supply(30.0))
    >>> stated = run(days, starting_deficit=np.array([10.0]), rule=RefillRule.of((bed,)),
    ...              given=np.zeros((3, 1)), decide_from=3)
    >>> stated.deficit_start[:, 0].tolist()
    [10.0, 15.0, 20.0]
    >>> causes = Causes(et0, Uncertainty(0.1 * et0, 0.1 * et0, none), none, nothing,
    ...                 Uncertainty(np.zeros((3, 1)), np.zeros((3, 1)), none))
    >>> carry(days, stated, causes, today=2, start_share=0).sd_start[:, 0].round(3).tolist()
    [0.0, 0.707, 1.225]
    """
    count, width = terms.etc.shape
    state = State(width)
    shift, within = (np.zeros((count, SCENARIOS, width)) for _ in range(2))
    parts = np.zeros((len(PARTS), width))
    mean, errors = _Mean(terms, balance, readings), _Errors(terms, causes, evaporation_of(balance))
    begins = _Begins(terms, start_share)
    for d in range(begins.first, count):
        mean.begin(d, begins.of(d, state), state)
        shift[d], within[d] = state.shift, state.within
        if d == today:
            parts = state.parts()
        true = _a_day(state, mean.after(d), terms, errors, d)
        state.shift = (true - mean.end(d)) * begins.begun
        begins.blank(state)
        mean.evening(d, state)
    sd_start = np.sqrt((within + shift * shift).mean(axis=1))
    return Carried(mean.balance(), sd_start, shift, np.sqrt(within), parts)


def evaporation_of(balance: Balance) -> Mm:
    """(day, zone) mm that evaporates apart from the crop's use; 0 where one coefficient serves."""
    return np.zeros_like(balance.eta) if balance.apart is None else balance.apart.evaporation


class _Begins:
    """Which zones' balances have begun, and what a planting's first day does to the uncertainty."""

    def __init__(self, terms: Terms, start_share: float) -> None:
        self._terms, self._taw, self._start_share = terms, terms.taw, start_share
        self._zones: dict[int, list[int]] = {}
        for day, zone in terms.begins:
            self._zones.setdefault(day, []).append(zone)
        self.first = min(self._zones, default=len(terms.taw))
        self.begun = np.zeros(terms.taw.shape[1], dtype=bool)

    def of(self, d: int, state: State) -> list[int]:
        """Zones in which a planting begins; the state knows of it."""
        zones = self._zones.get(d, [])
        for zone in zones:
            if self.begun[zone] and not self._elsewhere(d, zone):
                _not_above(state, zone, self._taw[d, zone] / 2)
            else:
                _forget(state, zone)
                state.own[State.OWN_BOUND, :, zone] = (self._start_share * self._taw[d, zone]) ** 2
                self.begun[zone] = True
        return zones

    def _elsewhere(self, d: int, zone: int) -> bool:
        """Whether the rows lie where none lay before, so that their soil has no past here (model M5)."""
        ground = self._terms.ground
        return ground is not None and not ground.same_tape[self._terms.stand[d, zone]]

    def blank(self, state: State) -> None:
        """Where no balance has begun nothing is unsure."""
        if not self.begun.all():
            state.own[:, :, ~self.begun] = 0.0
            state.memory[:, ~self.begun] = 0.0


def _forget(state: State, zone: int) -> None:
    state.own[:, :, zone] = 0.0
    for linear in (state.memory, state.sensor, state.shift):
        linear[:, zone] = 0.0


def _not_above(state: State, zone: int, most: float) -> None:
    """A new planting's root zone holds less: so does its uncertainty."""
    sd = float(state.sd[zone])
    if sd > most:
        state.own[:, :, zone] *= (most / sd) ** 2
        for linear in (state.memory, state.sensor, state.shift):
            linear[:, zone] *= most / sd


class _Errors:
    """What each day adds, laid out once."""

    def __init__(self, terms: Terms, causes: Causes, evaporation: Mm) -> None:
        self.evaporation = evaporation
        et, rain, water = causes.et0_uncertainty, causes.rain_uncertainty, causes.water_uncertainty
        some = np.maximum(causes.et0, 1e-9)[:, None]
        self.slope = terms.use / (terms.taw - terms.raw)
        share = terms.spread(terms.flat.rain_share)
        bare = np.where(terms.rain_eff > 0, terms.rain_eff / np.maximum(causes.rain[:, None], 1e-9), 1.0)
        share = np.where(terms.standing, share, bare)
        self.et_lasting = et.lasting[:, None] / some  # of ET0: a share of all that the day draws
        self.et_passing, self.memory = et.passing[:, None] / some, et.memory
        self.et_bias = np.broadcast_to(np.asarray(et.bias), causes.et0.shape)[:, None] / some
        self.rain_lasting = share * rain.lasting[:, None]
        self.rain_passing2 = (share * rain.passing[:, None]) ** 2
        self.water_lasting, self.water_passing2 = water.lasting, water.passing**2
        self.rained = np.asarray(self.rain_lasting.any(axis=1))
        self.watered = np.asarray(self.water_lasting.any(axis=1))


def _a_day(state: State, after: Mm, terms: Terms, errors: _Errors, d: int) -> Mm:
    """Mean of the true deficit in the evening, (scenario, zone); the state's spread goes one day on.

    after: (zone,) the stated deficit once the morning's water is in.
    """
    x = after + state.shift
    if errors.watered[d]:
        x[_pair(WATER)] -= _UP * errors.water_lasting[d]
    use = _use(state, x, terms, errors.slope, d) + errors.evaporation[d]
    x += (1 + errors.et_bias[d]) * use - terms.rain_eff[d]
    x[_pair(ET0)] += _UP * (errors.et_lasting[d] * use[_pair(ET0)])
    if errors.rained[d]:
        x[_pair(RAIN)] -= _UP * errors.rain_lasting[d]
    _day_to_day(state, use, errors, d)
    return np.asarray(np.minimum(_not_below_0(state, x), terms.taw[d]))


def _pair(cause: int) -> slice:
    """The two scenarios in which a lasting cause is up and down."""
    return slice(2 * cause, 2 * cause + 2)


def _use(state: State, x: Mm, terms: Terms, slope: FloatArray, d: int) -> Mm:
    """Mean use of the crop, mm: less from RAW on (eq 84), where a drier soil's error shrinks too."""
    sd, above = np.sqrt(state.within) + 1e-9, x - terms.raw[d]
    use = np.broadcast_to(terms.use[d], x.shape)
    if np.count_nonzero(above > -FAR * sd):
        over = rectified(above, sd)
        use = np.maximum(use - slope[d] * over.mean, 0)
        state.scale(np.maximum(1 - slope[d] * over.slope, 0))
    return use


def _day_to_day(state: State, use: Mm, errors: _Errors, d: int) -> None:
    """The variances of what passes: ET0 as a first-order autoregression, rain and water afresh each day."""
    own = state.own
    fresh, kept = errors.et_passing[d] * use, errors.memory[d] * state.memory
    own[State.OWN_ET0] = np.maximum(own[State.OWN_ET0] + fresh * (2 * kept + fresh), 0)
    state.memory = kept + fresh
    own[State.OWN_RAIN] += errors.rain_passing2[d]
    own[State.OWN_WATER] += errors.water_passing2[d]


def _not_below_0(state: State, x: Mm) -> Mm:
    """Mean of the deficit held to 0: what is too wet drains, and its error with it."""
    variance = state.within
    sd = np.sqrt(variance) + 1e-9
    if not np.count_nonzero(x < FAR * sd):
        return x
    bound = rectified(x, sd)
    state.scale(bound.slope)
    state.own[State.OWN_BOUND] += np.maximum(bound.variance - bound.slope**2 * variance, 0)
    return bound.mean


class _Mean:
    """The stated deficit: the balance's own, or stepped anew in zones that have readings."""

    def __init__(self, terms: Terms, balance: Balance, readings: Corrector | None) -> None:
        self._terms, self._given = terms, balance
        self._readings = readings if readings is not None and len(readings.zones) else None
        self._start, self._end, self._eta = balance.deficit_start, balance.deficit_end, balance.eta
        if self._readings is not None:
            self._start, self._end, self._eta = self._start.copy(), self._end.copy(), self._eta.copy()
            self._evaporation = evaporation_of(balance)
            self._strip = strip_before(terms.stand, terms.stands)

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
                    self._start[d, zone] = self._planted(d, zone)
        self._start[d] = self._readings.correct(d, evening=False, deficit=self._start[d], state=state)

    def _planted(self, d: int, zone: int) -> float:
        """Dr of a planting's first day, from what last night's readings left (model M5)."""
        terms, carried = self._terms, float(self._start[d, zone])
        ground, apart = terms.ground, self._given.apart
        if ground is not None and apart is not None:
            if not self._given.known[d - 1, zone] or not ground.same_tape[terms.stand[d, zone]]:
                return float(self._given.deficit_start[d, zone])
            strip = max(carried / self._strip[d - 1, zone], float(apart.surface_start[d, zone]))
            carried = float(self._strip[d, zone]) * strip
        return min(carried, float(terms.taw[d, zone]))

    def after(self, d: int) -> Mm:
        """Once the morning's water is in."""
        return np.asarray(self._start[d] - self._given.irrigation[d])

    def end(self, d: int) -> Mm:
        if self._readings is not None:
            z, terms, known = self._readings.zones, self._terms, self._given.known[d]
            watered, taw = self._start[d, z] - self._given.irrigation[d, z], terms.taw[d, z]
            ks = stress_coefficient(np.maximum(watered, 0), taw=taw, span=taw - terms.raw[d, z])
            stepped = evening(
                watered, rain_eff=terms.rain_eff[d, z], use=ks * terms.use[d, z] + self._evaporation[d, z],
                taw=taw,
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
            percolation=lost, apart=self._apart(),
        )  # fmt: skip

    def _apart(self) -> Apart | None:
        """Evaporation and use as the corrected deficits have them."""
        apart = self._given.apart
        if apart is None:
            return None
        evaporation = np.minimum(self._evaporation, self._eta)
        return apart.corrected(
            deficit_start=self._start, deficit_end=self._end, evaporation=evaporation,
            use=self._eta - evaporation,
        )  # fmt: skip
