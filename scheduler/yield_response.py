"""Yield response factors Ky as they ship (config/yield_response.yaml)."""

from __future__ import annotations

from functools import cache

from scheduler.tables import crop_aliases, shipped

UNKNOWN_KY = 1.0
"""Of a crop that no source lists: yield falls in proportion to use."""


def yield_response(crop: str) -> float:
    """Ky of a crop by its name, or by another name of a shipped crop; 1 where none is published.

    >>> yield_response("tomato"), yield_response("tomatoes"), yield_response("okra")
    (1.05, 1.05, 1.0)
    """
    name = crop_aliases().get(crop.casefold(), crop)
    return _factors().get(name, UNKNOWN_KY)


@cache
def _factors() -> dict[str, float]:
    return {name: float(entry["ky"]) for name, entry in shipped("yield_response.yaml").items()}
