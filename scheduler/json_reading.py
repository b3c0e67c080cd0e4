"""JSON of whatever was found: text that is nested too deep is refused like any other that is no JSON."""

from __future__ import annotations

import json
from typing import Any


def read_json(text: str | bytes | bytearray, **how: Any) -> Any:
    """As `json.loads`, whose options it takes. ValueError for all that is no JSON, or nested too deep.

    >>> read_json('{"liters": 12.5}')
    {'liters': 12.5}
    >>> read_json("[" * 100_000)
    Traceback (most recent call last):
    ValueError: nested too deep
    """
    try:
        return json.loads(text, **how)
    except RecursionError:
        raise ValueError("nested too deep") from None
