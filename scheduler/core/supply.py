"""What a supply can feed (model M8): timed bucket, usable flow, longest tape at once."""

from __future__ import annotations

from collections.abc import Iterable

OVER_FLOW = "it needs {:flow} and the supply can feed {:flow}: split it over two valves, or shorten the rows"
"""Why a zone gets nothing, with places for both flows, L/min."""

WITHIN = 1e-9
"""Share by which a sum of flows may top the usable flow: the rounding of a sum, not a margin."""


def flow_from_bucket(volume_l: float, seconds: float) -> float:
    """L/min of a hose that fills a bucket of `volume_l` litres in `seconds`.

    The bucket runs against no pressure, so at working pressure the supply gives this or less.

    >>> round(flow_from_bucket(18.92705, 45), 3)  # 5 gallons in 45 s: 6.67 gpm
    25.236
    """
    if volume_l <= 0 or seconds <= 0:
        raise ValueError("a timed bucket needs a volume and a time above 0")
    return volume_l / seconds * 60


def usable_flow(flow_lpm: float, keep_back: float = 0.0) -> float:
    """L/min left for watering once the share `keep_back`, 0..1, is kept for other uses (model M8).

    >>> usable_flow(20.0, 0.1)
    18.0
    """
    if not 0 <= keep_back < 1:
        raise ValueError("the share kept back lies between 0 and 1")
    return flow_lpm * (1 - keep_back)


def longest_tape(usable_lpm: float, tape_lpm_per_m: float) -> float:
    """Metres of tape that can run at once: usable flow over the tape's L/min per metre (model M8).

    >>> round(longest_tape(18.0, 0.0497))  # 0.40 gpm per 100 ft
    362
    """
    if tape_lpm_per_m <= 0:
        raise ValueError("a tape's flow is above 0")
    return usable_lpm / tape_lpm_per_m


def fits(flows_lpm: Iterable[float], usable_lpm: float) -> bool:
    """Whether zones or rows of these flows, L/min, may run together: their sum is usable (model M8).

    >>> fits([0.1, 0.2], 0.3), fits([0.1, 0.21], 0.3)
    (True, False)
    """
    return sum(flows_lpm) <= usable_lpm * (1 + WITHIN)
