"""The week's own balance against the daily one (`soil.run`, on either path), with the same water and rain."""

from __future__ import annotations

from dataclasses import replace
from datetime import timedelta

import numpy as np
import pytest
from core import gardens as g
from hypothesis import HealthCheck, Phase, assume, given, settings
from hypothesis import strategies as st

from scheduler.core.balance.et import fill, reference_et
from scheduler.core.balance.rule import RefillRule
from scheduler.core.balance.soil import run
from scheduler.core.balance.stored import stored
from scheduler.core.balance.terms import Terms, terms
from scheduler.core.week.outcome import day_on, mean_balance, terms_of
from scheduler.core.week.problem import Week
from scheduler.core.week.valves import Valves
from scheduler.model import CropCoefficient, Garden, WeatherDays

from core.week_gardens import week  # isort: skip

DAYS = 7


def laid_out(garden: Garden, weather: WeatherDays, coefficient: CropCoefficient) -> tuple[Terms, np.ndarray]:
    last = weather.first + timedelta(days=len(weather) - 1)
    et = fill(reference_et(weather, garden.location), weather.first, last)
    rain = np.where(weather.rain_mm >= 0, weather.rain_mm, 0.0)
    found = terms(
        garden.zones, weather.first, et.et0_mm, rain, location=garden.location, supply=garden.supply,
        coefficient=coefficient, record=stored(weather, et),
    )  # fmt: skip
    return found, rain


def as_week(found: Terms, first: int, deficit: np.ndarray, evaporation: np.ndarray) -> Week:
    days = slice(first, first + DAYS)
    count = found.stand.shape[1]
    use = np.where(found.standing[days], found.use[days], 0.0)
    return week(
        count, standing=found.standing[days], taw=found.taw[days], raw=found.raw[days], etc=use + evaporation,
        evaporation=evaporation, rain_eff=found.rain_eff[days], rain_chance=1.0, deficit=deficit,
        trigger=np.inf, net_per_minute=1 / found.minutes_per_mm[days],
    )  # fmt: skip


@settings(
    deadline=None, max_examples=40, suppress_health_check=list(HealthCheck),
    phases=[Phase.explicit, Phase.reuse, Phase.generate],
)  # fmt: skip
@given(
    garden=g.gardens(shared_valves=False), weather=g.seasons(most_days=120), seed=st.integers(0, 2**32 - 1),
    coefficient=st.sampled_from(["single", "dual"]),
)  # fmt: skip
def test_a_week_with_known_evaporation_is_the_daily_balance(
    garden: Garden, weather: WeatherDays, seed: int, coefficient: CropCoefficient
):
    """Stress lowers the use, never the evaporation (FAO-56 eq 80); plantings that begin are left out."""
    assume(len(weather) >= DAYS)
    found, _ = laid_out(garden, weather, coefficient)
    rng = np.random.default_rng(seed)
    given_mm = np.where(rng.random(found.stand.shape) < 0.2, rng.gamma(1, 8, found.stand.shape), 0.0)
    starting = np.array([z.starting_deficit_mm for z in garden.zones], dtype=np.float64)
    lived = run(
        found, starting_deficit=starting, rule=RefillRule.of(garden.zones), given=given_mm,
        decide_from=len(found.stand),
    )  # fmt: skip
    same = (found.stand[DAYS - 1 :] == found.stand[: len(found.stand) - DAYS + 1]) & (
        found.stand[DAYS - 1 :] >= 0
    )
    for first in rng.permutation(np.flatnonzero(same.any(axis=1)))[:6].tolist():
        days, z = slice(first, first + DAYS), np.flatnonzero(same[first])
        evaporation = np.zeros((DAYS, found.stand.shape[1]))
        if lived.apart is not None:
            evaporation = np.where(found.standing[days], lived.apart.evaporation[days], 0.0)
        ahead = as_week(found, first, lived.deficit_start[first].copy(), evaporation)
        valves = Valves(ahead)
        own = terms_of(valves)
        mean = mean_balance(valves, own, lived.irrigation[days])
        np.testing.assert_allclose(mean.end[:, z], lived.deficit_end[days][:, z], atol=1e-9)
        np.testing.assert_allclose(1 - mean.lack[:, z], lived.ks[days][:, z], atol=1e-9)
        np.testing.assert_allclose(mean.percolation[:, z], lived.percolation[days][:, z], atol=1e-9)
        deficit = ahead.deficit
        for day in range(DAYS):
            deficit = day_on(valves, own, day, deficit, lived.irrigation[first + day])
            np.testing.assert_allclose(deficit[z], mean.end[day, z], atol=1e-9)


def test_stress_spares_no_evaporation():
    """Half past RAW the crop draws half of its 3 mm, and the strip loses its 2 mm all the same."""
    ahead = week(1, days=1, taw=40.0, raw=20.0, deficit=30.0, etc=5.0, evaporation=2.0)
    valves = Valves(ahead)
    end = mean_balance(valves, terms_of(valves), np.zeros((1, 1))).end
    assert end[0, 0] == pytest.approx(30 + 2 + 1.5)
    nearly_empty = replace(ahead, deficit=np.array([39.5]))
    end = mean_balance(Valves(nearly_empty), terms_of(Valves(nearly_empty)), np.zeros((1, 1))).end
    assert end[0, 0] == 40.0  # no more than there is
