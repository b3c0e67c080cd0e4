"""Soil readings against the balance: a scalar Kalman filter on the deficit, zone by zone.

A reading z of the deficit moves it by K (z - Dr), K = P / (P + R), and shrinks P to (1 - K) P (Kalman 1960;
Welch and Bishop, An Introduction to the Kalman Filter, eq 1.11 to 1.13), with P the balance's variance and R
the reading's.  What is the same in each of a sensor's readings (its place, its calibration) is carried along
as a cause of its own and not worn away by repetition (Schmidt's consider filter, 1966).
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from typing import Literal, NamedTuple

import numpy as np

from scheduler.core.arrays import IntArray, Mm
from scheduler.core.uncertainty.carry import State
from scheduler.core.uncertainty.retention import Curve, used_share, used_share_of_theta

TENSIOMETER_LIMIT_KPA = 85.0
"""Above it the water column breaks (near 100 kPa less the sensor's height and dissolved air; trade texts)."""
BLOCK_LIMIT_KPA = 200.0
"""Electrical-resistance blocks and granular matrix sensors are calibrated to about 200 cb (from memory)."""
MOST_THETA = 0.60
FAR_OFF_SD = 3.5
STUCK_READINGS, STUCK_DAYS, STUCK_MOVED = 5, 4, 0.15
"""So many equal readings over so many days while the balance moved by that share of TAW: stuck."""

PLACE_SHARE = (
    0.08  # of TAW, lasting: one spot stands for the zone (soil water varies by 10 % and more; memory)
)
DAILY_SHARE = 0.04  # of TAW, passing: where the last run's water stands at the moment
CURVE_SHARE = 0.15  # of the reading's own deficit, lasting: a class average stands for the soil
THETA_LASTING, THETA_PASSING = 0.03, 0.01  # m3/m3: a maker's general calibration, and its repeatability
TENSION_KPA, TENSION_SHARE = 1.0, 0.03  # a gauge's own error

Instrument = Literal["tensiometer", "block"]


@dataclass(frozen=True, slots=True)
class Reading:
    """One reading of one zone; `tension_kpa` or `theta`."""

    zone: int
    day: int
    evening: bool  # taken after noon: it speaks of that day's end, else of the night before
    label: str  # for notices: "35 cb on 2026-06-12 07:10"
    tension_kpa: float | None = None
    theta: float | None = None
    depth_m: float | None = None
    instrument: Instrument = "tensiometer"
    watered_mm: float = 0.0  # net given that morning before it was taken

    @property
    def value(self) -> float:
        """The figure that was read: kPa or m3/m3."""
        return self.tension_kpa if self.tension_kpa is not None else float(self.theta or 0.0)


class Measured(NamedTuple):
    """A reading as deficit of the root zone, mm."""

    deficit: float
    lasting: float
    passing: float


def measured(reading: Reading, *, curve: Curve, theta_fc: float, theta_wp: float, taw: float) -> Measured:
    """A reading as deficit per planted area, mm, with its standard uncertainties, lasting and passing.

    taw: mm, that day; it holds the wetted share Pw already (model M4): the sensor stands in the wetted strip
    and speaks for it.  Wetter than field capacity counts as no deficit.  Tension goes by the retention curve
    (`retention.used_share`), a water content by eq 82 of FAO-56.

    >>> half_dry, loam = Reading(0, 0, False, "18.5 %", theta=0.185), Curve(0.061, 0.399, 0.0111, 1.472)
    >>> found = measured(half_dry, curve=loam, theta_fc=0.25, theta_wp=0.12, taw=80)
    >>> round(found.deficit, 3), round(found.lasting, 1), round(found.passing, 1)
    (40.0, 19.5, 6.9)
    """
    if reading.tension_kpa is not None:
        kpa = np.float64(reading.tension_kpa)
        share = float(used_share(kpa, curve, theta_fc))
        off = TENSION_KPA + TENSION_SHARE * float(kpa)
        gauge = abs(float(used_share(kpa + off, curve, theta_fc)) - share)
        lasting, passing = CURVE_SHARE * abs(share), gauge
    else:
        share = float(used_share_of_theta(np.float64(reading.value), theta_fc, theta_wp))
        lasting, passing = THETA_LASTING / (theta_fc - theta_wp), THETA_PASSING / (theta_fc - theta_wp)
    return Measured(
        min(max(share, 0.0), 1.0) * taw,
        float(np.hypot(lasting, PLACE_SHARE)) * taw,
        float(np.hypot(passing, DAILY_SHARE)) * taw,
    )


def impossible(reading: Reading, root_depth_m: float) -> str | None:
    """Why a reading cannot be believed or does not speak of the root zone; None where it can.

    >>> impossible(Reading(0, 0, False, "120 cb", tension_kpa=120.0), root_depth_m=0.4)
    'a tensiometer cannot measure above 85 cb'
    >>> impossible(Reading(0, 0, False, "35 cb", tension_kpa=35.0), root_depth_m=0.4) is None
    True
    """
    if reading.tension_kpa is not None:
        limit = TENSIOMETER_LIMIT_KPA if reading.instrument == "tensiometer" else BLOCK_LIMIT_KPA
        if not reading.tension_kpa >= 0:
            return "a tension is never below 0"
        if reading.tension_kpa > limit:
            return f"a {reading.instrument} cannot measure above {limit:.0f} cb"
    elif not 0 < reading.value <= MOST_THETA:
        return f"no soil holds that: 0 to {MOST_THETA} m3/m3 is expected"
    if reading.depth_m is not None and reading.depth_m > root_depth_m * 1.2:
        return f"it stands at {reading.depth_m:.2f} m, the roots reach {root_depth_m:.2f} m"
    return None


@dataclass(slots=True)
class Taken:
    """What became of one reading."""

    reading: Reading
    measured: Measured | None
    before: float = float("nan")  # deficit of the balance, mm
    after: float = float("nan")
    gain: float = 0.0
    aside: str | None = None  # why it was not used, with places for `aside_numbers`
    aside_numbers: tuple[float, ...] = ()  # SI


FAR_OFF = "a deficit of {:depth} against the balance's {:depth}, {:.1f} standard deviations apart"

Measure = Callable[[Reading], tuple[Measured | None, str | None]]
"""Deficit of a reading, or why it has none (impossible, no crop stands)."""


@dataclass(slots=True)
class Filter:
    """Corrects the deficit as `carry.carry` walks the days; `taken`: what became of each."""

    readings: Sequence[Reading]
    measure: Measure
    taw: Mm  # (day, zone)
    taken: list[Taken] = field(default_factory=list)
    _by_place: dict[tuple[int, bool], list[Reading]] = field(default_factory=dict)
    _lately: dict[int, list[tuple[Reading, float]]] = field(default_factory=dict)

    def __post_init__(self) -> None:
        for reading in self.readings:
            self._by_place.setdefault((reading.day, reading.evening), []).append(reading)

    @property
    def zones(self) -> IntArray:
        """The zones that have readings."""
        return np.array(sorted({reading.zone for reading in self.readings}), dtype=np.int64)

    def correct(self, day: int, *, evening: bool, deficit: Mm, state: State) -> Mm:
        """The deficits, (zone,) mm, as the readings of this morning or evening correct them."""
        here = self._by_place.get((day, evening))
        if not here:
            return deficit
        deficit = deficit.copy()
        for reading in here:
            z = reading.zone
            found, aside = self.measure(reading)
            one = Taken(reading, found, before=float(deficit[z]), after=float(deficit[z]), aside=aside)
            self.taken.append(one)
            if found is None:
                continue
            if self._sticks(reading, float(deficit[z])):
                one.aside = f"the sensor has said the same for {STUCK_DAYS} days and more: is it stuck?"
                continue
            z_mm = found.deficit + reading.watered_mm
            one.gain, new, far = _update(state, z, float(deficit[z]), found._replace(deficit=z_mm))
            if far:
                one.aside, one.aside_numbers = FAR_OFF, far
            else:
                deficit[z] = one.after = min(max(new, 0.0), float(self.taw[day, z]))
                state.shift[:, z] += new - deficit[z]
        return deficit

    def _sticks(self, reading: Reading, deficit: float) -> bool:
        lately = self._lately.setdefault(reading.zone, [])
        if lately and lately[-1][0].value != reading.value:
            lately.clear()
        lately.append((reading, deficit))
        days = reading.day - lately[0][0].day
        moved = max(d for _, d in lately) - min(d for _, d in lately)
        enough = STUCK_MOVED * float(self.taw[reading.day, reading.zone])
        return len(lately) >= STUCK_READINGS and days >= STUCK_DAYS and moved > enough


def _update(state: State, z: int, stated: float, seen: Measured) -> tuple[float, float, tuple[float, ...]]:
    """(gain, new deficit, () or the numbers of `FAR_OFF`); the state of zone z is brought in line."""
    mean = stated + float(state.mean[z])
    sensor = float(state.sensor[:, z].mean())
    variance = float(state.variance[z])
    total = variance + 2 * sensor * seen.lasting + seen.lasting**2 + seen.passing**2
    off = seen.deficit - mean
    if abs(off) > FAR_OFF_SD * np.sqrt(total):
        return 0.0, stated, (float(seen.deficit), mean, float(abs(off) / np.sqrt(total)))
    gain = (variance + sensor * seen.lasting) / total
    new = mean + gain * off
    keep = 1 - gain
    state.shift[:, z] = keep * (state.shift[:, z] - state.mean[z])
    state.own[:, :, z] *= keep**2
    state.own[State.OWN_READING, :, z] += (gain * seen.passing) ** 2
    state.memory[:, z] *= keep
    state.sensor[:, z] = keep * state.sensor[:, z] - gain * seen.lasting
    return float(gain), float(new), ()
