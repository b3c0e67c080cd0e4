"""Grouping under the usable flow: against every possible grouping, and against the bound."""

from __future__ import annotations

import random
from collections.abc import Iterator

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from scheduler.core.system.sections import EXACT_UP_TO, Load, Sections, lower_bound, sections


def every_grouping(count: int) -> Iterator[list[list[int]]]:
    """All set partitions of 0..count-1."""
    if count == 0:
        yield []
        return
    for groups in every_grouping(count - 1):
        for i in range(len(groups)):
            yield [*groups[:i], [*groups[i], count - 1], *groups[i + 1 :]]
        yield [*groups, [count - 1]]


def best_by_trying_all(loads: list[Load], usable: float) -> tuple[int, int]:
    return min(
        (len(groups), sum(len({loads[i].kind for i in group}) - 1 for group in groups))
        for groups in every_grouping(len(loads))
        if all(sum(loads[i].flow_lpm for i in group) <= usable + 1e-9 for group in groups)
    )


def holds(found: Sections, loads: list[Load], usable: float) -> None:
    flows = {load.name: load.flow_lpm for load in loads}
    assert sorted(name for group in found.groups for name in group) == sorted(flows)
    for group, flow in zip(found.groups, found.flows_lpm, strict=True):
        assert flow == pytest.approx(sum(flows[name] for name in group))
        assert flow <= usable + 1e-4 or len(group) == 1
    assert found.at_least <= len(found.groups)


def as_loads(items: list[tuple[float, int]]) -> list[Load]:
    return [Load(f"zone {i}", flow, kind) for i, (flow, kind) in enumerate(items)]


@settings(max_examples=120, deadline=None)
@given(
    st.lists(
        st.tuples(st.floats(0.1, 10).map(lambda flow: round(flow, 2)), st.integers(0, 3)),
        min_size=1,
        max_size=7,
    )
)
def test_small_gardens_against_every_grouping(items: list[tuple[float, int]]) -> None:
    loads = as_loads(items)
    found = sections(loads, 10.0)
    holds(found, loads, 10.0)
    assert found.exact
    assert (len(found.groups), found.mixed) == best_by_trying_all(loads, 10.0)


def test_nine_loads_against_every_grouping() -> None:
    rng = random.Random(11)
    for _ in range(4):
        loads = as_loads([(round(rng.uniform(1.5, 5.5), 2), rng.randrange(3)) for _ in range(9)])
        found = sections(loads, 10.0)
        assert (len(found.groups), found.mixed) == best_by_trying_all(loads, 10.0)


@pytest.mark.parametrize("spread", [(0.3, 10.0), (0.5, 5.0), (2.0, 3.8)])
def test_twenty_four_loads_are_proven(spread: tuple[float, float]) -> None:
    rng = random.Random(3)
    for _ in range(5):
        loads = as_loads([(rng.uniform(*spread), rng.randrange(4)) for _ in range(EXACT_UP_TO)])
        found = sections(loads, 10.0)
        holds(found, loads, 10.0)
        assert found.exact


def test_first_fit_decreasing_alone_would_need_more() -> None:
    """It puts 4.4 with 4.1 and 3.3 with 3.0 and 2.7, so 2.6 is left; 4.4+3.0+2.7 and 4.1+3.3+2.6 fit."""
    loads = as_loads([(flow, 0) for flow in (4.4, 4.1, 3.3, 3.0, 2.7, 2.6)])
    found = sections(loads, 10.1)
    assert (len(found.groups), found.exact) == (2, True)


def test_like_stays_with_like_and_flows_are_evened() -> None:
    loads = [
        Load("a", 3.0, "tomato"),
        Load("b", 3.0, "bean"),
        Load("c", 3.0, "tomato"),
        Load("d", 3.0, "bean"),
    ]
    found = sections(loads, 6.0)
    assert found.groups == (("a", "c"), ("b", "d"))
    assert found.mixed == 0
    rows = sections([Load(f"row {i}", 1.2) for i in range(20)], 19.0)  # 15 fit at once
    assert rows.flows_lpm == pytest.approx((12.0, 12.0))


def test_fewest_sections_come_before_likeness() -> None:
    loads = [Load("a", 6.0, 1), Load("b", 4.0, 2), Load("c", 6.0, 2), Load("d", 4.0, 1)]
    found = sections(loads, 10.0)
    assert len(found.groups) == 2
    assert found.groups == (("a", "d"), ("b", "c"))


def test_what_is_too_large_stands_alone() -> None:
    found = sections([Load("big", 12.0), Load("a", 4.0), Load("b", 5.0)], 10.0)
    assert found.groups == (("big",), ("a", "b"))
    assert found.gap == 0


def test_sums_that_just_fit() -> None:
    assert len(sections([Load("a", 0.1), Load("b", 0.2)], 0.3).groups) == 1  # 0.1 + 0.2 > 0.3 in floats
    assert len(sections([Load("a", 0.1), Load("b", 0.20001)], 0.3).groups) == 2


def test_nothing_and_nonsense() -> None:
    assert sections([], 5.0).groups == ()
    with pytest.raises(ValueError, match="usable"):
        sections([Load("a", 1.0)], 0.0)
    with pytest.raises(ValueError, match="negative"):
        sections([Load("a", -1.0)], 5.0)


def test_large_gardens_stay_near_the_bound() -> None:
    """First-fit decreasing needs at most 11/9 of the fewest, plus 6/9 (Dosa 2007, from memory)."""
    rng, gaps = random.Random(8), []
    for _ in range(30):
        loads = as_loads([(rng.uniform(0.5, 6.0), rng.randrange(6)) for _ in range(rng.randint(25, 80))])
        found = sections(loads, 10.0)
        holds(found, loads, 10.0)
        assert not found.exact
        assert len(found.groups) <= 11 / 9 * found.at_least + 6 / 9
        gaps.append(found.gap)
    assert sum(gap <= 1 for gap in gaps) >= 25


def test_bound_on_known_instances() -> None:
    """Worked by hand: halves that nothing pairs with, thirds, and a perfect fit."""
    assert lower_bound([51, 51, 51], 100) == 3
    assert lower_bound([34] * 6, 100) == 3
    assert lower_bound([60, 50, 50, 40], 100) == 2
    assert lower_bound([], 100) == 0
    assert lower_bound([70, 60, 55, 45, 40, 30], 100) == 3
