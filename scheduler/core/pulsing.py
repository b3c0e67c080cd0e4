"""How one valve's run is split into pulses (model M7): in minutes, whatever soil and tape they rest on."""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from typing import NamedTuple

MOST_PULSES = 6
LEAST_PULSE_MINUTES = 5
"""Own choices."""
FULL = "the watering hours are full"
HOLD = "the watering hours hold"
_SMALL = 1e-9

Stretches = Sequence[tuple[float, float]]
"""(start, stop) in which water may run, minutes, in time order."""


class Pulsing(NamedTuple):
    """longest: the grower's longest pulse; holds: minutes of one pulse by the strip, once the line is full.

    least: pulses that are asked for whatever the minutes; where the hours do not hold them with their rests
    they are fewer.  firm: those that the strip asks for are kept, and the run gets shorter; else they too may
    be fewer, and longer.  All in minutes but these two.

    >>> strip = Pulsing(holds=20.0, fill=2.0, rest=60.0)
    >>> [strip.needed(minutes) for minutes in (4, 22, 23, 62, 400)]
    [1, 1, 2, 3, 6]
    """

    longest: float = math.inf
    holds: float = math.inf
    fill: float = 0.0
    least: int = 1
    rest: float = 0.0
    firm: bool = True

    @classmethod
    def together(cls, zones: Iterable[Pulsing]) -> Pulsing:
        """Of zones on one valve: as short, as many and as rested as any of them asks.

        >>> Pulsing.together([Pulsing(longest=30.0, rest=60.0), Pulsing(holds=20.0, least=2, rest=120.0)])
        Pulsing(longest=30.0, holds=20.0, fill=0.0, least=2, rest=120.0, firm=True)
        """
        longest, holds, fill, least, rest, firm = zip(*zones, strict=True)
        return cls(min(longest), min(holds), min(fill), max(least), max(rest), all(firm))

    @property
    def whole(self) -> bool:
        """Nothing splits a run but the hours.

        >>> Pulsing().whole, Pulsing(least=2).whole
        (True, False)
        """
        return math.isinf(self.longest) and math.isinf(self.holds) and self.least <= 1

    def needed(self, minutes: float) -> int:
        """Pulses of a run, `least` left aside, and the strip too where it is not firm."""
        count = self.by_strip(minutes) if self.firm else 1
        if math.isfinite(self.longest):
            count = max(count, math.ceil(minutes / self._whole_longest))
        return count

    def by_strip(self, minutes: float) -> int:
        """Pulses that give no more at a time than the strip holds; at most MOST_PULSES, none too short."""
        if math.isinf(self.holds):
            return 1
        return max(min(math.ceil((minutes - self.fill) / self.holds - _SMALL), self._few(minutes)), 1)

    def most(self, count: int) -> float:
        """The longest run, whole minutes, that needs no more than `count` pulses; inf where there is none.

        >>> Pulsing(holds=20.0, fill=2.0).most(2), Pulsing(longest=35.5).most(2), Pulsing(holds=1.0).most(2)
        (42.0, 70.0, 14.0)
        """
        most = math.inf
        if self.firm and math.isfinite(self.holds) and count < MOST_PULSES:
            few = LEAST_PULSE_MINUTES * (count + 1) - 1
            most = float(max(math.floor(self.fill + count * self.holds + _SMALL), few))
        if math.isfinite(self.longest):
            most = min(most, float(count * self._whole_longest))
        return most

    def longest_within(self, room: float) -> float:
        """Whole minutes of the longest run whose pulses and rests fit `room` minutes.

        >>> Pulsing(holds=20.0, rest=120.0).longest_within(240.0), Pulsing().longest_within(240.5)
        (40.0, 240.0)
        """
        best, count = 0.0, 1
        while True:
            water = math.floor(room - self.rest * (count - 1) + _SMALL)
            if water < count:
                return best
            most = self.most(count)
            best = max(best, min(float(water), most))
            if most >= water:
                return best
            count += 1

    def lengths(self, minutes: float, stretches: Stretches) -> tuple[float, ...]:
        """Whole minutes of each pulse, even, the first ones take what is over.

        In two where the run fits no single stretch of the hours but both together.

        >>> Pulsing(longest=20.0).lengths(50, [(0.0, 360.0)])
        (17.0, 17.0, 16.0)
        >>> Pulsing(least=3, rest=60.0).lengths(30, [(0.0, 120.0)])      # two fit with their rest
        (15.0, 15.0)
        >>> Pulsing(holds=20.0, rest=60.0, firm=False).lengths(90, [(0.0, 220.0)])    # five would not
        (30.0, 30.0, 30.0)
        >>> windows = [(0.0, 120.0), (480.0, 660.0)]
        >>> Pulsing().lengths(200, windows), Pulsing().lengths(290, windows)
        ((100.0, 100.0), (120.0, 170.0))
        """
        parted = self._parted(minutes, stretches) if len(stretches) == 2 else None
        return parted or even(minutes, self._count(minutes, stretches))

    def _count(self, minutes: float, stretches: Stretches) -> int:
        needed = self.needed(minutes)
        count = max(needed, self.by_strip(minutes), min(self.least, self._few(minutes)))
        if count == needed:
            return count
        room = sum(stop - start for start, stop in stretches)
        gaps = sum(after - before >= self.rest for (_, before), (after, _) in _pairs(stretches))
        while count > needed and minutes + self.rest * max(count - 1 - gaps, 0) > room + _SMALL:
            count -= 1
        return count

    def _parted(self, minutes: float, stretches: Stretches) -> tuple[float, ...] | None:
        first, second = (math.floor(stop - start + _SMALL) for start, stop in stretches)
        widest = max(first, second)
        if not widest < minutes <= first + second or self.most(1) < widest:
            return None
        part = min(first, max(math.ceil(minutes / 2), minutes - second))
        return float(part), float(minutes - part)

    @staticmethod
    def _few(minutes: float) -> int:
        return min(MOST_PULSES, int(minutes // LEAST_PULSE_MINUTES))

    @property
    def _whole_longest(self) -> int:
        return max(1, math.floor(self.longest))


def even(minutes: float, count: int) -> tuple[float, ...]:
    """`count` pulses of whole minutes, as equal as they can be.

    >>> even(95, 3)
    (32.0, 32.0, 31.0)
    """
    if count <= 1:
        return (minutes,)
    base, extra = divmod(round(minutes), count)
    return tuple(float(base + (k < extra)) for k in range(count))


def full_hours(pulsing: Pulsing, wanted: float, given: float, stretches: Stretches) -> str:
    """Why the hours hold no more of a run than `given` minutes: for the rests of its pulses, or at all.

    >>> strip, hours = Pulsing(holds=20.0, rest=120.0), [(0.0, 240.0)]
    >>> full_hours(strip, 80.0, 40.0, hours)
    'the watering hours hold 2 of 4 pulses with 120 min of rest between them'
    >>> full_hours(Pulsing(), 300.0, 240.0, hours), full_hours(strip, 80.0, 0.0, hours)
    ('the watering hours are full', 'the watering hours are full')
    """
    asked = max(pulsing.needed(wanted), pulsing.by_strip(wanted))
    fit = len(pulsing.lengths(given, stretches)) if given else 0
    if not fit or fit >= asked or not pulsing.rest:
        return FULL
    return f"{HOLD} {fit} of {asked} pulses with {pulsing.rest:.0f} min of rest between them"


def _pairs(stretches: Stretches) -> Iterable[tuple[tuple[float, float], tuple[float, float]]]:
    return zip(stretches, stretches[1:], strict=False)
