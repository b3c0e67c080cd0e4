"""The blocks of garden.yaml about weather: services, a station's file or messages."""

from __future__ import annotations

from typing import Annotated, ClassVar, Literal

from scheduler.garden.block import Block
from scheduler.garden.reads import choice, key
from scheduler.garden.values import (
    Columns,
    Delimiter,
    Encoding,
    FilePath,
    Length,
    Matches,
    Name,
    Texts,
    TimeZone,
    Url,
)
from scheduler.garden.valve_blocks import MqttTopicBlock
from scheduler.weather.services import SERVICES

# fmt: off


class FileSourceBlock(Block):
    short_for: ClassVar[str | None] = "path"
    path: FilePath = key("The CSV file.", "station.csv")
    columns: Columns | None = key(
        "Quantity with its unit: heading in the file.",
        '{date: "Day", tmax_f: "High", rain_in: "Rain"}', None)
    delimiter: Delimiter | None = key("What parts the columns.", '";"', None)
    decimal: Annotated[str, choice(".", ",")] | None = key("The decimal mark.", '","', None)
    date_format: Name | None = key("How dates are written.", '"%d/%m/%Y"', None)
    wind_height: Length | None = key("Height of the wind sensor above ground.", "10 m", None)
    missing: Texts | None = key("What stands for a missing value.", '["--", "-999"]', None)
    encoding: Encoding | None = key("Text encoding of the file.", "latin-1", None)
    time_zone: TimeZone | None = key("Zone of the times in it, where not the garden's.", "UTC", None)
    label: Annotated[Literal["start", "end"], choice("start", "end")] | None = key(
        "Whether a row's time is the start or the end of what it covers.", "end", None)


class MqttSourceBlock(MqttTopicBlock):
    kind: Annotated[Literal["daily", "readings"], choice("daily", "readings")] | None = key(
        "daily: a message holds a day's values and its date; readings: what is so now.", "readings", None)
    fields: Columns | None = key(
        "Quantity with its unit: its place in the message (dots lead inwards).",
        '{time: "time", temp_f: "out.temp", rain_total_in: "rain"}', None)
    only: Matches | None = key("Only messages that say this, of several stations.", "{id: 77}", None)
    date_format: Name | None = key("How their dates are written.", '"%d/%m/%Y"', None)
    time_zone: TimeZone | None = key("Zone of their times, where not the garden's.", "UTC", None)
    wind_height: Length | None = key("Height of the wind sensor above ground.", "10 m", None)
    missing: Texts | None = key("What stands for a missing value.", '["--", "-999"]', None)


class SourceBlock(Block):
    """Exactly one kind."""

    one_of: ClassVar[tuple[str, ...]] = ("service", "file", "mqtt")
    service: Annotated[str, choice(*SERVICES)] | None = key(
        "A weather service: open-meteo, or nws (United States).", "open-meteo", None)
    contact: Name | None = key("How the service can reach you; nws asks for it.", "you@example.org", None)
    url: Url | None = key("Address of the service, if not the usual.", '"http://192.0.2.9/forecast"', None)
    archive_url: Url | None = key(
        "Where open-meteo keeps earlier days, if not at the usual address; with a url of your own, earlier "
        "days are asked for only where this is given.", '"http://192.0.2.9/archive"', None)
    file: FileSourceBlock | None = key("A file of your own station.", "{path: station.csv}", None)
    mqtt: MqttSourceBlock | None = key("A station behind a message broker.", "{topic: station/daily}", None)


class WeatherBlock(Block):
    sources: list[SourceBlock] | None = key(
        "Per value a gauge beats a station, a station beats a model; then this order holds.",
        "[{service: open-meteo}]", None)
