"""How pages round: to more digits than anybody measures, so that a reader's sums still close."""

from __future__ import annotations

import math

DECIMALS = 4


def rounded(value: float, decimals: int = DECIMALS) -> float:
    """A plain float; never -0.0."""
    return round(float(value), decimals) + 0.0


def known(value: float) -> float | None:
    """Rounded; None (JSON null) where it is not known."""
    return rounded(value) if math.isfinite(value) else None
