"""Which variants a study has: as typed, in every combination, or a sample of them."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from scipy.stats import qmc

from scheduler.errors import BadInput
from scheduler.study.variants import AS_IT_IS, Axis, Value, Variant, grid, sampled, size, split, typed

CASES = settings(max_examples=50, deadline=None, suppress_health_check=[HealthCheck.too_slow])


def axis(key: str, count: int) -> Axis:
    return Axis(key, tuple(Value(str(n), f"value {n}") for n in range(count)))


@pytest.mark.parametrize(
    ("option", "key", "texts"),
    [
        ("supply.flow=3,4,5gpm", "supply.flow", ["3gpm", "4gpm", "5gpm"]),
        ("supply.flow=3 gpm, 15 L/min", "supply.flow", ["3 gpm", "15 L/min"]),
        ("supply.pressure=8,.5,10.5 psi", "supply.pressure", ["8psi", ".5psi", "10.5 psi"]),
        ("zones.beans.refill_at=0.4,0.5", "zones.beans.refill_at", ["0.4", "0.5"]),
        ("zones.beans.refill_at=40,50%", "zones.beans.refill_at", ["40%", "50%"]),
        ("supply.days=all,[mon, thu]", "supply.days", ["all", "[mon, thu]"]),
        ('supply.hours={from: "04:00", until: "06:00"},{from: "04:00", until: "08:00"}', "supply.hours",
         ['{from: "04:00", until: "06:00"}', '{from: "04:00", until: "08:00"}']),
        ("zones.*.tape=thin,wide", "zones.*.tape", ["thin", "wide"]),
        ("zones.beans.plantings[1].planted=2015-05-01,2015-05-20", "zones.beans.plantings[1].planted",
         ["2015-05-01", "2015-05-20"]),
    ],
)  # fmt: skip
def test_as_typed(option: str, key: str, texts: list[str]) -> None:
    found = typed(option, 1)
    assert (found.key, [value.text for value in found.values]) == (key, texts)
    assert [value.where for value in found.values] == [f"--vary 1, value {n + 1}" for n in range(len(texts))]


@pytest.mark.parametrize("option", ["supply.flow", "=3", "supply.flow=", "supply.flow=3,,4"])
def test_what_is_no_key_with_values(option: str) -> None:
    with pytest.raises(BadInput, match="--vary 7"):
        typed(option, 7)


@CASES
@given(st.lists(st.sampled_from(["a", "[b, c]", "{d: 1, e: 2}", '"f, g"', "[h, [i, j]]"]), min_size=1))
def test_a_comma_in_brackets_or_quotes_divides_nothing(parts: list[str]) -> None:
    assert split(",".join(parts)) == parts


def test_every_combination_once() -> None:
    found = [tuple(variant.values.values()) for variant in grid([axis("a", 3), axis("b", 2)])]
    assert found == [("0", "0"), ("0", "1"), ("1", "0"), ("1", "1"), ("2", "0"), ("2", "1")]
    assert list(grid([])) == []
    assert Variant().name == AS_IT_IS
    with pytest.raises(BadInput, match="--sample|variants are more"):
        list(grid([axis("a", 1000), axis("b", 1000)]))


def test_a_sample_is_the_latin_hypercube_of_scipy() -> None:
    axes = [axis("a", 50), axis("b", 20), axis("c", 7)]
    points = qmc.LatinHypercube(d=3, rng=5).random(40)
    cells = [tuple(str(int(u * n)) for u, n in zip(point, (50, 20, 7), strict=True)) for point in points]
    assert [tuple(variant.values.values()) for variant in sampled(axes, 40, 5)] == list(dict.fromkeys(cells))


@CASES
@given(st.integers(0, 2**31 - 1), st.integers(2, 40))
def test_each_key_takes_its_values_evenly(seed: int, count: int) -> None:
    """What a Latin hypercube promises (McKay and others 1979): as many strata as points, each met once."""
    axes = [axis("a", count), axis("b", count), axis("c", 3)]
    found = sampled(axes, count, seed)
    assert len(found) == count < size(axes)
    for key in ("a", "b"):
        assert sorted(int(variant.values[key]) for variant in found) == list(range(count))
    thirds = np.bincount([int(variant.values["c"]) for variant in found], minlength=3)
    assert thirds.max() - thirds.min() <= 2
    assert [one.values for one in sampled(axes, count, seed)] == [one.values for one in found]


def test_where_all_are_asked_for_all_are_taken() -> None:
    axes = [axis("a", 2), axis("b", 2)]
    assert sampled(axes, 4, 1) == list(grid(axes))
