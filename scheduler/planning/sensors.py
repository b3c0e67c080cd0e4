"""Soil readings as the grower types them, a logger's CSV file holds them or messages bring them: notes."""

from __future__ import annotations

import csv
import math
import re
from collections.abc import Iterable, Iterator, Mapping, Sequence
from datetime import date, datetime, time
from pathlib import Path
from typing import TYPE_CHECKING, Any
from zoneinfo import ZoneInfo

from scheduler.core.uncertainty.soil_readings import BLOCK_LIMIT_KPA, MOST_THETA
from scheduler.errors import BadInput, RowwaterError
from scheduler.json_reading import read_json
from scheduler.model import Display, Garden, Note, Zone
from scheduler.show import show_length
from scheduler.store.usable import DEEPEST_SENSOR_M
from scheduler.weather.files import stamps, table
from scheduler.weather.mqtt import readings
from scheduler.weather.mqtt.messages import look

if TYPE_CHECKING:
    from scheduler.store.store import Store

KPA_PER = {"cb": 1.0, "kpa": 1.0, "hpa": 0.1, "mbar": 0.1, "bar": 100.0}  # exact
_TYPED = re.compile(r"\s*(-?\d+(?:\.\d+)?)\s*(cb|cbar|kpa|hpa|mbar|bar|%|m3/m3)?\s*", re.IGNORECASE)
MISSING = {"", "-", "--", "---", "na", "n/a", "nan", "null", "none"}


def read_amount(text: str) -> dict[str, float]:
    """{"tension_kpa": ...} or {"theta": m3/m3}: "35 cb", "350 hPa", "0.21", "21 %".

    >>> read_amount("35 cb"), read_amount("21%")
    ({'tension_kpa': 35.0}, {'theta': 0.21})
    """
    found = _TYPED.fullmatch(text)
    unit = found[2].casefold().replace("cbar", "cb") if found and found[2] else ""
    if found is not None:
        value = float(found[1])
        if unit in KPA_PER:
            return {"tension_kpa": value * KPA_PER[unit]}
        if unit == "%":
            return {"theta": value / 100}
        if unit == "m3/m3" or 0 <= value < 1:
            return {"theta": value}
    raise BadInput(
        f'"{text}" is not a soil reading - for example "35 cb", "0.21" or "21 %" (water by volume)'
    )


def impossible(amount: Mapping[str, float], depth_m: float | None, display: Display) -> str | None:
    """Why no soil can be so and no sensor can say it, for the grower; None where it may be."""
    if not 0 <= amount.get("tension_kpa", 0.0) <= BLOCK_LIMIT_KPA:
        return f"no soil sensor reads beyond 0 to {BLOCK_LIMIT_KPA:.0f} cb"
    if not 0 < amount.get("theta", MOST_THETA) <= MOST_THETA:
        return f"no soil holds that, {100 * MOST_THETA:.0f} % of water by volume is the most"
    if depth_m is not None and not 0 <= depth_m <= DEEPEST_SENSOR_M:
        return f"no sensor stands so deep among roots, {show_length(DEEPEST_SENSOR_M, display)} is the most"
    return None


def details_of(amount: Mapping[str, float], at: datetime, **more: Any) -> dict[str, Any]:
    """The details of a note of kind "soil"; what is None is left out."""
    return {**amount, "at": at.isoformat(), **{k: v for k, v in more.items() if v is not None}}


def add_from_sensors(garden: Garden, store: Store, *, now: datetime, since: date) -> list[str]:
    """New readings of the zones' sensors go on record; one line per sensor that cannot be read.

    Of each half of a day the last reading counts, so only those are kept.
    """
    failures = []
    known = None
    for zone in garden.zones:
        if zone.soil_sensor is None:
            continue
        if known is None:
            known = {(n.zone, n.details.get("at"), n.details.get("source")) for n in store.notes(kind="soil")}
        try:
            heard = from_messages(zone, garden, store.path.parent, now=now, since=since)
            for note in heard if zone.soil_sensor.topic else from_file(zone, garden, now=now, since=since):
                if (note.zone, note.details["at"], note.details["source"]) not in known:
                    store.add_note(note)
        except RowwaterError as problem:
            failures.append(f"soil sensor of {zone.name}: {problem.text.splitlines()[0]}")
    return failures


def from_file(zone: Zone, garden: Garden, *, now: datetime, since: date) -> list[Note]:
    """The last reading of each half day from `since` to `now`. BadInput where the file makes no sense."""
    sensor = zone.soil_sensor
    assert sensor is not None
    assert sensor.file is not None
    assert sensor.column is not None
    text, label = table.load(Path(garden.folder, Path(sensor.file).expanduser()))
    sheet = table.split(text, label, delimiter=_delimiter(text))
    places = [_place(sheet.header, title, label) for title in (sensor.time, sensor.column)]
    cells = [
        (row[places[0]].strip(), row[places[1]].strip()) for _, row in sheet.rows if len(row) > max(places)
    ]
    site = ZoneInfo(garden.location.timezone)
    return _notes(zone, _readings(cells, label, site), f"file {sensor.file}", now=now, since=since)


def from_messages(zone: Zone, garden: Garden, data_folder: Path, *, now: datetime, since: date) -> list[Note]:
    """The same of what the service heard on the sensor's topic, by the time it was heard.

    What the broker had kept is left out: nobody knows of when it is.
    """
    sensor = zone.soil_sensor
    assert sensor is not None
    if sensor.topic is None:
        return []
    site = ZoneInfo(garden.location.timezone)
    begin = datetime.combine(since, time(), site)
    found = []
    for message in readings.read(readings.path_for(data_folder, sensor.topic), begin):
        value = None if message.retained else _value(message.text, sensor.field)
        if value is not None:
            found.append((message.received_at.astimezone(site), value))
    return _notes(zone, found, f"mqtt {sensor.topic}", now=now, since=since)


def _value(text: str, field: str | None) -> float | None:
    """The number in a message; None for anything else, NaN and infinity too."""
    try:
        body = read_json(text)
        value = float(body if field is None else look(body, field))
    except (ValueError, TypeError, OverflowError):
        return None
    return value if math.isfinite(value) else None


def _notes(
    zone: Zone, found: Iterable[tuple[datetime, float]], source: str, *, now: datetime, since: date
) -> list[Note]:
    sensor = zone.soil_sensor
    assert sensor is not None
    halves: dict[tuple[date, bool], tuple[datetime, float]] = {}
    for at, value in found:
        if since <= at.date() and at <= now:
            half = at.date(), at.hour >= 12
            if half not in halves or at >= halves[half][0]:
                halves[half] = at, value
    return [
        Note(
            "soil",
            day,
            now,
            zone.name,
            details_of(
                read_amount(f"{value:f} {sensor.unit}"),
                at,
                depth_m=sensor.depth_m,
                instrument=sensor.instrument,
                source=source,
            ),
        )
        for (day, _), (at, value) in sorted(halves.items())
    ]


def _delimiter(text: str) -> str:
    head = next((line for line in text.splitlines() if line.strip() and not line.startswith("#")), "")
    try:
        return csv.Sniffer().sniff(head, ",;\t").delimiter
    except csv.Error:
        return ","


def _place(header: Sequence[str], title: str, label: str) -> int:
    if title in header:
        return header.index(title)
    raise BadInput(f'{label}: has no column "{title}", only {", ".join(header)}')


def _readings(
    cells: Sequence[tuple[str, str]], label: str, site: ZoneInfo
) -> Iterator[tuple[datetime, float]]:
    """Times in the site's zone unless they carry an offset; bad cells are left out."""
    for (_, typed), stamp in zip(cells, stamps.parse_all([t for t, _ in cells], None, label), strict=True):
        if not isinstance(stamp, datetime) or typed.casefold() in MISSING:
            continue
        try:
            value = float(typed.replace(",", "."))
        except ValueError:
            continue
        yield stamp.replace(tzinfo=site) if stamp.tzinfo is None else stamp.astimezone(site), value
