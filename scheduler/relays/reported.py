"""What a relay says of its valve, in the words that relays use."""

from __future__ import annotations

import contextlib
from typing import Any

from scheduler.json_reading import read_json

OPEN_WORDS = frozenset({"true", "on", "open", "opened", "1"})
CLOSED_WORDS = frozenset({"false", "off", "close", "closed", "0"})


def read_state(payload: bytes, field: str | None = None) -> bool | None:
    """Open (True) or closed (False): a word, a JSON boolean or number, or an object with "open" or "state".

    field: where in a JSON answer it stands, names and places joined by dots. None for anything else.

    >>> read_state(b'{"relays": [{"on": false}, {"on": true}]}', "relays.1.on")
    True
    >>> read_state(b"closed")
    False
    """
    text = payload.decode("utf-8", errors="replace").strip()
    with contextlib.suppress(ValueError, RecursionError):  # its words in text may be too deep
        value = read_json(text)
        if field is not None:
            value = _at(value, field)
        elif isinstance(value, dict):
            value = value.get("open", value.get("state"))
        text = str(value)
    word = text.casefold()
    return True if word in OPEN_WORDS else False if word in CLOSED_WORDS else None


def _at(value: Any, field: str) -> Any:
    """None where there is no such place."""
    for step in field.split("."):
        if isinstance(value, dict):
            value = value.get(step)
        elif isinstance(value, list) and step.isdecimal() and int(step) < len(value):
            value = value[int(step)]
        else:
            return None
    return value
