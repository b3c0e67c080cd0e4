"""What any tape must obey, whatever the numbers: hypothesis writes the cases."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import assume, given, settings
from hypothesis import strategies as st

from scheduler.core.hydraulics.laterals import Branches, LateralBatch, solve
from scheduler.core.hydraulics.pipes import KPA_PER_M, friction_factor, reynolds_number, velocity_pressure
from scheduler.core.hydraulics.zone import zone_solution, zone_solutions
from scheduler.model import Mainline, Rows, Supply, Tape

tapes = st.builds(
    Tape,
    name=st.just("t"),
    flow_lpm_per_m=st.floats(0.01, 0.4),
    rated_at_kpa=st.floats(40, 110),
    exponent=st.sampled_from([0.0, 0.3, 0.45, 0.5, 0.6, 1.0]),
    emitter_spacing_m=st.sampled_from([0.1, 0.2, 0.3048, 0.6]),
    inside_diameter_m=st.sampled_from([0.0127, 0.0159, 0.022]),
)
layouts = st.builds(
    Rows,
    count=st.integers(1, 6),
    length_m=st.floats(0.7, 15),
    spacing_m=st.floats(0.3, 1.6),
    tapes=st.integers(1, 2),
    slope=st.floats(-0.05, 0.05),
)
lines = st.none() | st.builds(
    Mainline,
    inside_diameter_m=st.floats(0.012, 0.03),
    length_m=st.just(40.0),
    feed=st.sampled_from(["end", "middle"]),
    slope=st.floats(-0.03, 0.03),
    takeoff_loss=st.floats(0, 3),
)
supplies = st.builds(Supply, flow_lpm=st.just(1e6), pressure_kpa=st.floats(20, 150), mainline=lines)
few = settings(max_examples=60, deadline=None)


@few
@given(layouts, tapes, supplies, st.floats(1.001, 1.5))
def test_more_pressure_never_gives_less(rows: Rows, tape: Tape, supply: Supply, times: float) -> None:
    assert supply.pressure_kpa is not None
    less, more = (
        zone_solution(rows, tape, replace(supply, pressure_kpa=p))
        for p in (supply.pressure_kpa, supply.pressure_kpa * times)
    )
    assume(less.converged and more.converged)
    assert more.flow_lpm >= less.flow_lpm * (1 - 1e-6)
    assert more.emitter_min_lph >= less.emitter_min_lph * (1 - 1e-6)
    for a, b in zip(less.rows, more.rows, strict=True):
        assert b.inlet_kpa >= a.inlet_kpa - 1e-4
        assert b.far_kpa >= a.far_kpa - 1e-4


@few
@given(layouts, tapes, supplies)
def test_the_zone_is_the_sum_of_its_rows(rows: Rows, tape: Tape, supply: Supply) -> None:
    zone = zone_solution(rows, tape, supply)
    assert zone.flow_lpm == pytest.approx(sum(row.flow_lpm for row in zone.rows), rel=1e-12)
    assert zone.flow_lpm * 60 == pytest.approx(zone.emitters * zone.emitter_mean_lph, rel=1e-9, abs=1e-12)
    assert [row.row for row in zone.rows] == list(range(1, rows.count + 1))
    assert sum(row.tape_m for row in zone.rows) == pytest.approx(rows.tape_m)
    assert min(row.lowest_kpa for row in zone.rows) == zone.lowest_kpa
    assert zone.emitter_min_lph <= zone.emitter_mean_lph * (1 + 1e-12)
    assert 0 <= zone.uniformity <= 1
    assert 0 <= zone.flow_variation <= 1


def batches(count: int) -> st.SearchStrategy[LateralBatch]:
    def column(values: st.SearchStrategy[float]) -> st.SearchStrategy[np.ndarray]:
        return st.lists(values, min_size=count, max_size=count).map(np.array)

    return st.builds(
        LateralBatch,
        emitters=column(st.integers(1, 40)),
        spacing_m=column(st.sampled_from([0.1, 0.3, 0.6])),
        emitter_lpm=column(st.floats(0.0005, 0.01)),
        exponent=column(st.sampled_from([0.3, 0.5, 0.6])),
        diameter_m=column(st.sampled_from([0.0127, 0.0159, 0.022])),
        roughness_m=column(st.sampled_from([1.5e-6, 1e-5])),
        slope=column(st.floats(-0.05, 0.05)),
        takeoff_loss=column(st.floats(0, 3)),
        tapes=column(st.integers(1, 3)),
    )


def one_line(feed_kpa: float, members: list[list[int]]) -> Branches:
    n = len(members)
    one = np.ones(n)
    return Branches(
        members=np.array(members),
        feed_kpa=one * feed_kpa,
        diameter_m=one * 0.018,
        roughness_m=one * 1.5e-6,
        first_m=one * 0.6,
        spacing_m=one * 1.2,
        slope=one * 0.01,
    )


@few
@given(batches(4), st.floats(30, 150))
def test_pressure_falls_by_friction_and_rise_alone(batch: LateralBatch, feed: float) -> None:
    """Walked from the feed down to the last emitter with the written-out Darcy-Weisbach formula."""
    found = solve(batch, one_line(feed, [[0, 1, 2, 3]]))
    assert found.converged.all()
    into = [float(np.nansum(found.emitter_lpm[:, i]) * batch.tapes[i]) for i in range(4)]

    def lost(flow: float, diameter: float, roughness: float, length: float) -> float:
        f = friction_factor(reynolds_number(flow, diameter), roughness / diameter)
        return float(f * length / diameter * velocity_pressure(flow, diameter))

    here = feed
    for i in range(4):
        length = 0.6 if i == 0 else 1.2
        here -= lost(sum(into[i:]), 0.018, 1.5e-6, length) + 0.01 * length * KPA_PER_M
        assert found.inlet_kpa[i] == pytest.approx(here, abs=1e-4)
        flows = found.emitter_lpm[: batch.emitters[i], i]
        inlet_loss = float(batch.takeoff_loss[i] * velocity_pressure(flows.sum(), batch.diameter_m[i]))
        along = found.inlet_kpa[i] - inlet_loss
        for e, pressure in enumerate(found.pressure_kpa[: batch.emitters[i], i]):
            along -= lost(
                float(flows[e:].sum()), batch.diameter_m[i], batch.roughness_m[i], batch.spacing_m[i]
            )
            along -= batch.slope[i] * batch.spacing_m[i] * KPA_PER_M
            assert pressure == pytest.approx(along, abs=1e-4)
            if pressure > 0.1:
                wanted = batch.emitter_lpm[i] * pressure ** batch.exponent[i]
                assert flows[e] == pytest.approx(wanted, rel=1e-9)


@few
@given(batches(5), st.floats(30, 150))
def test_a_batch_is_its_tapes_one_by_one(batch: LateralBatch, inlet: float) -> None:
    together = solve(batch, Branches.without_line(np.full(5, inlet)))
    for i in range(5):
        names = LateralBatch.__dataclass_fields__
        alone = solve(
            LateralBatch(**{name: getattr(batch, name)[[i]] for name in names}),
            Branches.without_line(np.array([inlet])),
        )
        n = batch.emitters[i]
        assert together.pressure_kpa[:n, i] == pytest.approx(alone.pressure_kpa[:, 0], abs=1e-4)
        assert np.isnan(together.pressure_kpa[n:, i]).all()


@few
@given(st.lists(st.tuples(layouts, tapes), min_size=2, max_size=4), supplies)
def test_zones_solved_together_run_alone(zones: list[tuple[Rows, Tape]], supply: Supply) -> None:
    together = zone_solutions(zones, supply)
    for (rows, tape), zone in zip(zones, together, strict=True):
        alone = zone_solution(rows, tape, supply)
        assume(zone.converged and alone.converged)
        assert zone.flow_lpm == pytest.approx(alone.flow_lpm, rel=1e-5, abs=1e-6)
        assert zone.lowest_kpa == pytest.approx(alone.lowest_kpa, abs=1e-3)


@few
@given(layouts, tapes, supplies, st.floats(0.2, 0.95))
def test_a_starved_zone_takes_what_there_is(rows: Rows, tape: Tape, supply: Supply, share: float) -> None:
    asked = zone_solution(rows, tape, supply)
    assume(asked.converged and asked.flow_lpm > 0.1 and tape.exponent >= 0.3)
    short = zone_solution(rows, tape, replace(supply, flow_lpm=asked.flow_lpm * share))
    assert short.flow_lpm == pytest.approx(
        asked.flow_lpm
    )  # the figures hold the pressure, as if it were there
    assert short.as_supplied is not None
    if short.as_supplied.inlet_kpa > 1e-4:  # down a slope the rows take water even without pressure
        assert short.as_supplied.flow_lpm == pytest.approx(asked.flow_lpm * share, rel=1e-5)
    else:
        assert rows.slope < 0 or (supply.mainline is not None and supply.mainline.slope != 0)
    assert short.as_supplied.inlet_kpa < asked.inlet_kpa
    assert any("of the supply's flow" in remark.text for remark in short.remarks)


def test_cramped_layouts_still_settle() -> None:
    """Friction and slope far outside a garden's range: pressures used up on the way, and no error."""
    rng = np.random.default_rng(4)
    settled = []
    for _ in range(40):
        n = int(rng.integers(2, 8))
        batch = LateralBatch(
            emitters=rng.integers(1, 300, n),
            spacing_m=rng.choice([0.1, 0.3, 0.6], n),
            emitter_lpm=10 ** rng.uniform(-4, -2, n),
            exponent=np.full(n, rng.choice([0.3, 0.5, 0.6])),
            diameter_m=rng.choice([0.0127, 0.0159, 0.022], n),
            roughness_m=np.full(n, 1.5e-6),
            slope=rng.choice([0.0, 0.02, -0.02, 0.05, -0.05], n),
            takeoff_loss=np.zeros(n),
            tapes=np.ones(n, dtype=np.int64),
        )
        found = solve(batch, one_line(float(rng.choice([20, 55, 100, 200])), [list(range(n))]))
        settled.append(bool(found.converged.all()))
        there = ~np.isnan(found.pressure_kpa)
        assert np.all(found.emitter_lpm[there] >= 0)
        assert np.all(found.emitter_lpm[there & (found.pressure_kpa <= 0)] == 0)
    assert all(settled)
