"""`rowwater bucket --json`: the flow of a timed bucket."""

from __future__ import annotations

from typing import TypedDict


class Timings(TypedDict):
    """agree: their coefficient of variation is small enough."""

    seconds: list[float]
    mean_seconds: float
    spread_seconds: float
    variation: float
    agree: bool


class BucketPage(TypedDict):
    """`rowwater bucket --json`; longest_tape_m: of each tape, what the usable flow feeds at once."""

    flow_lpm: float
    usable_lpm: float
    longest_tape_m: dict[str, float]
    timings: Timings
