"""The doubt of ET0, rain and water, and its way through the balance: against drawn seasons and texts."""

from __future__ import annotations

from dataclasses import replace
from datetime import date

import numpy as np
import pytest
from core import gardens
from core.uncertainty_records import SUPPLY, without
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import integrate, stats

from scheduler.core.balance.climate import weather_days
from scheduler.core.balance.et import fill, penman_monteith, reference_et
from scheduler.core.balance.rule import RefillRule
from scheduler.core.balance.soil import run, step
from scheduler.core.balance.terms import terms
from scheduler.core.uncertainty import sources
from scheduler.core.uncertainty.carry import PARTS, Causes, carry
from scheduler.core.uncertainty.learned import BRIGHT_SHARE, learn_inputs, skill
from scheduler.core.uncertainty.moments import quantile, rectified
from scheduler.core.uncertainty.sources import Uncertainty
from scheduler.model import Crop, Rows

# --- skill ---------------------------------------------------------------------------------------


def test_skill_gives_bias_and_spread_by_source_and_lead():
    rng = np.random.default_rng(1)
    n = 4000
    source = rng.choice(["one", "two"], n)
    lead = rng.integers(1, 4, n)
    outcome = rng.uniform(2, 7, n)
    true_sd = 0.3 * lead
    forecast = outcome - np.where(source == "one", 0.4, 0.0) - rng.normal(0, true_sd)
    found = skill(list(source), lead, forecast, outcome)
    assert set(found) == {(s, k) for s in ("one", "two") for k in (1, 2, 3)}
    for (name, k), one in found.items():
        bias = 0.4 if name == "one" else 0.0
        assert one.bias == pytest.approx(bias, abs=4 * 0.3 * k / np.sqrt(one.pairs))
        assert one.sd == pytest.approx(np.hypot(0.3 * k, bias), rel=0.08)  # about 0: the bias counts


def test_skill_leans_on_the_prior_until_thirty_pairs_are_there():
    """Shrinkage as with a scaled inverse chi-squared prior of n0 degrees of freedom (Gelman et al., Bayesian
    Data Analysis, section 2.6): (n0 s0^2 + n v) / (n0 + n)."""
    for n in (1, 30, 300):
        found = skill(["a"] * n, np.ones(n, dtype=int), np.zeros(n), np.full(n, 2.0), prior_sd=lambda _: 1.0)
        assert found["a", 1].sd == pytest.approx(np.sqrt((30 * 1 + n * 4) / (30 + n)))


def test_skill_leaves_out_what_is_missing():
    found = skill(
        ["a", "a", "b"], np.array([1, 1, 1]), np.array([3.0, np.nan, np.nan]), np.array([4.0, 4, 4])
    )
    assert set(found) == {("a", 1)}
    assert found["a", 1].pairs == 1


# --- ET0 -----------------------------------------------------------------------------------------


@pytest.mark.parametrize("name", ["fallon", "de_bilt", "davis"])
def test_the_formula_of_the_differences_is_the_librarys(name):
    """Eq 6 as used for differences, against pyet's (through reference_et) on real days."""
    days, at = gardens.recorded(name), gardens.location_of(name)
    et = reference_et(days, at)
    c = et.climate
    own = penman_monteith(c, at.elevation_m).et0_mm
    known = np.isfinite(et.et0_mm) & (et.et0_mm > 0)
    assert known.sum() > 300
    np.testing.assert_allclose(own[known], et.et0_mm[known], rtol=1e-12)


def test_in_polar_night_it_is_the_librarys_too():
    """No clear-sky radiation to divide by: the library then takes the lowest Rs/Rso of eq 39, 0.3."""
    at = replace(gardens.HERE, latitude_deg=69.65, elevation_m=10.0)
    dark = weather_days(date(2021, 12, 21), tmin_c=-12, tmax_c=-4, tdew_c=-14, wind_m_s=3, solar_mj_m2=0)
    et = reference_et(dark, at)
    terms = penman_monteith(et.climate, at.elevation_m)
    assert terms.clear_share[0] == 0.3
    assert et.et0_mm[0] == pytest.approx(max(terms.et0_mm[0], 0), rel=1e-12, abs=1e-12)


@pytest.mark.parametrize("coastal", [False, True])
def test_a_perfect_estimate_leaves_nothing_to_learn(coastal: bool):
    """Where the measured radiation is eq 50's own, inland and by the sea, it has no error and no bias."""
    days, at = gardens.recorded("de_bilt"), replace(gardens.location_of("de_bilt"), coastal=coastal)
    estimated = reference_et(without(days, "sun"), at).climate.rs_mj
    found = learn_inputs(reference_et(replace(days, solar_mj_m2=estimated), at))
    assert found.radiation.bias == pytest.approx(0, abs=1e-12)
    assert (
        found.radiation.lasting < sources.InputUncertainty().radiation.lasting / 5
    )  # all that is left is the prior


def test_what_is_estimated_is_less_sure_than_what_is_measured():
    days, at = gardens.recorded("de_bilt"), gardens.location_of("de_bilt")
    sd = [
        sources.et0_uncertainty(reference_et(without(days, *kinds), at), at.elevation_m).sd
        for kinds in ((), ("wind",), ("wind", "sun"), ("wind", "sun", "humidity"))
    ]
    for surer, less in zip(sd, sd[1:], strict=False):
        assert (less > surer).mean() > 0.9  # on a still day the sun's error weighs a little less
        assert less.mean() > surer.mean()


def test_a_day_far_ahead_is_less_sure_than_today():
    days, at = gardens.recorded("fallon"), gardens.location_of("fallon")
    et = reference_et(days, at)
    n = len(days)
    sd = [
        sources.et0_uncertainty(
            et, at.elevation_m, by=np.full(n, sources.FORECAST), lead_days=np.full(n, lead, dtype=np.int64)
        ).sd
        for lead in range(8)
    ]
    known = np.isfinite(sd[0])
    for nearer, farther in zip(sd, sd[1:], strict=False):
        assert (farther[known] > nearer[known]).all()


def test_a_site_teaches_how_far_off_its_estimates_are():
    """De Bilt's wind is 2.3 m/s on average at 2 m: what stands in, 2 m/s, is low there."""
    days, at = gardens.recorded("de_bilt"), gardens.location_of("de_bilt")
    et = reference_et(days, at)
    found = learn_inputs(et)
    bright = et.climate.ra_mj >= BRIGHT_SHARE * et.climate.ra_mj.max()
    assert found.wind.bias == pytest.approx(np.mean(et.climate.u2_m_s[bright] - 2), rel=0.02)
    assert learn_inputs(reference_et(without(days, "wind"), at)).wind == sources.InputUncertainty().wind
    blind = reference_et(without(days, "wind"), at)
    stated = sources.et0_uncertainty(blind, at.elevation_m, inputs=found)
    assert np.mean(stated.bias[bright]) > 0  # more wind, more ET0


# --- rain ----------------------------------------------------------------------------------------


def test_rain_uncertainty():
    by = np.array(
        [
            sources.GAUGE,
            sources.STATION,
            sources.MODEL,
            sources.FORECAST,
            sources.STATION,
            sources.MODEL,
            sources.STATION,
        ]
    )
    rain = np.array([10.0, 10.0, 10.0, 10.0, 0.0, 0.0, 0.0])
    missing = np.array([False] * 6 + [True])
    chance = np.array([np.nan] * 3 + [0.5] + [np.nan] * 3)
    sd = sources.rain_uncertainty(rain, by=by, missing=missing, chance=chance).sd
    assert (np.diff(sd[:4]) > 0).all()  # gauge, station, model, forecast
    assert sd[3] > 10 * np.sqrt(0.5 * 0.5)  # comes or does not: a coin's sd times the amount
    assert sd[4] == 0.0
    assert sd[5] > 0
    assert sd[6] == sources.UNKNOWN_RAIN_MM


# --- moments of the bends ------------------------------------------------------------------------


@pytest.mark.parametrize("z", [-6.0, -2.0, -0.5, 0.0, 0.3, 1.0, 4.0, 9.0])
def test_moments_of_a_rectified_normal_are_those_of_the_integral(z):
    sd = 2.5
    mean = z * sd
    pdf = stats.norm(mean, sd).pdf
    upper = max(mean, 0) + 12 * sd
    first, second = (
        integrate.quad(lambda x, k=k: x**k * pdf(x), 0, upper, points=[max(mean, 0.0)])[0] for k in (1, 2)
    )
    found = rectified(np.array([mean]), np.array([sd]))
    assert found.mean[0] == pytest.approx(first, abs=1e-5)
    assert found.variance[0] == pytest.approx(second - first**2, abs=2e-5)
    assert found.slope[0] == pytest.approx(stats.norm.cdf(z), abs=1e-7)


@given(
    st.lists(st.tuples(st.floats(-30, 30), st.floats(0.01, 20)), min_size=6, max_size=6),
    st.floats(0.03, 0.97),
)
@settings(max_examples=60)
def test_quantiles_of_the_mixture(parts, share):
    mean, sd = np.array(parts).T
    x = float(quantile(share, mean, sd))
    assert np.mean(stats.norm.cdf((x - mean) / sd)) == pytest.approx(share, abs=1e-4)


# --- along the balance, against drawing lots -----------------------------------------------------

COUNT = 90
CROP = Crop("beans", 0.5, 1.05, 0.9, (15, 25, 40, 10), 0.2, 0.5, 0.45)


def season(seed: int, wet: float):
    """Beans on three soils through a summer: (terms, balance, et0, rain, rule)."""
    rng = np.random.default_rng(seed)
    et0 = np.clip(5 + rng.normal(0, 1.2, COUNT), 1, 9)
    rain = np.where(rng.random(COUNT) < wet, rng.gamma(0.8, 9, COUNT), 0.0)
    first = date(2023, 5, 1)
    zones = tuple(
        gardens.zone(
            gardens.planting(CROP, first, rows=Rows(4, 20.0, 0.8)),
            name=soil.name,
            soil=soil,
            refill_at=refill,
        )
        for soil, refill in zip(gardens.SOILS[:3], (0.5, 0.5, 0.9), strict=True)
    )
    laid_out = terms(zones, first, et0, rain, location=gardens.HERE, supply=SUPPLY)
    rule = RefillRule.of(zones)
    return laid_out, run(laid_out, starting_deficit=np.zeros(3), rule=rule), et0, rain


def drawn(
    laid_out,
    balance,
    et0,
    rain,
    et: Uncertainty,
    rainy: Uncertainty,
    water: Uncertainty,
    n: int,
    seed: int,
):
    """True deficits of n drawn seasons, (draw, day, zone), by `soil.step` itself."""
    rng = np.random.default_rng(seed)
    lasting = rng.normal(size=(3, n, 1))
    passing = rng.normal(size=(n, 1))
    deficit = np.zeros((n, 3))
    slope = laid_out.etc / (laid_out.taw - laid_out.raw)
    share = laid_out.spread(laid_out.flat.rain_share)
    out = np.zeros((n, COUNT, 3))
    for k in range(COUNT):
        out[:, k] = deficit
        memory = et.memory[k]
        passing = memory * passing + np.sqrt(1 - memory**2) * rng.normal(size=(n, 1)) if k else passing
        factor = 1 + (et.lasting[k] * lasting[0] + et.passing[k] * passing) / et0[k]
        fell = rainy.lasting[k] * lasting[1] + rainy.passing[k] * rng.normal(size=(n, 1))
        given_ = (
            balance.irrigation[k] + water.lasting[k] * lasting[2] + water.passing[k] * rng.normal(size=(n, 3))
        )
        deficit = step(
            deficit, irrigation=given_, rain_eff=laid_out.rain_eff[k] + share[k] * fell,
            etc=laid_out.etc[k] * factor, taw=laid_out.taw[k], slope=slope[k] * factor,
        ).deficit  # fmt: skip
    return out


def errors(
    et0, rain, irrigation, et_sd=(0.10, 0.15), memory=0.45, rain_sd=(0.05, 0.2), water_sd=(0.05, 0.05)
):
    none = np.zeros(COUNT)
    return (
        Uncertainty(et_sd[0] * et0, et_sd[1] * et0, np.full(COUNT, memory)),
        Uncertainty(rain_sd[0] * rain, rain_sd[1] * rain, none),
        Uncertainty(water_sd[0] * irrigation, water_sd[1] * irrigation, none),
    )


@pytest.mark.parametrize(
    ("name", "wet", "sizes"),
    [
        ("all of it", 0.15, {}),
        ("a dry summer", 0.0, {}),
        ("a wet summer", 0.5, {}),
        ("day to day only", 0.1, {"et_sd": (0.0, 0.25), "rain_sd": (0.0, 0.0), "water_sd": (0.0, 0.0)}),
        ("lasting only", 0.1, {"et_sd": (0.08, 0.0), "rain_sd": (0.0, 0.0), "water_sd": (0.0, 0.0)}),
        ("water only", 0.1, {"et_sd": (0.0, 0.0), "rain_sd": (0.0, 0.0), "water_sd": (0.07, 0.1)}),
    ],
)
def test_the_stated_spread_is_that_of_drawn_seasons(name, wet, sizes):
    """3000 seasons drawn with these errors and stepped by `soil.step`: held and stressed as it is."""
    laid_out, balance, et0, rain = season(7, wet)
    et, rainy, water = errors(et0, rain, balance.irrigation, **sizes)
    carried = carry(
        laid_out, balance, Causes(et0, et, rain, rainy, water),
        today=COUNT - 1, start_share=0.0,
    )  # fmt: skip
    true = drawn(laid_out, balance, et0, rain, et, rainy, water, 3000, 11)
    off = true - balance.deficit_start
    root = np.sqrt(np.mean(off**2, axis=0))
    felt = root > 0.3
    ratio = carried.sd_start[felt] / root[felt]
    assert felt.mean() > 0.5, name
    assert 0.80 < ratio.mean() < 1.20
    assert np.mean((ratio > 0.6) & (ratio < 1.5)) > 0.9
    low, high = carried.band(slice(None), laid_out.taw)
    inside = ((true >= low - 1e-6) & (true <= high + 1e-6)).mean(axis=0)[felt]
    assert 0.85 < inside.mean() < 0.97


def test_exact_where_nothing_bends():
    """Deep in the middle of the range the deficit is a sum: variance by the AR(1) formula of the texts (Box,
    Jenkins and Reinsel, Time Series Analysis, section 3.2), lasting errors as the square of their sum."""
    laid_out, _, et0, rain = season(3, 0.0)
    zero = np.zeros((COUNT, 3))
    rule = RefillRule.of(tuple(gardens.zone(gardens.planting(), name=n) for n in "abc"))
    start = np.full(3, 2.0)
    balance = run(laid_out, starting_deficit=start, rule=rule, given=zero, decide_from=COUNT)
    sd, memory, k = 0.02, 0.5, 4
    none = np.zeros(COUNT)
    et = Uncertainty(sd * et0, 2 * sd * et0, np.full(COUNT, memory))
    carried = carry(
        laid_out, balance,
        Causes(et0, et, rain, Uncertainty(none, none, none), Uncertainty(zero, zero, none)),
        today=k, start_share=0.0,
    )  # fmt: skip
    h = laid_out.etc[:k]
    lags = memory ** np.abs(np.subtract.outer(np.arange(k), np.arange(k)))
    for z in (1, 2):  # sand is soon stressed
        expected = (sd * h[:, z].sum()) ** 2 + (2 * sd) ** 2 * h[:, z] @ lags @ h[:, z]
        assert carried.sd_start[k, z] ** 2 == pytest.approx(expected, rel=1e-4)


def test_parts_add_up_and_without_doubt_there_is_none():
    laid_out, balance, et0, rain = season(5, 0.2)
    et, rainy, water = errors(et0, rain, balance.irrigation)
    carried = carry(laid_out, balance, Causes(et0, et, rain, rainy, water), today=60)
    assert carried.parts.shape == (len(PARTS), 3)
    np.testing.assert_allclose(carried.parts.sum(axis=0), carried.sd_start[60] ** 2, rtol=1e-9)
    assert carried.balance is balance  # nothing of the balance is touched
    none, zero = np.zeros(COUNT), np.zeros((COUNT, 3))
    nothing = Uncertainty(none, none, none)
    sure = carry(
        laid_out, balance, Causes(et0, nothing, rain, nothing, Uncertainty(zero, zero, none)), today=60,
        start_share=0.0,
    )  # fmt: skip
    assert np.abs(sure.sd_start).max() < 1e-6


@given(st.integers(0, 2**31), gardens.gardens(most_zones=3, shared_valves=False))
@settings(max_examples=25, deadline=None)
def test_any_season_has_a_finite_doubt_within_bounds(seed, plot):
    rng = np.random.default_rng(seed)
    n = 120
    et0, rain = rng.uniform(0, 9, n), np.where(rng.random(n) < 0.3, rng.gamma(0.7, 10, n), 0.0)
    laid_out = terms(plot.zones, gardens.FIRST, et0, rain, location=plot.location, supply=plot.supply)
    balance = run(
        laid_out,
        starting_deficit=np.array([z.starting_deficit_mm for z in plot.zones]),
        rule=RefillRule.of(plot.zones),
    )
    none = np.zeros(n)
    carried = carry(
        laid_out, balance,
        Causes(
            et0, Uncertainty(0.2 * et0, 0.3 * et0, np.full(n, 0.5)), rain,
            Uncertainty(0.1 * rain, 0.5 * rain, none),
            Uncertainty(0.07 * balance.irrigation, 0.1 * balance.irrigation, none),
        ), today=n - 1,
    )  # fmt: skip
    assert np.isfinite(carried.sd_start).all()
    assert (carried.sd_start >= 0).all()
    assert (carried.sd_start[~balance.known] == 0).all()
    low, high = carried.band(slice(None), laid_out.taw)
    assert (low <= high + 1e-9).all()
    assert (low >= 0).all()
    assert (high <= laid_out.taw + 1e-9).all()


def test_filled_days_are_less_sure_than_measured_ones():
    days, at = gardens.recorded("fallon"), gardens.location_of("fallon")
    gone = np.arange(len(days)) % 10 == 9
    et = fill(reference_et(without(days, "temperature", where=gone), at), date(2015, 2, 1), days.last)
    sd = sources.et0_uncertainty(et, at.elevation_m).sd
    summer = slice(120, 240)
    assert sd[summer][gone[summer]].min() > sd[summer][~gone[summer]].max()
