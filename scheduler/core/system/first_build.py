"""What a garden that is not built yet asks for: tape by the roll, a line and a valve for each section.

The rows themselves are a changeover from nothing (`changeover`).  Own convention for the supply side: all
valves stand together at the feed, each with a line of its own to the farthest row of its section.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import Literal

from scheduler.core.system.layout import TakeOff, place_from_feed

TAPE_PER_SPARE_COUPLING_M = 91.44
"""For each so much tape, 300 ft, a coupling is kept in the drawer (own choice)."""
HOLES_PER_SPARE_PLUG = 20
"""For each so many holes a goof plug is kept in the drawer (own choice)."""
LEAST_SPARES = 2

CLAMPS_OF_TEE = 3
CLAMPS_OF_VALVE = 2
CLAMPS_OF_END = 1


@dataclass(frozen=True, slots=True)
class Rolls:
    """Rolls that tapes are cut from, and couplings where a tape is longer than a roll."""

    count: int
    joints: int
    at_least: int  # no cutting can do with fewer


def cut_length(length_m: float, *, depth_m: float, fold_m: float) -> float:
    """Metres off the roll for a tape: its row, down to its depth and up again, and what is folded.

    >>> cut_length(24.0, depth_m=0.10, fold_m=0.3)
    24.5
    """
    return length_m + 2 * depth_m + fold_m


def rolls(cut_m: Iterable[float], *, roll_m: float, waste: float) -> Rolls:
    """How many rolls of `roll_m` the tapes take, each cut whole, with its share of waste.

    The longest tape first, each from the first roll that still holds it (first fit decreasing; Johnson 1973:
    at most 11/9 of the fewest and 4 more); tapes of one length are cut from the fewest there can be.

    >>> rolls([40.0] * 5, roll_m=100.0, waste=0.0)  # two from each
    Rolls(count=3, joints=0, at_least=2)
    >>> rolls([250.0], roll_m=100.0, waste=0.0)
    Rolls(count=3, joints=2, at_least=3)
    """
    if not roll_m > 0 or not waste >= 0:
        raise ValueError("a roll is longer than 0, and waste is not below it")
    left: list[float] = []
    whole, joints, total = 0, 0, 0.0
    for cut in sorted(cut_m, reverse=True):
        needed = cut * (1 + waste)
        total += needed
        full = max(math.ceil(needed / roll_m - 1e-9) - 1, 0)
        whole, joints = whole + full, joints + full
        rest = needed - full * roll_m
        at = next((i for i, room in enumerate(left) if room >= rest - 1e-9), None)
        if at is None:
            left.append(roll_m - rest)
        else:
            left[at] -= rest
    return Rolls(whole + len(left), joints, math.ceil(total / roll_m - 1e-9))


def spares(amount: float, each: float) -> int:
    """One for each `each` of `amount`, LEAST_SPARES at least; none where there is none of it.

    >>> spares(650.0, 100.0), spares(30.0, 100.0), spares(0.0, 100.0)
    (7, 2, 0)
    """
    return max(math.ceil(amount / each - 1e-9), LEAST_SPARES) if amount > 0 else 0


def reaches(
    take_offs: Iterable[TakeOff], *, line_m: float, feed: Literal["end", "middle"]
) -> tuple[float, ...]:
    """Metres from the feed to the farthest take-off, each way that there is one; line_m: all zones' width.

    >>> places = [TakeOff(at_m, 1, 20.0) for at_m in (1.0, 4.0, 9.0)]
    >>> reaches(places, line_m=10.0, feed="end"), reaches(places, line_m=10.0, feed="middle")
    ((9.0,), (4.0, 4.0))
    """
    ways: dict[str | None, float] = {}
    for take_off in take_offs:
        way, away = place_from_feed(take_off.at_m, line_m, feed)
        ways[way] = max(ways.get(way, 0.0), away)
    return tuple(ways.values())


@dataclass(frozen=True, slots=True)
class SupplySide:
    """Fittings between the head and the rows, counted."""

    valves: int
    tees: int
    line_ends: int
    line_m: float

    @property
    def valve_adapters(self) -> int:
        """A thread on each side of a valve, and a barb on each adapter."""
        return 2 * self.valves

    @property
    def clamps(self) -> int:
        """One on each barb of the supply line: tees, valve adapters and line ends."""
        return CLAMPS_OF_TEE * self.tees + CLAMPS_OF_VALVE * self.valves + CLAMPS_OF_END * self.line_ends


def supply_side(lines: Sequence[tuple[float, ...]]) -> SupplySide:
    """Valves, tees and line of sections whose lines reach so far, each way, from the feed.

    A tee for each section beyond the first, and one where a line goes both ways.

    >>> supply_side([(9.0,), (4.0, 4.0)])
    SupplySide(valves=2, tees=2, line_ends=3, line_m=17.0)
    """
    return SupplySide(
        valves=len(lines),
        tees=max(len(lines) - 1, 0) + sum(max(len(ways) - 1, 0) for ways in lines),
        line_ends=sum(len(ways) for ways in lines),
        line_m=sum(sum(ways) for ways in lines),
    )
