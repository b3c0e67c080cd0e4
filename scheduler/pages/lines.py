"""One line of a working."""

from __future__ import annotations

import math

from scheduler.pages.rounding import rounded
from scheduler.shapes.working import Line

DECIMALS = 6
FAO = "FAO-56"


def line(
    what: str,
    symbol: str = "",
    value: float | None = None,
    unit: str = "",
    formula: str = "",
    numbers: str = "",
    source: str = "",
) -> Line:
    """value: None, or not finite, where the line has none."""
    return {
        "what": what,
        "symbol": symbol,
        "formula": formula,
        "numbers": numbers,
        "value": None if value is None or not math.isfinite(value) else rounded(value, DECIMALS),
        "unit": unit,
        "source": source,
    }
