"""Laws of any garden with evaporation apart: no water is made or lost, and more of a thing acts one way.

They follow from conservation and from the published equations (FAO-56 chapter 7); gardens and days are drawn.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from datetime import timedelta
from typing import Any

import numpy as np
from core import gardens as g
from core.test_second_gardens import RECORDS, some_days
from core.test_second_gardens import zone as zone_drawn
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from scheduler.core.balance.et import fill, reference_et
from scheduler.core.balance.pulses import pulses
from scheduler.core.balance.rule import RefillRule
from scheduler.core.balance.salt import Quarters
from scheduler.core.balance.soil import Balance, run
from scheduler.core.balance.sowing import dryness_allowed, seed_depth
from scheduler.core.balance.stored import stored
from scheduler.core.balance.surface import evaporate
from scheduler.core.balance.terms import Terms, terms
from scheduler.core.pulsing import even
from scheduler.model import Supply, Zone

LAW = settings(deadline=None, max_examples=25, suppress_health_check=list(HealthCheck))
SEEDS = st.integers(0, 2**32 - 1)


def drawn(
    seed: int, changed: Callable[[Zone], Zone] = lambda zone: zone
) -> tuple[tuple[Zone, ...], Terms, Balance]:
    """A garden and its days."""
    rng = np.random.default_rng(seed)
    name = RECORDS[int(rng.integers(len(RECORDS)))]
    days, site = some_days(name, rng), g.location_of(name)
    first = days.first + timedelta(days=40)
    zones = tuple(replace(changed(zone_drawn(rng, first)), name=f"zone {k}") for k in range(2))
    zones = tuple(replace(z, valve=replace(z.valve, key=z.name)) for z in zones)
    last = min(days.last, first + timedelta(days=250))
    et = fill(reference_et(days, site), first, last)
    record, span = stored(days, et), slice(40, 40 + (last - first).days + 1)
    laid_out = terms(
        zones, first, et.et0_mm[span], record.rain_mm[span], location=site,
        supply=Supply(40.0, ec_ds_m=rng.choice([None, 2.0])), coefficient="dual", record=record,
    )  # fmt: skip
    starting = np.array([z.starting_deficit_mm for z in zones], dtype=np.float64)
    return zones, laid_out, run(laid_out, starting_deficit=starting, rule=RefillRule.of(zones))


@LAW
@given(seed=SEEDS)
def test_laws_of_a_whole_season(seed: int) -> None:
    zones, laid_out, done = drawn(
        seed, lambda zone: replace(zone, longest_run_minutes=None, leave_room_mm=0.0)
    )
    water_closes_in_the_strip(laid_out, done)
    nothing_runs_while_a_crop_is_dried_off(laid_out, done)
    a_sown_bed_is_moist_on_a_morning_of_a_run(zones, laid_out, done)
    pulses_add_up_to_the_run(zones, laid_out, done)


def water_closes_in_the_strip(laid_out: Terms, done: Balance) -> None:
    """Rain and irrigation are evaporation, use, drainage and the change of what is stored."""
    assert done.apart is not None
    here = laid_out.standing
    came = laid_out.rain_eff + done.irrigation
    went = done.apart.evaporation + done.apart.use + done.percolation
    change = done.deficit_start - done.deficit_end
    np.testing.assert_allclose(came[here], (went + change)[here], atol=1e-9)
    assert (done.deficit_end >= 0).all()
    assert (done.deficit_end <= laid_out.taw + 1e-9)[here].all()


def nothing_runs_while_a_crop_is_dried_off(laid_out: Terms, done: Balance) -> None:
    if laid_out.sowing.dry is not None:
        dry = laid_out.spread(laid_out.sowing.dry * 1.0) > 0
        assert not done.minutes[dry].any()


def a_sown_bed_is_moist_on_a_morning_of_a_run(
    zones: tuple[Zone, ...], laid_out: Terms, done: Balance
) -> None:
    """Once the morning's water is in, the layer over the seed lacks less than it may."""
    apart, seedbed = done.apart, laid_out.sowing.seedbed
    assert apart is not None
    sown = np.zeros_like(laid_out.standing) if seedbed is None else laid_out.spread(seedbed * 1.0) > 0
    for d, z in np.argwhere(sown & (apart.waterings > 0)):
        stand = laid_out.stands[laid_out.stand[d, z]]
        left = apart.surface_start[d, z] - done.irrigation[d, z] / stand.wetted
        assert left <= dryness_allowed(zones[z].soil, seed_depth(stand.planting)) + 1e-9


def pulses_add_up_to_the_run(zones: tuple[Zone, ...], laid_out: Terms, done: Balance) -> None:
    count = pulses(zones, laid_out, done)
    assert ((count > 0) == (done.minutes > 0)).all()
    for minutes, n in {*zip(done.minutes.ravel().tolist(), count.ravel().tolist(), strict=True)}:
        parts = even(minutes, n)
        assert sum(parts) == minutes
        assert max(parts) - min(parts) <= 1


@LAW
@given(seed=SEEDS)
def test_what_evaporates_leaves_the_layer(seed: int) -> None:
    """Of each part of the surface: evening less morning is Ke ET0 of its own ground, up to a dry layer."""
    rng = np.random.default_rng(seed)
    few = rng.dirichlet([1, 1, 1], 50).T[:2] * rng.choice([0.0, 1.0], (2, 50), p=[0.1, 0.9])
    tew, et0 = rng.uniform(10, 30, 50), rng.uniform(0, 9, 50)
    de, kc_max, demand = (
        rng.uniform(0, 1, (2, 50)) * tew,
        rng.uniform(1.05, 1.3, 50),
        rng.uniform(0.05, 1.1, 50),
    )
    per_few = np.divide(et0, few, out=np.zeros_like(few), where=few > 0)
    slope = tew * rng.uniform(0.2, 0.9, 50)
    done = evaporate(
        de, few, tew=tew, slope_mm=slope, demand=demand, most=few * kc_max, et0_per_few=per_few,
        keeps=rng.uniform(0.5, 1, 50),
    )  # fmt: skip
    dry = done.de >= tew - 1e-12
    np.testing.assert_allclose((few * (done.de - de))[~dry], (done.ke * et0)[~dry], atol=1e-9)
    assert (done.de >= de - 1e-12).all()
    assert (done.de <= tew).all()
    assert (done.ke.sum(axis=0) <= demand + 1e-12).all()


@LAW
@given(seed=SEEDS, straw=st.floats(0, 1))
def test_straw_never_raises_a_day_s_evaporation(seed: int, straw: float) -> None:
    rng = np.random.default_rng(seed)
    few, tew = rng.dirichlet([1, 1, 1], 50).T[:2], rng.uniform(10, 30, 50)
    same: dict[str, Any] = {
        "tew": tew, "slope_mm": 0.5 * tew, "demand": rng.uniform(0.05, 1.1, 50), "most": few * 1.15,
        "et0_per_few": 6.0 / few,
    }  # fmt: skip
    de = rng.uniform(0, 1, (2, 50)) * tew
    bare = evaporate(de, few, keeps=np.ones(50), **same)
    covered = evaporate(de, few, keeps=np.full(50, 1 - 0.5 * straw), **same)
    assert (covered.ke <= bare.ke + 1e-15).all()


@settings(LAW, max_examples=8)
@given(seed=SEEDS, depths=st.tuples(st.floats(0, 0.25), st.floats(0, 0.25)))
def test_deeper_tape_never_raises_a_season_s_evaporation(seed: int, depths: tuple[float, float]) -> None:
    """The same crops, rows and rain, watered by the rule; set out, so that no seedbed asks for runs."""

    def buried(depth: float) -> Callable[[Zone], Zone]:
        return lambda zone: replace(
            zone, tape_depth_m=depth, wet_band_m=None,
            plantings=tuple(replace(p, by="sets") for p in zone.plantings),
        )  # fmt: skip

    sums = []
    for depth in sorted(depths):
        apart = drawn(seed, buried(depth))[2].apart
        assert apart is not None
        sums.append(float(apart.evaporation.sum()))
    assert sums[1] <= sums[0] * (1 + 1e-3) + 0.5  # whole minutes move a run by a day now and then


@LAW
@given(seed=SEEDS, rain=st.floats(0, 80))
def test_rain_never_raises_the_same_day_s_salt(seed: int, rain: float) -> None:
    rng = np.random.default_rng(seed)
    v = np.full(1, rng.uniform(2, 60))
    quarters = Quarters(v * rng.uniform(0.4, 1, (4, 1)), v * rng.uniform(0, 12, (4, 1)))
    before = float(quarters.ece(1.0, v)[0])
    quarters.enter(np.full(1, rain), 0.0, v_mm=v, passed_on=float(rng.choice([0.7, 1.0])))
    assert float(quarters.ece(1.0, v)[0]) <= before + 1e-12
    assert (quarters.salt >= -1e-12).all()


def test_some_of_the_gardens_drawn_have_it_all() -> None:
    """A law of nothing would hold always: what the gardens drawn above are known to contain."""
    found = dict.fromkeys(("run", "seedbed", "dried off", "salt", "settling in"), 0)
    for seed in range(8):
        _, laid_out, done = drawn(seed)
        apart, sow = done.apart, laid_out.sowing
        assert apart is not None
        found["run"] += bool(done.minutes.any())
        found["seedbed"] += bool(apart.waterings.any())
        found["dried off"] += sow.dry is not None and bool(sow.dry.any())
        found["salt"] += bool(np.isfinite(apart.ece).any())
        found["settling in"] += sow.settle is not None and bool(sow.settle.any())
    assert min(found.values()) >= 1, found
