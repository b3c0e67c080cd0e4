"""What the lines of a facts file hold: the header, and of each kind of fact its table and its keys."""

from __future__ import annotations

import hashlib
import json
import re
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any, get_args

from scheduler.model import WEATHER_FIELDS, NoteKind, Outcome, ValueKind
from scheduler.store.exchange.judge import (
    Check,
    at_least,
    day,
    document,
    flag,
    moment,
    number,
    optional,
    text,
    whole,
    word,
    words,
)
from scheduler.store.withdrawn import UNDO

FORMAT = "rowwater facts"
VERSION = 1
LONGEST_LINE = 16 * 2**20
"""Bytes. A plan with its working, of 50 zones, takes a twentieth of it."""

UNITS = {
    "tmin_c": "degC", "tmax_c": "degC", "tdew_c": "degC", "rh_mean_pct": "%", "rh_min_pct": "%",
    "rh_max_pct": "%", "wind_m_s": "m/s", "wind_height_m": "m", "solar_mj_m2": "MJ/m2", "sunshine_h": "h",
    "rain_mm": "mm", "rain_so_far_mm": "mm", "rain_chance_pct": "%",
    "minutes": "min", "least_minutes": "min", "most_minutes": "min", "fill_minutes": "min", "liters": "L",
    "gross_mm": "mm", "net_mm": "mm", "flow_lpm": "L/min", "net_per_minute": "mm/min",
    "gross_per_minute": "mm/min", "seconds": "s", "open_seconds": "s", "monotonic_s": "s",
    "latitude": "degrees north", "longitude": "degrees east",
}  # fmt: skip
"""Of the weather's fields and of the keys that carry numbers; also of those inside a plan's page."""


@dataclass(frozen=True, slots=True)
class Kind:
    """One kind of fact: the table it stands in, and its keys in their order with what each must hold."""

    table: str
    at: str  # the column that says when it came on record
    keys: Mapping[str, Check]
    numbered: bool = False  # others name it by its number
    same: tuple[str, ...] = ()  # what tells one from another; () for all of its keys

    @property
    def columns(self) -> tuple[str, ...]:
        return tuple(self.keys)

    @property
    def identity(self) -> tuple[str, ...]:
        return self.same or self.columns


KINDS: Mapping[str, Kind] = {
    "weather": Kind(
        "weather_values",
        "fetched_at",
        {
            "day": day,
            "field": word((*WEATHER_FIELDS, "rain_so_far_mm")),
            "value": number,
            "source": text,
            "kind": word(get_args(ValueKind)),
            "fetched_at": moment,
        },
    ),
    "applied": Kind(
        "applied",
        "recorded_at",
        {
            "zone": text,
            "day": day,
            "minutes": at_least(0),
            "liters": at_least(0),
            "gross_mm": at_least(0),
            "net_mm": at_least(0),
            "outcome": word(get_args(Outcome)),
            "recorded_at": moment,
            "pulse": optional(whole),
            "opened_at": optional(moment),
            "closed_at": optional(moment),
            "measured": flag,
            "replaces_day": flag,
            "least_minutes": optional(at_least(0)),
            "most_minutes": optional(at_least(0)),
        },
        numbered=True,
    ),
    "note": Kind(
        "notes",
        "recorded_at",
        {
            "kind": word((*get_args(NoteKind), UNDO)),
            "day": day,
            "recorded_at": moment,
            "zone": optional(text),
            "details": document,
        },
        numbered=True,
    ),
    "opening": Kind(
        "openings",
        "recorded_at",
        {
            "opening": text,
            "valve": text,
            "zone": text,
            "day": day,
            "pulse": optional(whole),
            "seconds": at_least(0),
            "minutes": at_least(0),
            "flow_lpm": at_least(0),
            "net_per_minute": at_least(0),
            "gross_per_minute": at_least(0),
            "fill_minutes": at_least(0),
            "recorded_at": moment,
            "boot": words,
            "monotonic_s": number,
        },
        same=("opening", "zone"),
    ),
    "heartbeat": Kind("heartbeats", "at", {"opening": text, "at": moment, "open_seconds": at_least(0)}),
    "closing": Kind("closings", "recorded_at", {"opening": text, "recorded_at": moment}, same=("opening",)),
    "plan": Kind(
        "plans",
        "made_at",
        {"day": day, "made_at": moment, "inputs": words, "page": document, "working": document},
        same=("day", "made_at", "inputs"),
    ),
}

_SHORT = re.compile(r"[a-z_]+:[0-9a-f]{12}|by_hand:.*", re.DOTALL)


def valve_name(key: str) -> str:
    """A valve as a facts file names it: what its key says of addresses may open it, and stays at home."""
    if _SHORT.fullmatch(key):
        return key
    driver, _, _ = key.partition(":")
    driver = driver if re.fullmatch(r"[a-z_]{1,20}", driver) else "valve"
    return f"{driver}:{hashlib.sha256(key.encode()).hexdigest()[:12]}"


def line_of(values: Mapping[str, Any]) -> str:
    """One line of JSON in ASCII: no text in it can be taken for a control of the terminal."""
    return json.dumps(values, allow_nan=False) + "\n"
