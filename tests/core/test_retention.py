"""Van Genuchten's curve against another implementation, and the shipped parameters against known limits."""

from __future__ import annotations

import numpy as np
import pedon
import pytest

from scheduler import tables
from scheduler.core.uncertainty.retention import (
    CM_PER_KPA,
    WILTING_KPA,
    Curve,
    used_share,
    used_share_of_theta,
)

CURVES = {name: Curve(**figures) for name, figures in tables.retention().items()}
SOILS = tables.soils()


@pytest.mark.parametrize("name", CURVES)
def test_the_curve_is_that_of_the_pedon_library(name):
    c = CURVES[name]
    other = pedon.Genuchten(
        k_s=10.0, theta_r=c.theta_r, theta_s=c.theta_s, alpha=c.alpha_per_cm, n=c.n, l=0.5
    )
    kpa = np.geomspace(0.1, 1500, 60)
    np.testing.assert_allclose(c.theta(kpa), other.theta(kpa * CM_PER_KPA), rtol=1e-9)


def test_worked_by_hand():
    """Loam at 33 kPa: (0.0111 x 33 x 10.197)^1.472 = 6.966; 1 + that, to the power 1/1.472 - 1 = -0.32065:
    0.51385; 0.061 + 0.338 x 0.51385 = 0.2347."""
    assert float(CURVES["loam"].theta(np.float64(33.0))) == pytest.approx(0.2347, abs=2e-4)


@pytest.mark.parametrize("name", CURVES)
def test_there_and_back(name):
    c = CURVES[name]
    kpa = np.geomspace(0.5, 1500, 40)
    np.testing.assert_allclose(c.tension_kpa(c.theta(kpa)), kpa, rtol=1e-6)
    assert np.isnan(c.tension_kpa(c.theta_s + 0.01))
    assert np.isnan(c.tension_kpa(c.theta_r))


@pytest.mark.parametrize("name", SOILS)
def test_field_capacity_stands_where_the_texts_have_it(name):
    """FAO-56 chapter 8: about 0.1 bar in coarse to 0.33 bar in fine soils; sands 0.05 (trade texts)."""
    soil = SOILS[name]
    assert 5.0 <= CURVES[name].field_capacity_kpa(soil.theta_fc) <= 35.0


@pytest.mark.parametrize("name", SOILS)
def test_the_deficit_is_nothing_at_field_capacity_and_all_of_taw_at_wilting(name):
    soil, curve = SOILS[name], CURVES[name]
    at_fc = curve.field_capacity_kpa(soil.theta_fc)
    assert float(curve.theta(np.float64(at_fc))) == pytest.approx(soil.theta_fc, abs=1e-9)
    assert float(used_share(np.float64(at_fc), curve, soil.theta_fc)) == pytest.approx(0, abs=1e-9)
    assert float(used_share(np.float64(WILTING_KPA), curve, soil.theta_fc)) == pytest.approx(1)
    rising = used_share(np.geomspace(at_fc, 1500, 50), curve, soil.theta_fc)
    assert (np.diff(rising) > 0).all()


def test_water_content_to_deficit_is_eq_82_turned_round():
    """FAO-56 eq 82: loam 0.25 / 0.12, half of it gone at 0.185."""
    assert float(used_share_of_theta(np.float64(0.185), 0.25, 0.12)) == pytest.approx(0.5)


def test_a_soil_whose_field_capacity_the_curve_never_holds_takes_the_usual_tension():
    assert CURVES["sand"].field_capacity_kpa(0.42) == 33.0
