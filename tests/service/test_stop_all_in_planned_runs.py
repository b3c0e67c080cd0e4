"""*Stop all* pressed during the planned runs of a day, at the moments where something changes.

`PYTHONPATH=tests python tests/service/test_stop_all_in_planned_runs.py 500` plays so many presses.
"""

from __future__ import annotations

import random
import sys
from dataclasses import replace
from datetime import datetime

import pytest
from service.played import FakeValve
from service.plot import PLOT
from service.world import World

from scheduler.service.requests import Request

DAY_S = 86_400.0
WITHIN_S = 2.0


class Noted(World):
    """opens: when each opening was sent, and for how long."""

    def __init__(self, seed: int) -> None:
        self.opens: list[tuple[float, float]] = []
        super().__init__(seed, replace(PLOT, master=seed % 2 == 0, usable_lpm=(12.5, 20.0, 45.0)[seed % 3]))

    def opening_sent(self, valve: FakeValve, uid: str, seconds: float) -> None:
        super().opening_sent(valve, uid, seconds)
        self.opens.append((self.now, seconds))


def moment(seed: int) -> float:
    """Before, at and just after an opening, in the middle, and where one zone changes to the next."""
    calm, dice = Noted(seed), random.Random(seed)
    calm.run(DAY_S / 2)
    opened, seconds = dice.choice(calm.opens)
    return opened + dice.choice(
        [-5.0, -0.6, -0.01, 0.001, 0.3, 5.1, seconds / 2, seconds - 0.6, seconds - 0.01, seconds + 0.3]
    )


def press(seed: int) -> int:
    """How many valves were open. AssertionError (Violation) where a promise does not hold."""
    at = moment(seed)
    world = Noted(seed)
    found: list[int] = []
    answers: list[int] = []

    def pressed() -> None:
        found.append(sum(valve.open_since is not None for valve in world.valves.values()))
        world.wishes.append(Request("stop", None, 0.0, lambda ok, _said: answers.append(ok)))

    def looked_at() -> None:
        still = [key for key, valve in world.valves.items() if valve.open_since is not None]
        assert not still, (seed, at, still)

    world.at(at, pressed)
    world.at(at + WITHIN_S, looked_at)
    world.run(DAY_S - 3600.0)
    assert answers, seed
    late = [when for when, _ in world.opens if when > at + WITHIN_S]
    assert not late, (seed, at, late)
    day = datetime.fromtimestamp(world.true0, world.plot.zone).date()
    world.check_day(day)
    before = len(world.opens)
    world.run(DAY_S + 8 * 3600.0)
    assert len(world.opens) > before, "the next morning waters again"
    return found[0]


@pytest.mark.parametrize("seed", range(4))
def test_all_is_closed_within_two_seconds_and_stays_so_that_day(seed: int) -> None:
    press(seed)


if __name__ == "__main__":
    open_at_press = [press(seed) for seed in range(1000, 1000 + int(sys.argv[1]))]
    print({count: open_at_press.count(count) for count in sorted(set(open_at_press))})
