"""How sure a day's reference ET, rain and water given are: standard uncertainties, one sd, mm.

Each has a lasting part, the same error day after day (a sensor that reads low, a site windier than 2 m/s),
and a passing part that fades as a first-order autoregression: its coefficient is `memory`.  Priors marked
"measured" were worked out on the growing seasons (April to October) of real records: Davis 1994-2006, De Bilt
2000-2009, Fallon 2015, Holyoke 2020; tests/core/test_uncertainty_calibration.py checks them on the years
left out.  The crop's own Kc and the soil's figures are taken as they stand: how sure they are is not in here.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import NamedTuple

import numpy as np

from scheduler.core.arrays import BoolArray, FloatArray, IntArray, Mm
from scheduler.core.balance.climate import (
    ESTIMATED_HUMIDITY,
    ESTIMATED_RADIATION,
    ESTIMATED_WIND,
    Climate,
    dew_point,
    saturation_vapour_pressure,
)
from scheduler.core.balance.et import (
    CLIMATOLOGY,
    HARGREAVES,
    RECENT_MEAN,
    ReferenceET,
    penman_monteith,
)

SMALL_ET0_MM = 1.5
"""Relative doubts are taken of at least this much: errors do not vanish on dull days (measured)."""
LEADS = 8


class Spread(NamedTuple):
    """Lasting and passing standard uncertainty, and how much of the passing part the next day keeps."""

    lasting: float
    passing: float
    memory: float = 0.0
    bias: float = 0.0  # expected error, as far as a site's own days have shown it

    def spread(self) -> float:
        """Both parts together: one day's standard uncertainty about its expected value.

        >>> round(Spread(lasting=0.03, passing=0.04).spread(), 6)
        0.05
        """
        return float(np.hypot(self.lasting, self.passing))


SENSORS = Spread(0.03, 0.03, 0.3)  # share of ET0; a kept-up weather station (from memory, no table at hand)
MODELLED = Spread(0.08, 0.12, 0.3)  # share of ET0; weather a model computed for the past (from memory)
CLIMATOLOGY_SPREAD = Spread(0.05, 0.30, 0.55)  # share of ET0 (measured)
RECENT_SPREAD = Spread(0.03, 0.30, 0.4)  # share of ET0 (measured)
FORECAST_SHARE = (0.13, 0.15, 0.17, 0.19, 0.21, 0.23, 0.24, 0.25)
"""Of ET0, by lead day 0 to 7: the order of published checks of medium-range ET0 forecasts (from memory:
Perera et al. 2014, Medina et al. 2018), rising towards the climatology's own spread (measured)."""
FORECAST_MEMORY = 0.4


@dataclass(frozen=True, slots=True)
class InputUncertainty:
    """Errors of what M1 puts in where nobody measured."""

    humidity: Spread = Spread(0.15, 0.21, 0.5)  # (true dew point - Tmin) / (Tmax - Tmin); measured
    radiation: Spread = Spread(0.07, 0.13, 0.25)  # (true Rs - by eq 50) / Rso; measured
    wind: Spread = Spread(0.6, 1.0, 0.45)  # true u2 - 2 m/s; measured
    hargreaves: Spread = Spread(0.15, 0.20, 0.4)  # share of its ET0; measured, Balm and Quincy too
    together: float = 0.25
    """Correlation of the passing errors of two inputs, each counted upward where it raises ET0: dry air, sun
    and wind come together.  Measured: 0.1 to 0.35 humidity and sun, -0.1 to 0.25 humidity and wind, 0.1 to
    0.35 sun and wind."""


@dataclass(frozen=True, slots=True)
class Uncertainty:
    """Standard uncertainty of consecutive days, (day,) or (day, zone), mm."""

    lasting: Mm
    passing: Mm
    memory: FloatArray  # (day,): correlation of a day's passing error with the day before
    bias: Mm | float = 0.0  # expected true minus stated; the stated figure stays the model's

    @property
    def spread(self) -> Mm:
        """About the expected value."""
        return np.hypot(self.lasting, self.passing)

    @property
    def sd(self) -> Mm:
        """About the stated value.

        >>> day = Uncertainty(np.array([3.0]), np.array([4.0]), memory=np.zeros(1), bias=12.0)
        >>> day.spread.tolist(), day.sd.tolist()
        ([5.0], [13.0])
        """
        return np.asarray(np.hypot(self.spread, self.bias))

    def days(self, which: slice) -> Uncertainty:
        """Of some of the days only."""
        bias = self.bias if isinstance(self.bias, float) else self.bias[which]
        return Uncertainty(self.lasting[which], self.passing[which], self.memory[which], bias)


# --- reference ET --------------------------------------------------------------------------------


def _by_inputs(climate: Climate, elevation_m: float, inputs: InputUncertainty) -> list[tuple[Mm, Spread]]:
    """Per estimated input: mm of ET0 that one unit of its spread is worth, (day,), 0 where measured.

    The slope of the chord from one sd below to one above the expected value: eq 6 is nearly straight in each.
    """
    span = climate.tmax_c - climate.tmin_c
    dew = dew_point(climate.ea_kpa)
    rso = climate.rso_mj

    def humidity(by: float) -> FloatArray:
        return np.minimum(saturation_vapour_pressure(dew + by * span), climate.es_kpa)

    def radiation(by: float) -> FloatArray:
        return np.clip(climate.rs_mj + by * rso, 0.2 * rso, rso)

    def wind(by: float) -> FloatArray:
        return np.maximum(climate.u2_m_s + by, 0.5)

    found = []
    for name, moved, spread, estimated in (
        ("ea_kpa", humidity, inputs.humidity, climate.humidity_by == ESTIMATED_HUMIDITY),
        ("rs_mj", radiation, inputs.radiation, climate.radiation_by == ESTIMATED_RADIATION),
        ("u2_m_s", wind, inputs.wind, climate.wind_by == ESTIMATED_WIND),
    ):
        sd, here = spread.spread(), estimated & climate.usable
        if not sd or not here.any():
            continue
        down, up = (
            penman_monteith(climate, elevation_m, **{name: moved(spread.bias + by)}).et0_mm
            for by in (-sd, sd)
        )
        found.append((np.where(here, (up - down) / (2 * sd), 0.0), spread))
    return found


STATION, MODEL, FORECAST = range(3)
"""How a day's weather was come by."""


def et0_uncertainty(
    et: ReferenceET,
    elevation_m: float,
    *,
    by: IntArray | None = None,
    lead_days: IntArray | None = None,
    inputs: InputUncertainty | None = None,
    forecast_share: Sequence[float] = FORECAST_SHARE,
    sensors: Spread = SENSORS,
) -> Uncertainty:
    """Standard uncertainty of each day's ET0, mm/d, (day,); `et` filled.

    by: (day,) STATION, MODEL or FORECAST; default STATION.  lead_days: (day,) of forecast days, 0 to 7.
    Independent parts add by their squares; the passing errors of estimated inputs come together
    (`InputUncertainty.together`).
    """
    count = len(et.et0_mm)
    inputs = inputs or InputUncertainty()
    by = np.zeros(count, dtype=np.int64) if by is None else by
    lead = np.zeros(count, dtype=np.int64) if lead_days is None else np.clip(lead_days, 0, LEADS - 1)
    size = np.maximum(et.et0_mm, SMALL_ET0_MM)
    ahead = np.where(by == FORECAST, np.asarray(forecast_share)[lead], 0.0) * size
    stand_in = (et.method == CLIMATOLOGY) | (et.method == RECENT_MEAN)
    by_method: list[tuple[Mm, Spread]] = [
        (np.where(~stand_in & (by == STATION), size, 0.0), sensors),
        (np.where(~stand_in & (by == MODEL), size, 0.0), MODELLED),
        (np.where(stand_in, 0.0, ahead), Spread(0.3, 0.95, FORECAST_MEMORY)),
        (np.where(et.method == HARGREAVES, size, 0.0), inputs.hargreaves),
        (np.where(et.method == CLIMATOLOGY, size, 0.0), CLIMATOLOGY_SPREAD),
        (np.where(et.method == RECENT_MEAN, size, 0.0), RECENT_SPREAD),
    ]
    estimated = ~stand_in & (et.method != HARGREAVES)
    by_input = [
        (np.where(estimated, np.nan_to_num(worth), 0.0), spread)
        for worth, spread in _by_inputs(et.climate, elevation_m, inputs)
    ]
    return _added(count, by_method, by_input, inputs.together)


def _added(
    count: int, by_method: list[tuple[Mm, Spread]], by_input: list[tuple[Mm, Spread]], together: float
) -> Uncertainty:
    """Parts of so many mm x a spread, as one: squares add, the inputs' passing errors hang together."""
    lasting2, passing2, kept, bias, alone, in_step = (np.zeros(count) for _ in range(6))
    for mm, spread in (*by_method, *by_input):
        bias += mm * spread.bias
        lasting2 += (mm * spread.lasting) ** 2
        passing2 += (mm * spread.passing) ** 2
        kept += spread.memory * (mm * spread.passing) ** 2
    for mm, spread in by_input:
        alone += (mm * spread.passing) ** 2
        in_step += np.abs(mm) * spread.passing
    memory = np.divide(kept, passing2, out=np.zeros(count), where=passing2 > 0)
    passing2 += together * (in_step**2 - alone)
    return Uncertainty(np.sqrt(lasting2), np.sqrt(passing2), memory, bias)


# --- rain and water given ------------------------------------------------------------------------

GAUGE = 3
RAIN_SPREAD = {  # by: (mm on any wet day, share of the amount, lasting share)
    GAUGE: (0.2, 0.03, 0.03),  # a gauge in the garden: reading and wind (WMO-No. 8, from memory)
    STATION: (0.3, 0.15, 0.05),  # one a few kilometres off (from memory)
    MODEL: (1.5, 0.60, 0.10),  # a model's showers fall elsewhere (from memory)
}
MISSED_SHOWER_MM = 1.0  # sd of what fell on a day that a model calls dry (from memory)
UNKNOWN_RAIN_MM = 5.0  # root mean square of all days' rain: 2.1 Davis, 5.6 De Bilt, 14 Florida (measured)
UNKNOWN_CHANCE = 0.5
CHANCE_SHOWER_MM = 3.0  # what falls where a chance is given and no amount (own reading)


def rain_uncertainty(
    rain_mm: Mm, *, by: IntArray, missing: BoolArray, chance: FloatArray | None = None,
    unknown_mm: float = UNKNOWN_RAIN_MM,
) -> Uncertainty:  # fmt: skip
    """Standard uncertainty of each day's rain, mm, (day,); only the gauge's own error lasts.

    by: GAUGE, STATION, MODEL or FORECAST; missing: no source has it, so 0 was taken; chance: 0..1 of forecast
    days, nan where none was given.  A forecast amount f with chance c comes or does not: c (1 - c) f^2, and
    where it comes it is as unsure as a model's.  Figures: RAIN_SPREAD, from memory.

    >>> by = np.array([GAUGE, STATION, MODEL, FORECAST])
    >>> rain_uncertainty(np.full(4, 10.0), by=by, missing=np.zeros(4, dtype=bool)).sd.round(1).tolist()
    [0.5, 1.6, 6.3, 6.6]
    """
    count = len(rain_mm)
    lasting, passing = np.zeros(count), np.zeros(count)
    for code, (least, share, steady) in RAIN_SPREAD.items():
        wet = (by == code) & (rain_mm > 0)
        passing = np.where(wet, np.hypot(least, share * rain_mm), passing)
        lasting = np.where(wet, steady * rain_mm, lasting)
    passing = np.where((by == MODEL) & ~(rain_mm > 0), MISSED_SHOWER_MM, passing)
    least, share, _ = RAIN_SPREAD[MODEL]
    c = np.full(count, UNKNOWN_CHANCE) if chance is None else np.where(chance >= 0, chance, UNKNOWN_CHANCE)
    c = np.where(rain_mm > 0, c, 0.0 if chance is None else np.nan_to_num(chance))
    amount = np.where(rain_mm > 0, rain_mm, CHANCE_SHOWER_MM)
    ahead = np.sqrt(c * (1 - c) * amount**2 + c * (least**2 + (share * amount) ** 2))
    passing = np.where(by == FORECAST, np.maximum(ahead, MISSED_SHOWER_MM), passing)
    passing = np.where(missing, unknown_mm, passing)
    return Uncertainty(np.where(missing, 0.0, lasting), passing, np.zeros(count))


METERED = Spread(0.02, 0.01)  # share of the depth; house meters, from memory (AWWA M6: +-1.5 %)
TIMED = Spread(0.07, 0.03)  # minutes x flow: a timed bucket and the regulator's drift (common practice)
BY_HAND = Spread(0.07, 0.10)  # the same, opened and closed by a person (common practice)
