"""The types of the values in garden.yaml: how each is read, what its limits are, and its JSON Schema."""

from __future__ import annotations

import codecs
import re
from datetime import date, time
from ipaddress import ip_address
from typing import Annotated, Any, Literal
from urllib.parse import urlsplit

from scheduler.dates import WEEKDAYS as WEEKDAY_NAMES
from scheduler.dates import time_of_day
from scheduler.garden.nodes import NOTHING
from scheduler.garden.reads import (
    Reads,
    of_text,
    or_usual,
    quantity,
    scalar,
    some_text,
    some_texts,
    warmth,
    whole_number,
    with_unit,
    wrong,
    zero_or,
)
from scheduler.garden.times import (
    calendar_date,
    dry_days,
    month_and_day,
    stage_days,
    time_zone,
    watering_days,
    weekdays,
    whole_days,
)
from scheduler.model import WEEKDAYS, Display, WateringDays
from scheduler.nearest import nearest
from scheduler.units import celsius, celsius_days, shown


def _filling_time(value: Any, display: Display) -> float:
    """A bucket fills in seconds: under us, where a bare duration means minutes, the unit must be written."""
    typed = with_unit(value, "58 s") if display == "us" else scalar(value, "a duration", "58 s")
    minutes: float = quantity("duration", above=0).read(typed, display)
    return minutes


def _yes_no(typed: str) -> bool:
    return {"true": True, "yes": True, "on": True, "false": False, "no": False, "off": False}[
        typed.casefold()
    ]


def _groups(value: Any, display: Display) -> tuple[tuple[str, ...], ...] | Literal["all"]:
    """all, or a list of lists of names; one group alone may stand without the outer brackets."""
    example = "[[tomatoes, beans]]"
    if isinstance(value, str) and value.strip().casefold() == "all":
        return "all"
    if not isinstance(value, list) or not value:
        raise ValueError(f"all, or groups of zones are expected - for example {example}")
    groups = value if any(isinstance(item, list) for item in value) else [value]
    if not all(isinstance(group, list) for group in groups):
        raise ValueError(f"names and groups are mixed - for example {example}")
    read = some_texts("a group of at least two zones", "[tomatoes, beans]", least=2).read
    return tuple(read(group, display) for group in groups)


def _warmth_of_stages(value: Any, display: Display) -> tuple[float, ...]:
    """The sum of warmth at each stage's end: it grows from one to the next."""
    if not isinstance(value, list) or len(value) != 4:
        raise ValueError("the sums of the four stages are expected - for example [150, 450, 800, 1000]")
    sums = tuple(warmth(celsius_days, "C-days", 0, 20_000).read(item, display) for item in value)
    for before, after, typed in zip(sums, sums[1:], value[1:], strict=False):
        if after < before:
            raise ValueError(f"sums count from planting on: {shown(typed)} is less than the one before")
    if not sums[3]:
        raise ValueError("the four stages last no day at all")
    return sums


_STEMS = ("tmin", "tmax", "temp", "tdew", "rh", "rh_mean", "rh_min", "rh_max", "wind", "wind_height", "solar",
          "sunshine", "rain", "rain_day", "rain_total", "rain_chance")  # fmt: skip


def _columns(value: Any, _: Display) -> dict[str, str]:
    """Quantity with its unit -> heading; which units there are, the weather part knows."""
    if not isinstance(value, dict) or not value:
        raise ValueError('quantity: heading is expected - for example {tmax_f: "High", rain_in: "Rain"}')
    for name, heading in value.items():
        if name not in ("date", "time") and not name.startswith(tuple(f"{stem}_" for stem in _STEMS)):
            near = nearest(name.rsplit("_", 1)[0], _STEMS)
            hint = f'did you mean "{near}_..."?' if near else "for example tmax_f, rain_in, wind_mph"
            raise ValueError(f"{shown(name)} is no weather quantity with its unit - {hint}")
        if heading is NOTHING or isinstance(heading, list | dict):
            raise ValueError(f"{shown(name)} needs the heading of its column")
    return {name: str(heading) for name, heading in value.items()}


def _matches(value: Any, _: Display) -> dict[str, str]:
    """Place in a message -> what must stand there."""
    if not isinstance(value, dict) or not value:
        raise ValueError("name: value is expected - for example {id: 77}")
    for name, wanted in value.items():
        if wanted is NOTHING or isinstance(wanted, list | dict):
            raise ValueError(f"{shown(name)} needs the value that it must have")
    return {name: str(wanted) for name, wanted in value.items()}


def _delimiter(value: Any, _: Display) -> str:
    typed = str(scalar(value, "a delimiter", ";"))
    words = {"tab": "\t", "\\t": "\t", "comma": ",", "semicolon": ";", "space": " "}
    char = words.get(typed.casefold(), typed)
    if len(char) != 1:
        raise wrong(value, "one character, tab, comma or semicolon", ";")
    return char


def _plain_topic(typed: str) -> str:
    """MQTT 5.0, 4.7.1: nothing can be published to a topic with a wildcard, and a valve's report has one."""
    if not typed or len(typed) > 200 or "\0" in typed:
        raise ValueError
    if {"+", "#"} & set(typed):
        raise ValueError('"+" and "#" stand for many topics')
    return typed


def _place_in_json(text: str) -> str:
    if not all(step and step.isprintable() and " " not in step for step in text.split(".")):
        raise ValueError("names and places joined by dots")
    return text


def _address(typed: str) -> str:
    """A host, and a port where one is given that there can be; {seconds} and {zone} come later."""
    parts = urlsplit(typed)
    if (
        parts.scheme not in ("http", "https")
        or len(typed) > 1000
        or not parts.hostname
        or not typed.isprintable()
    ):
        raise ValueError
    if parts.port == 0 or any(letter.isspace() for letter in typed):
        raise ValueError
    return typed


def _listen(typed: str) -> str:
    """An address of this computer and a port: a name could come to mean another one."""
    host, _, port = typed.rpartition(":")
    bracketed = host.startswith("[") and host.endswith("]")
    if not re.fullmatch(r"[0-9]{1,5}", port) or not 1 <= int(port) <= 65535:
        raise ValueError
    try:
        address = ip_address(host.strip("[]"))
    except ValueError:
        raise ValueError from None
    if bracketed != (address.version == 6):
        raise ValueError
    return typed


def _host_name(typed: str) -> str:
    """RFC 1123, 2.1; without the port, which `listen` gives."""
    label = r"[a-z0-9]([a-z0-9-]{0,61}[a-z0-9])?"
    name = typed.casefold()
    if len(name) > 253 or not re.fullmatch(rf"{label}(\.{label})*", name):
        raise ValueError
    return name


def _host_names(value: Any, display: Display) -> tuple[str, ...]:
    noun, example = "a list of names", "[shed.local]"
    texts = some_texts(noun, example, one_will_do=True).read(value, display)
    one = of_text("the name of a host", "shed.local", _host_name)
    return tuple(one.read(text, display) for text in texts)


def _variable(typed: str) -> str:
    if not re.fullmatch(r"[A-Za-z_][A-Za-z0-9_]*", typed):
        raise ValueError
    return typed


def _method(typed: str) -> str:
    return {"get": "GET", "post": "POST", "put": "PUT"}[typed.casefold()]


Length = Annotated[float, quantity("length", above=0)]
Diameter = Annotated[float, quantity("length", least=0.001, most=1)]
Depth = Annotated[float, quantity("depth", least=0)]
Pressure = Annotated[float, quantity("pressure", above=0)]
Flow = Annotated[float, quantity("flow", above=0)]
Volume = Annotated[float, quantity("volume", above=0)]
Minutes = Annotated[float, quantity("duration", least=0)]
SomeMinutes = Annotated[float, quantity("duration", above=0)]
FillingTime = Annotated[float, Reads(_filling_time, {"type": ["string", "number"]})]
LagMinutes = Annotated[float, quantity("duration", least=0, most=60)]
Fraction = Annotated[float, quantity("fraction", least=0, most=1)]
SomeFraction = Annotated[float, quantity("fraction", above=0, most=1)]
WaterContent = Annotated[float, quantity("fraction", least=0, most=0.6)]
Salinity = Annotated[float, quantity("salinity", above=0)]
Slope = Annotated[float, quantity("slope", least=-0.5, most=0.5)]
Kc = Annotated[float, quantity("number", least=0, most=2)]
Kcb = Annotated[float, quantity("number", least=0, most=1.4)]
Ky = Annotated[float, quantity("number", least=0, most=3)]
TapeDepth = Annotated[float, zero_or(quantity("length", least=0, most=0.6))]
WetBand = Annotated[float, zero_or(quantity("length", least=0, most=3))]
SeedDepth = Annotated[float, quantity("length", above=0, most=0.3)]
SoilSalinity = Annotated[float, quantity("salinity", least=0, most=30)]
PercentLost = Annotated[float, quantity("percent", above=0, most=100)]
TunnelFactor = Annotated[float, or_usual(quantity("fraction", least=0.2, most=1), 0.7)]
RowCoverFactor = Annotated[float, or_usual(quantity("fraction", least=0.2, most=1), 0.8)]
Shade = Annotated[float, or_usual(quantity("fraction", above=0, most=0.95), 0.4)]
BaseTemperature = Annotated[float, warmth(celsius, "C", -5, 25)]
UpperTemperature = Annotated[float, warmth(celsius, "C", 10, 50)]
KilledBelow = Annotated[float, warmth(celsius, "C", -40, 10)]
Warmth = Annotated[float, warmth(celsius_days, "C-days", 0, 10_000)]
Days = Annotated[int, whole_number(0, 1000)]
Pin = Annotated[int, whole_number(0, 27, "a pin number", "17")]
Flag = Annotated[bool, of_text("yes or no", "true", _yes_no, type=["boolean", "string"],
                                enum=[True, False, "yes", "no", "on", "off"])]  # fmt: skip
Date = Annotated[
    date, of_text("a date", "2026-04-20", calendar_date, pattern=r"^[0-9]{4}-[0-9]{1,2}-[0-9]{1,2}$")
]
TimeOfDay = Annotated[time, of_text("a time of day", "06:30", time_of_day)]
TimeZone = Annotated[str, Reads(time_zone, {"type": "string"})]
Encoding = Annotated[str, of_text("a text encoding", "utf-8", lambda typed: codecs.lookup(typed).name)]
Delimiter = Annotated[str, Reads(_delimiter, {"type": "string"})]
WholeDays = Annotated[
    int, of_text("a number of whole days", "2 days", whole_days, type=["string", "integer"])
]
DryDays = Annotated[int, of_text("a number of whole days", "10 days", dry_days, type=["string", "integer"])]
MonthAndDay = Annotated[
    tuple[int, int], of_text("a month and day", "05-15", month_and_day, pattern=r"^[0-9]{1,2}-[0-9]{1,2}$")
]
Name = Annotated[str, some_text()]
FilePath = Annotated[str, some_text("a path", "station.csv", 1000)]
Topic = Annotated[str, some_text("a topic", "shed/valve/tomatoes")]
PlainTopic = Annotated[str, of_text("a topic", "shed/valve/tomatoes", _plain_topic)]
Variable = Annotated[str, of_text("the name of an environment variable", "RELAY_KEY", _variable)]
Field = Annotated[str, of_text("a place in a JSON answer", "relays.0.on", _place_in_json)]
WholePath = Annotated[str, some_text("a path from the root", "/etc/rowwater/relay-key", 1000, ("/",))]
Url = Annotated[str, of_text("a web address", "http://192.0.2.7/relay/1", _address)]
Listen = Annotated[str, of_text("an address and port of this computer", "192.168.1.20:8008", _listen)]
HostNames = Annotated[tuple[str, ...], Reads(_host_names, {"anyOf": [
    {"type": "array", "items": {"type": "string"}, "minItems": 1}, {"type": "string"},
]})]  # fmt: skip
Body = Annotated[str, some_text("a text", "on {seconds}", 4000, lines=True)]
Method = Annotated[str, of_text("a method", "POST", _method, enum=["GET", "POST", "PUT"])]
Command = Annotated[
    tuple[str, ...], some_texts("a list, the program first,", "[/usr/local/bin/relay, tomatoes]")
]
Texts = Annotated[tuple[str, ...], some_texts("a list of texts", '["--", "-999"]', one_will_do=True)]
OtherNames = Annotated[
    tuple[str, ...], some_texts("a list of names", "[love apple]", one_will_do=True, least=0)
]
WhichDays = Annotated[WateringDays, Reads(watering_days, {"anyOf": [
    {"enum": ["all", "even", "odd", *WEEKDAYS]},
    {"type": "array", "items": {"enum": [*WEEKDAYS, *WEEKDAY_NAMES]}, "minItems": 1},
]})]  # fmt: skip
Weekdays = Annotated[tuple[int, ...], Reads(weekdays, {"anyOf": [
    {"enum": list(WEEKDAYS)},
    {"type": "array", "items": {"enum": [*WEEKDAYS, *WEEKDAY_NAMES]}, "minItems": 1},
]})]  # fmt: skip
NotTogether = Annotated[tuple[tuple[str, ...], ...] | Literal["all"], Reads(_groups, {"anyOf": [
    {"enum": ["all"]},
    {"type": "array", "minItems": 1, "items": {
        "type": "array", "items": {"type": ["string", "number"]}, "minItems": 2}},
    {"type": "array", "items": {"type": ["string", "number"]}, "minItems": 2},
]})]  # fmt: skip
StageDays = Annotated[tuple[int, int, int, int], Reads(stage_days, {
    "type": "array", "items": {"type": "integer", "minimum": 0}, "minItems": 4, "maxItems": 4,
})]  # fmt: skip
WarmthOfStages = Annotated[tuple[float, float, float, float], Reads(_warmth_of_stages, {
    "type": "array", "items": {"type": ["string", "number"]}, "minItems": 4, "maxItems": 4,
})]  # fmt: skip
Columns = Annotated[dict[str, str], Reads(_columns, {
    "type": "object", "additionalProperties": {"type": ["string", "number"]}, "minProperties": 1,
    "propertyNames": {"pattern": f"^(date|time|({'|'.join(_STEMS)})_[a-z0-9_]+)$"},
})]  # fmt: skip
Matches = Annotated[dict[str, str], Reads(_matches, {
    "type": "object", "additionalProperties": {"type": ["string", "number", "boolean"]}, "minProperties": 1,
})]  # fmt: skip
