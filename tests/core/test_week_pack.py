"""Runs side by side: the packing against a search that knows nothing of it."""

from __future__ import annotations

import itertools
import math

import numpy as np
import pytest
from core.week_gardens import placements

from scheduler.core.hours.packing import (
    Flows,
    Job,
    moved_late,
    pack,
    place_in_order,
)
from scheduler.core.pulsing import Pulsing


def fits_somehow(jobs: list[Job], room: int, usable: float) -> bool:
    """Every start minute of every pulse."""
    choices = [
        placements(int(j.minutes), math.inf if len(j.pulses) == 1 else max(j.pulses), int(j.rest), room)
        for j in jobs
    ]
    for pick in itertools.product(*choices):
        flow = np.zeros(room)
        for job, minutes in zip(jobs, pick, strict=True):
            flow[list(minutes)] += job.flow_lpm
        beside = any(
            pick[a] & pick[b]
            for a, b in itertools.combinations(range(len(jobs)), 2)
            if jobs[b].key in jobs[a].apart
        )
        if flow.max(initial=0) <= usable + 1e-9 and not beside:
            return True
    return False


def test_what_can_be_packed_is_packed_and_what_cannot_is_proved():
    found = {True: 0, False: 0}
    for seed in range(250):
        rng = np.random.default_rng(seed)
        room, count = int(rng.integers(4, 8)), int(rng.integers(2, 4))
        longest = float(rng.choice([math.inf, 2.0]))
        usable = float(rng.uniform(5, 12))
        jobs = [
            Job(
                k,
                float(rng.uniform(1, 5)),
                Pulsing(longest).lengths(float(rng.integers(1, room + 1)), []),
                1.0,
            )
            for k in range(count)
        ]
        if rng.random() < 0.3:
            jobs[0] = jobs[0]._replace(apart=frozenset({1}))
            jobs[1] = jobs[1]._replace(apart=frozenset({0}))
        got = pack(jobs, room, Flows(usable))
        possible = fits_somehow(jobs, room, usable)
        found[possible] += 1
        assert (got.runs is not None) == possible, seed
        assert got.proved or possible, seed
    assert min(found.values()) > 30


def test_three_runs_that_only_one_order_fits():
    """10 L/min: 6 for 4 min and 4 for 8 min side by side, then 5 and 5 for 4 min would need a hole."""
    jobs = [Job(0, 6.0, (4.0,)), Job(1, 4.0, (8.0,)), Job(2, 6.0, (4.0,)), Job(3, 10.0, (2.0,))]
    packed = pack(jobs, 10, Flows(10.0))
    assert packed.runs is not None
    assert pack(jobs, 9, Flows(10.0)).proved


def test_first_come_first_run():
    runs = pack([Job(7, 10.0, (30.0,)), Job(3, 10.0, (60.0,))], 200, Flows(10.0)).runs
    assert runs == {7: [(0.0, 30.0)], 3: [(30.0, 90.0)]}


def test_other_water_is_respected():
    runs = pack([Job(0, 6.0, (20.0,))], 100, Flows(10.0, [(10.0, 50.0, 5.0)])).runs
    assert runs == {0: [(50.0, 70.0)]}


def test_a_job_that_does_not_fit_leaves_nothing_behind():
    flows = Flows(10.0)
    assert not flows.place(Job(0, 6.0, (20.0, 20.0), rest=60.0), 90)
    assert flows.runs == {}
    assert flows.place(Job(1, 10.0, (90.0,)), 90)


def test_one_after_another_each_is_cut_to_what_is_left():
    jobs = [(Job(k, 10.0, (60.0,)), 5.0, Pulsing()) for k in range(3)]
    assert place_in_order(jobs, 100, Flows(10.0)) == {0: 60.0, 1: 40.0, 2: 0.0}


@pytest.mark.parametrize(
    ("minutes", "longest", "pulses"),
    [(60, math.inf, (60,)), (60, 25, (20, 20, 20)), (61, 25.5, (21, 20, 20)), (3, 0.5, (1, 1, 1))],
)
def test_pulses_are_even(minutes: float, longest: float, pulses: tuple[int, ...]):
    assert Pulsing(longest).lengths(float(minutes), []) == pulses


# --- two windows ---------------------------------------------------------------------------------


def orders_fit(jobs: list[tuple[float, int]], usable: float, open_minutes: list[int]) -> bool:
    """Whether runs (L/min, minutes) can be laid into the open minutes of a day: every start is tried."""
    count = max(open_minutes) + 1
    starts = [
        [s for s in range(count) if all(m in open_minutes for m in range(s, s + minutes))]
        for _, minutes in jobs
    ]
    for chosen in itertools.product(*starts):
        used = [0.0] * (count + 1)
        for (flow, minutes), start in zip(jobs, chosen, strict=True):
            for m in range(start, start + minutes):
                used[m] += flow
        if max(used) <= usable * (1 + 1e-9):
            return True
    return False


@pytest.mark.parametrize("seed", range(60))
def test_two_windows_are_packed_as_well_as_every_start_tried(seed: int) -> None:
    rng = np.random.default_rng(seed)
    first, gap, second = (int(rng.integers(2, 6)) for _ in range(3))
    end = first + gap + second
    runs = [(float(rng.uniform(2, 8)), int(rng.integers(1, 6))) for _ in range(3)]
    inside = [m for m in range(end) if m < first or m >= first + gap]
    got = pack([Job(k, flow, (float(n),)) for k, (flow, n) in enumerate(runs)], end,
               Flows(10.0, closed=[(first, first + gap)]))  # fmt: skip
    assert (got.runs is not None) == orders_fit(runs, 10.0, inside)
    for times in (got.runs or {}).values():
        for start, stop in times:
            assert stop <= first or start >= first + gap


@pytest.mark.parametrize(
    ("minutes", "longest"), [(290, math.inf), (300, math.inf), (100, 30.0), (150, 200.0), (200, 45.0)]
)
def test_a_run_longer_than_a_window_is_parted_between_them(minutes: int, longest: float) -> None:
    """120 and 180 minutes with six hours in between; rests may lie in the closed stretch."""
    stretches = [(0.0, 120.0), (480.0, 660.0)]
    job = Job(0, 6.0, Pulsing(longest).lengths(float(minutes), stretches), rest=30.0)
    flows = Flows(10.0, closed=[(120.0, 480.0)])
    assert sum(job.pulses) == minutes
    assert flows.place(job, 660.0)
    late = moved_late(flows.runs, stretches, [30.0])[0]
    for times in (flows.runs[0], late):
        assert all(stop <= 120 or start >= 480 for start, stop in times)
        assert all(after[0] - before[1] >= 30 for before, after in itertools.pairwise(times))
    assert late[-1][1] in (120.0, 660.0)
