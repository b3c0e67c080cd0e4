"""Friction in a pipe: against the laws that the explicit formula stands for."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from scheduler.core.hydraulics.pipes import (
    VISCOSITY_M2_S,
    darcy_weisbach,
    flow_at_velocity,
    friction_factor,
    reynolds_number,
    velocity,
    velocity_pressure,
)

GRID = np.meshgrid(np.geomspace(4000, 1e8, 400), np.geomspace(1e-6, 1e-2, 60))


def colebrook(reynolds: np.ndarray, roughness: np.ndarray) -> np.ndarray:
    """Implicit Colebrook-White (1939): 1/sqrt(f) = -2 log10(e/3.7d + 2.51/(Re sqrt(f))), iterated to rest."""
    x = np.full_like(reynolds, 7.0)
    for _ in range(60):
        x = -2 * np.log10(roughness / 3.7 + 2.51 / reynolds * x)
    return x**-2


def test_within_the_papers_error_of_colebrook() -> None:
    """Swamee and Jain (1976) name about 1 % for Re 5e3..1e8, e/d 1e-6..1e-2; 3 % at the rough corner."""
    reynolds, roughness = GRID
    error = np.abs(friction_factor(reynolds, roughness) / colebrook(reynolds, roughness) - 1)
    assert error.mean() < 0.01
    assert error.max() < 0.032
    assert error[(roughness <= 2e-4) & (reynolds >= 5000)].max() < 0.013  # plastic tape and pipe
    assert error[(roughness <= 2e-4) & (reynolds >= 1e4)].max() < 0.012


def test_smooth_pipe_against_blasius() -> None:
    """Blasius f = 0.3164 Re^-0.25, smooth pipe, Re 4e3..1e5 (from memory); 2.8 % from Colebrook itself."""
    reynolds = np.geomspace(4000, 1e5, 200)
    assert np.abs(friction_factor(reynolds) / (0.3164 * reynolds**-0.25) - 1).max() < 0.03


def test_laminar_flow_is_hagen_poiseuille() -> None:
    """Loss = 128 mu L Q / (pi d^4), with mu = 1000 kg/m3 x viscosity."""
    flow_lpm, diameter, length = 0.6, 0.0159, 7.0
    assert reynolds_number(flow_lpm, diameter) < 2000
    expected_pa = 128 * (1000 * VISCOSITY_M2_S) * length * (flow_lpm / 60000) / (np.pi * diameter**4)
    loss = darcy_weisbach(np.array(diameter), np.array(1.5e-6), np.array(length))
    assert float(loss(np.array([flow_lpm]))[0]) == pytest.approx(expected_pa / 1000, rel=1e-12)


@pytest.mark.parametrize("roughness", [0.0, 1e-6, 1e-4, 1e-2])
def test_passage_meets_both_ends_without_a_step_or_a_kink(roughness: float) -> None:
    for edge in (2000.0, 4000.0):
        re = edge + np.array([-0.02, -0.01, 0.01, 0.02])
        f = friction_factor(re, roughness)
        assert f[1] == pytest.approx(f[2], rel=2e-5)
        assert f[1] - f[0] == pytest.approx(f[3] - f[2], rel=1e-3)


def test_positive_everywhere_and_more_flow_loses_more() -> None:
    reynolds = np.concatenate([np.linspace(0, 9000, 9001), np.geomspace(9001, 1e8, 500)])
    for roughness in (0.0, 1e-6, 1e-4, 1e-3, 1e-2):
        f = friction_factor(reynolds, roughness)
        assert np.all(np.isfinite(f))
        assert np.all(f > 0)
        assert np.all(np.diff(f[1:] * reynolds[1:] ** 2) > 0)


@given(
    flow=st.floats(0, 200),
    diameter=st.floats(0.005, 0.05),
    roughness=st.floats(0, 1e-5),
    length=st.floats(0.05, 50),
)
def test_the_two_ways_agree(flow: float, diameter: float, roughness: float, length: float) -> None:
    """The law with its pipe worked out beforehand, and f (L/d) v^2/2 written out."""
    loss = darcy_weisbach(np.array(diameter), np.array(roughness), np.array(length))
    quick = float(loss(np.array([flow]))[0])
    if flow > 0:
        f = friction_factor(reynolds_number(flow, diameter), roughness / diameter)
        assert quick == pytest.approx(
            float(f * length / diameter * velocity_pressure(flow, diameter)), rel=1e-9, abs=1e-30
        )
    else:
        assert quick == 0.0


def test_velocity_and_flow_turn_back() -> None:
    assert float(velocity(flow_at_velocity(0.3048, 0.0159), 0.0159)) == pytest.approx(0.3048)


def test_a_negative_reynolds_number_is_refused() -> None:
    with pytest.raises(ValueError, match="not negative"):
        friction_factor([-1.0])
