"""The bucket page: the flow of a timed bucket, and how much tape it feeds (model M8)."""

from __future__ import annotations

import statistics
from collections.abc import Sequence

from scheduler.core import supply
from scheduler.pages.rounding import rounded
from scheduler.shapes.bucket import BucketPage

AGREE_WITHIN = 0.05
"""Coefficient of variation above which timings disagree (common practice, no source)."""


def bucket_page(
    volume_l: float, seconds: Sequence[float], *, keep_back: float, tapes: dict[str, float]
) -> BucketPage:
    """Flow of the mean timing, usable flow, and metres of each tape (L/min per m) at once (model M8)."""
    mean = statistics.fmean(seconds)
    spread = statistics.stdev(seconds) if len(seconds) > 1 else 0.0
    flow = supply.flow_from_bucket(volume_l, mean)
    usable = supply.usable_flow(flow, keep_back)
    return {
        "flow_lpm": rounded(flow),
        "usable_lpm": rounded(usable),
        "longest_tape_m": {
            name: rounded(supply.longest_tape(usable, tape_lpm_per_m))
            for name, tape_lpm_per_m in tapes.items()
        },
        "timings": {
            "seconds": [rounded(one) for one in seconds],
            "mean_seconds": rounded(mean),
            "spread_seconds": rounded(spread),
            "variation": rounded(spread / mean),
            "agree": spread / mean <= AGREE_WITHIN,
        },
    }
