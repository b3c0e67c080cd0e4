"""In which order the workers of a test run take the tests."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import TypeVar

LONGEST = (
    "tests/service/test_real_kills.py",
    "tests/lived/test_seasons.py",
    "tests/soak/",
    "tests/power/",
)
"""Where a test takes half a minute or more."""

Item = TypeVar("Item")


def longest_first(items: Sequence[Item], workers: int, name: Callable[[Item], str]) -> list[Item]:
    """Each worker begins with some of the longest tests: none of them is left to run alone at the end.

    xdist's worksteal gives each worker an equal share, one row of tests after the other, to begin with.
    """
    longest = [one for one in items if name(one).startswith(LONGEST)]
    others = [one for one in items if not name(one).startswith(LONGEST)]
    ordered: list[Item] = []
    for k in range(workers):
        end = len(items) * (k + 1) // workers
        ordered += longest[k::workers]
        room = max(end - len(ordered), 0)
        ordered += others[:room]
        others = others[room:]
    return ordered + others
