"""What a quick command needs of garden.yaml, which is read through again only where it was edited."""

from __future__ import annotations

import hashlib
import json
from collections.abc import Mapping
from contextlib import suppress
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

from scheduler.errors import CouldNot
from scheduler.json_reading import read_json

if TYPE_CHECKING:
    from scheduler.model import Display, Garden

KEPT = "garden-checked.json"
PACKAGE = Path(__file__).parents[1]
PROGRAM = (PACKAGE / "garden", PACKAGE / "config", PACKAGE.parent / "config")
"""What checks a garden: the modules, and the shipped tables (beside the package in a source checkout)."""


@dataclass(frozen=True)
class Site:
    """A garden that was checked and found right."""

    zones: tuple[str, ...]
    display: Display
    timezone: str
    by_hand: tuple[str, ...]  # zones whose valve a person turns
    name: str
    latitude: float
    longitude: float
    rules: Mapping[str, Any]  # of the supply: hours, days, caps
    page: Mapping[str, Any] | None = None  # where phones may look, as garden.yaml has it

    @classmethod
    def of(cls, garden: Garden) -> Site:
        from scheduler.service.limits import rules_of

        by_hand = tuple(zone.name for zone in garden.zones if zone.valve.driver == "by_hand")
        names = tuple(zone.name for zone in garden.zones)
        place = garden.location
        return cls(
            names,
            garden.display,
            place.timezone,
            by_hand,
            garden.name,
            place.latitude_deg,
            place.longitude_deg,
            rules_of(garden.supply, place.timezone, garden.display),
            garden.service.get("page"),
        )


def site_of(garden_file: Path, data: Path) -> Site:
    """Raises what reading a garden raises: BadGarden, BadInput."""
    digest = _digest(garden_file)
    kept = _kept(data / KEPT, digest)
    if kept is not None:
        return kept
    from scheduler.disk import write_atomic
    from scheduler.garden.file import load

    found = Site.of(load(garden_file))
    if data.is_dir() and digest == _digest(garden_file):
        with suppress(CouldNot):  # it is only quicker with it
            write_atomic(data / KEPT, json.dumps({"digest": digest, "site": asdict(found)}) + "\n")
    return found


def _digest(garden_file: Path) -> str:
    """Of all that the check of a garden rests on: its texts, and the program."""
    digest = hashlib.sha256()
    for path in (garden_file, garden_file.with_name("crops.yaml")):
        try:
            digest.update(hashlib.sha256(path.read_bytes() if path.is_file() else b"").digest())
        except OSError as error:
            digest.update(repr(error.errno).encode())
    for folder in PROGRAM:
        for path in sorted([*folder.glob("*.py"), *folder.glob("*.yaml")]):
            digest.update(f"{path} {path.stat().st_mtime_ns} ".encode())
    return digest.hexdigest()


def _kept(path: Path, digest: str) -> Site | None:
    try:
        kept = read_json(path.read_bytes())
        if kept["digest"] != digest:
            return None
        site = kept["site"]
        return Site(**{**site, "zones": tuple(site["zones"]), "by_hand": tuple(site["by_hand"])})
    except (OSError, ValueError, KeyError, TypeError):  # none yet, or torn
        return None
