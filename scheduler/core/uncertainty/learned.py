"""What the past says: how forecasts and estimates have fared here; priors until a site has its own days."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from typing import NamedTuple

import numpy as np

from scheduler.core.arrays import BoolArray, FloatArray, IntArray
from scheduler.core.balance.climate import ESTIMATED_HUMIDITY, ESTIMATED_WIND, dew_point, radiation_by_range
from scheduler.core.balance.et import PM, ReferenceET, hargreaves
from scheduler.core.uncertainty.sources import FORECAST_SHARE, SMALL_ET0_MM, InputUncertainty, Spread

PRIOR_DAYS = 30
"""A prior counts as so many days: after as many of its own, a site believes both alike."""
BLOCK_DAYS = 30
CHANCE_TAKEN = 0.5
"""Of what passing errors alone make the blocks' means differ by: errors remember longer than the first-order
autoregression has it, so the other half counts as lasting (fits the years learned from)."""
BRIGHT_SHARE = 0.55
"""Of the highest extraterrestrial radiation: about March to September at 40 to 50 degrees."""


class Skill(NamedTuple):
    """How a source's forecasts of one quantity have fared at one lead; errors are outcome - forecast."""

    source: str
    lead_days: int
    pairs: int
    bias: float  # mean error, plain
    mean_absolute: float  # plain
    sd: float  # standard uncertainty to state: the prior's and the errors', about 0 and not about the bias


def skill(
    source: Sequence[str],
    lead_days: IntArray,
    forecast: FloatArray,
    outcome: FloatArray,
    *,
    prior_share: Sequence[float] = FORECAST_SHARE,
    prior_days: int = PRIOR_DAYS,
    prior_sd: Callable[[int], float] | None = None,
) -> dict[tuple[str, int], Skill]:
    """Bias and spread per source and lead day, from pairs of forecast and outcome; nan is left out.

    The prior counts as `prior_days` pairs: sd^2 = (n0 prior^2 + sum of squared errors) / (n0 + n).  Where
    `prior_sd` (by lead) is not given, the prior is `prior_share` of the mean outcome.

    >>> found = skill(["a"] * 2, np.array([1, 1]), np.array([4.0, 5.0]), np.array([5.0, 4.0]))
    >>> found["a", 1].pairs, found["a", 1].bias, round(found["a", 1].sd, 3)
    (2, 0.0, 0.7)
    """
    error = np.asarray(outcome, dtype=np.float64) - np.asarray(forecast, dtype=np.float64)
    names = np.asarray(source, dtype=object)
    leads = np.asarray(lead_days)
    found: dict[tuple[str, int], Skill] = {}
    for key in sorted({(str(name), int(lead)) for name, lead in zip(names, leads, strict=True)}):
        here = (names == key[0]) & (leads == key[1]) & np.isfinite(error)
        e = error[here]
        n = len(e)
        if not n:
            continue
        share = prior_share[min(max(key[1], 0), len(prior_share) - 1)]
        prior = prior_sd(key[1]) if prior_sd else share * max(float(np.mean(outcome[here])), SMALL_ET0_MM)
        sd = float(np.sqrt((prior_days * prior**2 + np.sum(e**2)) / (prior_days + n)))
        found[key] = Skill(*key, n, float(e.mean()) + 0.0, float(np.abs(e).mean()), sd)
    return found


def learn_inputs(et: ReferenceET, prior: InputUncertainty | None = None) -> InputUncertainty:
    """What the site's own measured days say of the estimates that stand in on other days.

    Only the bright part of the year counts, when gardens drink.  A prior counts as PRIOR_DAYS days of no
    bias.  Lasting is how blocks of BLOCK_DAYS days differ (a dry summer is no passing error), passing what
    differs within them.  The memory stays the prior's.
    """
    prior, climate = prior or InputUncertainty(), et.climate
    span = climate.tmax_c - climate.tmin_c
    with np.errstate(invalid="ignore", divide="ignore"):
        humidity = (dew_point(climate.ea_kpa) - climate.tmin_c) / span
        by_eq_50 = radiation_by_range(span, ra=climate.ra_mj, rso=climate.rso_mj, k_rs=climate.k_rs)
        radiation = (climate.rs_mj - by_eq_50) / climate.rso_mj
        hot = hargreaves(climate.tmin_c, climate.tmax_c, climate.ra_mj)
        by_range = (et.et0_mm - hot) / np.maximum(hot, SMALL_ET0_MM)
    bright = climate.usable & (climate.ra_mj >= BRIGHT_SHARE * climate.ra_mj.max(initial=0.0))

    def measured(errors: FloatArray, here: BoolArray) -> FloatArray:
        return np.asarray(errors[bright & here & np.isfinite(errors)])

    return InputUncertainty(
        _learned(measured(humidity, climate.humidity_by != ESTIMATED_HUMIDITY), prior.humidity),
        _learned(measured(radiation, climate.radiation_by == 0), prior.radiation),
        _learned(measured(climate.u2_m_s - 2.0, climate.wind_by != ESTIMATED_WIND), prior.wind),
        _learned(measured(by_range, et.method == PM), prior.hargreaves),
        prior.together,
    )


def _learned(e: FloatArray, prior: Spread) -> Spread:
    n = len(e)
    if not n:
        return prior
    block = np.arange(n) // BLOCK_DAYS
    days = np.bincount(block)
    means = np.bincount(block, weights=e) / days
    bias = float(e.sum()) / (PRIOR_DAYS + n)
    passing2 = float(np.sum((e - means[block]) ** 2))
    passing2 = (PRIOR_DAYS * prior.passing**2 + passing2) / (PRIOR_DAYS + n)
    chance2 = passing2 / BLOCK_DAYS * (1 + prior.memory) / (1 - prior.memory)  # of a block's mean, by chance
    lasting2 = max(float(np.sum(days * (means - bias) ** 2)) - n * CHANCE_TAKEN * chance2, 0.0)
    lasting2 = (PRIOR_DAYS * prior.lasting**2 + lasting2) / (PRIOR_DAYS + n)
    return Spread(math.sqrt(lasting2), math.sqrt(passing2), prior.memory, bias)
