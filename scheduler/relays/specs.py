"""Valves as plain JSON: what the guard process and the close-all after a crash need to close them."""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

from scheduler.disk import write_atomic
from scheduler.errors import CouldNot
from scheduler.json_reading import read_json
from scheduler.places import unreadable
from scheduler.relays.base import LIMIT_S, Driver
from scheduler.relays.make import driver_named

if TYPE_CHECKING:
    from scheduler.model import Garden, Valve

Spec = Mapping[str, Any]
"""{"driver", "key", "settings", "cap_s", "acts_within_s", "zones", "broker"}."""


VALVES = "valves.json"
"""In the data folder: what the service drives, for whoever closes it."""
MASTER = "master valve"
"""What the master valve has for a zone."""


def spec_of(valve: Valve, *, zones: Sequence[str], broker: Mapping[str, Any] | None) -> dict[str, Any]:
    return {
        "driver": valve.driver,
        "key": valve.key,
        "settings": dict(valve.settings),
        "cap_s": valve.cap_minutes * 60,
        "acts_within_s": valve.acts_within_minutes * 60,
        "zones": list(zones),
        "broker": dict(broker) if broker and valve.driver == "mqtt" else None,
    }


def specs_of(garden: Garden) -> list[dict[str, Any]]:
    """Every valve once, with all zones that hang on it; the master valve, if there is one, first."""
    hung: dict[str, tuple[Valve, list[str]]] = {}
    if master := garden.service.get("master_valve"):
        hung[master["valve"].key] = master["valve"], [MASTER]
    for zone in garden.zones:
        hung.setdefault(zone.valve.key, (zone.valve, []))[1].append(zone.name)
    broker = garden.service.get("broker")
    return [spec_of(valve, zones=zones, broker=broker) for valve, zones in hung.values()]


def driver_of(spec: Spec, environ: Mapping[str, str]) -> Driver:
    return driver_named(
        spec["driver"], spec["key"], spec["settings"], spec["zones"], spec.get("broker"), environ
    )


def try_limit_s(spec: Spec) -> float:
    """How long one close of this valve may take: its own limit, and some for loading the driver."""
    return float(spec["settings"].get("limit_s", LIMIT_S)) + 2.0


def save(path: Path, specs: Sequence[Spec]) -> None:
    """Replace the file whole, on disk when this returns. For its owner only: an address may hold a secret.

    Raises CouldNot.
    """
    write_atomic(path, json.dumps(list(specs), indent=1), mode=0o600)


def load(path: Path) -> list[Spec]:
    """Raises CouldNot for a file that is missing or no list. An entry that is no valve stays, under a driver
    that does not exist: so it is counted as not closed, and the others are closed all the same.
    """
    if path.exists() and (why := unreadable(path)):  # a pipe would be waited for, and no valve closed
        raise CouldNot(f"{path}: {why}")
    try:
        entries = read_json(path.read_text(encoding="utf-8"))
    except (OSError, ValueError) as problem:
        raise CouldNot(f"{path}: cannot be read ({problem})") from problem
    if not isinstance(entries, list):
        raise CouldNot(f"{path}: not a list of valves")
    return [entry if _is_spec(entry) else _unknown(path, i) for i, entry in enumerate(entries, 1)]


def _unknown(path: Path, place: int) -> Spec:
    return {"driver": "?", "key": f"{path.name}, entry {place}", "settings": {}, "zones": []}


def _is_spec(value: object) -> bool:
    kinds = {"driver": str, "key": str, "settings": dict, "zones": list}
    return isinstance(value, dict) and all(isinstance(value.get(k), kind) for k, kind in kinds.items())
