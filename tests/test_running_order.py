"""No test is lost or run twice by the order in which the workers take them."""

from __future__ import annotations

import pytest
from running_order import LONGEST, longest_first


@pytest.mark.parametrize("workers", [1, 2, 4, 7])
@pytest.mark.parametrize("long", [0, 1, 3, 9])
def test_each_worker_begins_with_some_of_the_longest(workers: int, long: int) -> None:
    items = [f"tests/a.py::{n}" for n in range(60)] + [f"{LONGEST[n % 2]}::{n}" for n in range(long)]
    ordered = longest_first(items, workers, str)
    assert sorted(ordered) == sorted(items)
    begins = [len(items) * k // workers for k in range(workers)]
    assert sum(ordered[k].startswith(LONGEST) for k in begins) == min(long, workers)


def test_the_longest_are_still_there(request: pytest.FixtureRequest) -> None:
    """A file that was moved would run at the end again, and nobody would see it."""
    for place in LONGEST:
        assert (request.config.rootpath / place).exists(), place
