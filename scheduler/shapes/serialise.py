"""A page as JSON, the same for files and for --json."""

from __future__ import annotations

import json
from collections.abc import Mapping


def as_json(page: Mapping[str, object], *, indent: int) -> str:
    """Keys in the order of the page, text as it is, no NaN: ValueError for a page that holds one."""
    return json.dumps(page, indent=indent, ensure_ascii=False, allow_nan=False)
