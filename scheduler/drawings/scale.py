"""From values to places on the picture, and round numbers for an axis."""

from __future__ import annotations

import math
from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Scale:
    """Values low..high lie on begin..end of the picture.

    >>> depth = Scale(0.0, 50.0, begin=20.0, end=220.0)
    >>> depth(0), depth(25), depth(50)
    (20.0, 120.0, 220.0)
    """

    low: float
    high: float
    begin: float
    end: float

    def __call__(self, value: float) -> float:
        span = self.high - self.low or 1.0
        return round(self.begin + (value - self.low) / span * (self.end - self.begin), 1)

    @property
    def step(self) -> float:
        """What one unit of the value takes on the picture."""
        return abs(self.end - self.begin) / (self.high - self.low or 1.0)


def ticks(high: float, about: int = 4) -> list[float]:
    """Round values from 0 to at least `high`, `about` steps or a few more.

    >>> ticks(47), ticks(0.9), ticks(0)
    ([0.0, 10.0, 20.0, 30.0, 40.0, 50.0], [0.0, 0.2, 0.4, 0.6, 0.8, 1.0], [0.0, 1.0])
    """
    if not high > 0:
        return [0.0, 1.0]
    raw = high / about
    power = 10.0 ** math.floor(math.log10(raw))
    step = next(k * power for k in (1, 2, 5, 10) if k * power >= raw * 0.8)
    return [round(k * step, 10) for k in range(math.ceil(high / step - 1e-9) + 1)]
