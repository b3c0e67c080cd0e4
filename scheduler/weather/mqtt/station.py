"""A station behind the message broker, as a live weather source: what a listener has written down, else
what the broker has kept.

kind daily: messages carry the values of a whole day, with its date. kind readings: they carry what is so
at one instant (or fell since the last message, or a counter's state), and days are made of them here.
"""

from __future__ import annotations

import os
from collections.abc import Callable, Mapping, Sequence
from datetime import date, datetime, timedelta
from pathlib import Path
from typing import Any
from zoneinfo import ZoneInfo

from scheduler.errors import BadInput, CouldNot
from scheduler.model import Fetched, Location, SourceSpec, WeatherValue
from scheduler.weather.localdays import bounds, day_of, zone_of
from scheduler.weather.mqtt import days as reading_days
from scheduler.weather.mqtt import messages as reading
from scheduler.weather.mqtt import readings
from scheduler.weather.mqtt.listener import hear, quiet_since
from scheduler.weather.mqtt.readings import Message
from scheduler.weather.quantities import possible

LISTENING = timedelta(hours=1)  # a listener that wrote nothing for so long is not there, or hears nothing
LATE_ENOUGH = timedelta(minutes=30)  # before midnight: daily values sent earlier are those of a part of it

RECENT = timedelta(days=3)  # what is older has been told

Days = dict[date, dict[str, float]]
Hear = Callable[..., list[Message]]


def fetch(
    spec: SourceSpec,
    location: Location,
    *,
    today: date,
    now: datetime,
    span_from: date,
    data_folder: Path | None = None,
    broker: Mapping[str, Any] | None = None,
    environ: Mapping[str, str] | None = None,
    ask: Hear = hear,
) -> Fetched:
    """Days before `today` as "station" values, and the rain since midnight.

    ask: takes what the broker has kept, where no listener has written lately. Raises BadInput, CouldNot.
    """
    topic = spec.settings.get("topic")
    if not isinstance(topic, str) or not topic.strip():
        raise BadInput(f"{spec.name}: needs a topic - for example {{topic: station/daily}}")
    made = reading.plan(spec.settings)
    zone = zone_of(location.timezone)
    since = datetime.fromtimestamp(bounds(span_from, zone)[0], now.tzinfo) - timedelta(days=1)
    heard: list[Message] = []
    notices: list[str] = []
    if data_folder is not None:
        heard = readings.read(readings.path_for(data_folder, topic), since)
    silence = quiet_since(heard, now)
    if silence is None or silence > LISTENING:
        try:
            heard += _kept(topic, broker, environ, ask)
        except CouldNot as problem:
            if not heard:
                raise
            notices.append(f"{spec.name}: {problem.text}")
    if not heard:
        raise CouldNot(
            "the broker has nothing of this topic", hint="is the station on? Is the service running?"
        )
    answer = parse(heard, made, zone, today=today, now=now, span_from=span_from, source=spec.name)
    return Fetched(answer.values, (*notices, *answer.notices))


def _kept(
    topic: str, broker: Mapping[str, Any] | None, environ: Mapping[str, str] | None, ask: Hear
) -> list[Message]:
    if not broker:
        raise CouldNot("garden.yaml names no broker", hint="broker: {host: localhost}")
    return ask(topic, broker, environ=os.environ if environ is None else environ)


def parse(
    heard: Sequence[Message],
    made: reading.Plan,
    zone: ZoneInfo,
    *,
    today: date,
    now: datetime,
    span_from: date,
    source: str,
) -> Fetched:
    """Values out of messages. Raises CouldNot where none is usable."""
    found = reading.read(heard, made, zone, now=now)
    notices = [f"{source}: {text}" for text in found.notices]
    days: Days
    if made.kind == "daily":
        days = _daily(found, zone, today, notices, source)
    else:
        days = _of_readings(found, zone, today, now, span_from, notices, source)
    height = made.made.wind_height_m
    values: list[WeatherValue] = []
    for day, fields in sorted(days.items()):
        kept = {name: value for name, value in fields.items() if possible(name, value)}
        if height is not None and "wind_m_s" in kept:
            kept.setdefault("wind_height_m", height)
        values += [
            WeatherValue(day, name, value, source, "station", now)
            for name, value in kept.items()
            if day >= span_from
        ]
    if not values:
        told = f": {notices[0].removeprefix(source + ': ')}" if notices else ""
        raise CouldNot(f"{len(heard)} messages, but without one usable value{told}")
    newest = max(value.day for value in values)
    if newest < today - timedelta(days=1):
        notices.append(f"{source}: nothing newer than {newest}")
    return Fetched(tuple(values), tuple(notices))


def _daily(found: reading.Read, zone: ZoneInfo, today: date, notices: list[str], source: str) -> Days:
    """The last word on each day that was over when it was said."""
    fields_of = {one.key: one for one in found.wanted}
    days: Days = {}
    early: set[date] = set()
    for message in found.messages:
        day = message.day
        if day is None or day > today:
            continue
        fields = {
            fields_of[key].quantity.field: value * (86_400 if fields_of[key].unit.power else 1)
            for key, value in message.values.items()
        }
        if day == today:
            sent_today = message.at is not None and day_of(message.at.timestamp(), zone) == today
            if "rain_mm" in fields and sent_today:
                days[day] = {"rain_so_far_mm": fields["rain_mm"]}
            continue
        over = bounds(day, zone)[1] - LATE_ENOUGH.total_seconds()
        if message.at is not None and message.at.timestamp() < over:
            early.add(day)
        else:
            days.setdefault(day, {}).update(fields)
    for day in sorted(day for day in early - set(days) if today - day <= RECENT):
        notices.append(f"{source}: {day}: heard before the day was over, and not again: set aside")
    return days


def _of_readings(
    found: reading.Read,
    zone: ZoneInfo,
    today: date,
    now: datetime,
    span_from: date,
    notices: list[str],
    source: str,
) -> Days:
    """Of one instant the last word counts: a message that comes twice is one reading."""
    by_key: dict[str, dict[int, float]] = {one.key: {} for one in found.wanted}
    for message in found.messages:
        if message.at is not None:
            for key, value in message.values.items():
                by_key[key][int(message.at.timestamp())] = value
    gathered = reading_days.gather(
        {key: sorted(known.items()) for key, known in by_key.items()},
        found.wanted,
        zone,
        first=span_from,
        today=today,
        now=now.timestamp(),
    )
    thin = [day for day in gathered.thin if today - day <= RECENT]
    if thin:
        shown = ", ".join(day.isoformat() for day in thin)
        notices.append(f"{source}: too few readings on {shown}: counted as missing")
    days = gathered.days
    if gathered.rain_so_far is not None:
        day, amount = gathered.rain_so_far
        days.setdefault(day, {})["rain_so_far_mm"] = amount
    return days
