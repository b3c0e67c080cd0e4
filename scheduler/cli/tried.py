"""Every source of weather asked, every file opened that garden.yaml names."""

from __future__ import annotations

import os
from collections.abc import Iterator, Mapping
from dataclasses import asdict
from datetime import date, datetime, timedelta
from pathlib import Path
from typing import TYPE_CHECKING, cast

from scheduler.errors import RowwaterError
from scheduler.model import Garden, Valve, Zone
from scheduler.secret import secret
from scheduler.weather.tried import Tried, try_sources

if TYPE_CHECKING:
    from scheduler.shapes.check import TriedLine

SENSOR_DAYS = 14
CERTIFICATE_DAYS = 30  # before its end


def try_everything(garden: Garden, today: date, now: datetime, data: Path) -> list[TriedLine]:
    """Weather, soil sensors, the files that hold secrets, and the page's certificate."""
    tried = try_sources(garden, today, now, data)
    sensors = [zone for zone in garden.zones if zone.soil_sensor and zone.soil_sensor.file]
    tried += [_sensor(zone, garden, today, now) for zone in sensors]
    valves: list[object] = [zone.valve for zone in garden.zones]
    names = dict.fromkeys(_secret_files([garden.service, *valves]))
    tried += [_secret(name) for name in names]
    if (page := garden.service.get("page")) and page.get("certificate"):
        tried.append(_certificate(Path(garden.folder), page, now))
    return [cast("TriedLine", asdict(one)) for one in tried]


def _sensor(zone: Zone, garden: Garden, today: date, now: datetime) -> Tried:
    from scheduler.planning.sensors import from_file

    name = f"soil sensor of {zone.name}"
    try:
        notes = from_file(zone, garden, now=now, since=today - timedelta(days=SENSOR_DAYS))
    except RowwaterError as problem:
        return Tried(name, problem.text.splitlines()[0], False)
    if not notes:
        return Tried(name, f"no reading in the last {SENSOR_DAYS} days", False)
    return Tried(name, f"last reading {max(note.day for note in notes)}", True)


def _secret(name: str) -> Tried:
    try:
        empty = not secret(name, os.environ)
    except OSError as error:
        return Tried(name, f"cannot be read: {error.strerror or error}", False)
    except ValueError:
        return Tried(name, "is not text", False)
    return Tried(name, "is empty" if empty else "can be read", not empty)


def _certificate(folder: Path, page: Mapping[str, str], now: datetime) -> Tried:
    """Whether certificate and key are there, fit, and last for a while yet."""
    from scheduler.dates import spoken
    from scheduler.web.certificate import Unusable, ends_at, look_at

    name, certificate, key = "certificate of the page", folder / page["certificate"], folder / page["key"]
    try:
        look_at(certificate, None if _for_others_only(key) else key)
    except Unusable as problem:
        return Tried(name, problem.text, False)
    ends = ends_at(certificate)
    if ends is None:
        return Tried(name, f"{certificate}: can be read; how long it is good for is not known here", True)
    day = spoken(ends.astimezone(now.tzinfo).date())
    if ends < now + timedelta(days=CERTIFICATE_DAYS):
        ran_out = "phones accept it no more since" if ends < now else "make a new one: it is good only until"
        return Tried(name, f"{certificate}: {ran_out} {day}", False)
    unseen = f"; {key} is not for this user to read" if _for_others_only(key) else ""
    return Tried(name, f"good until {day}{unseen}", True)


def _for_others_only(key: Path) -> bool:
    """The page's own user reads it, and nobody else: no fault."""
    try:
        key.read_bytes()
    except PermissionError:
        return True
    except OSError:
        return False
    return False


def _secret_files(found: object) -> Iterator[str]:
    """The values of `password_file` and of `file` beside headers, wherever they stand in the settings."""
    if isinstance(found, Valve):
        yield from _secret_files(found.settings)
    elif isinstance(found, Mapping):
        for key, value in found.items():
            if key in ("password_file", "file") and isinstance(value, str):
                yield value
            else:
                yield from _secret_files(value)
    elif isinstance(found, list | tuple):
        for item in found:
            yield from _secret_files(item)
