"""How one value of garden.yaml is read: text as typed to numbers in the house units, dates, times, words.

Each reader raises ValueError with what was expected and an example; each also says its JSON Schema.
"""

from __future__ import annotations

import codecs
import re
from collections.abc import Callable, Iterable
from dataclasses import dataclass
from datetime import date, time
from typing import Annotated, Any, Literal
from zoneinfo import ZoneInfo, ZoneInfoNotFoundError, available_timezones

from pydantic import Field, GetCoreSchemaHandler, GetJsonSchemaHandler
from pydantic_core import CoreSchema, core_schema

from scheduler import units
from scheduler.garden.nodes import NOTHING
from scheduler.model import WEEKDAYS, Display, WateringDays
from scheduler.nearest import did_you_mean, nearest
from scheduler.units import KINDS, KindName, shown


@dataclass(frozen=True, eq=False)
class Reads:
    """On a field: what makes its value of what was typed (ValueError if wrong), and its JSON Schema."""

    read: Callable[[Any, Display], Any]
    schema: dict[str, Any]

    def __get_pydantic_core_schema__(self, source: Any, handler: GetCoreSchemaHandler) -> CoreSchema:
        def validate(value: Any, info: core_schema.ValidationInfo[Any]) -> Any:
            return self.read(value, (info.context or {}).get("display", "metric"))

        return core_schema.with_info_plain_validator_function(validate)

    def __get_pydantic_json_schema__(self, _: CoreSchema, handler: GetJsonSchemaHandler) -> dict[str, Any]:
        return dict(self.schema)


def _scalar(value: Any, noun: str, example: str) -> Any:
    if value is NOTHING:
        raise ValueError(f'has no value - for example "{example}"')
    kinds = {list: "a list", dict: "keys"}
    if found := next((words for kind, words in kinds.items() if isinstance(value, kind)), None):
        raise ValueError(f'{found} where {noun} is expected - for example "{example}"')
    return value


def _wrong(value: Any, noun: str, example: str, why: str = "") -> ValueError:
    return ValueError(f'{shown(value)} is not {noun}{why} - for example "{example}"')


def _of_text(noun: str, example: str, made: Callable[[str], Any], **schema: Any) -> Reads:
    """Read with `made`, whose ValueError gives a reason, or none."""

    def read(value: Any, _: Display) -> Any:
        text = str(_scalar(value, noun, example)).strip()
        try:
            return made(text)
        except (ValueError, LookupError, OSError) as error:
            raise _wrong(value, noun, example, f": {why}" if (why := _reason(error)) else "") from None

    return Reads(read, {"type": "string", **schema})


def _reason(error: Exception) -> str:
    return str(error) if type(error) is ValueError else ""


def quantity(
    kind: KindName,
    *,
    above: float | None = None,
    least: float | None = None,
    most: float | None = None,
    below: float | None = None,
    bare: bool | None = None,
) -> Reads:
    """A number of a kind, within limits in the house unit; see units.read for the spellings."""
    spec = KINDS[kind]

    def read(value: Any, display: Display) -> float:
        typed = _scalar(value, spec.noun, spec.example(display))
        number = units.read(kind, typed, display=display, bare=bare)
        for limit, fits, words in (
            (above, above is None or number > above, "more than"),
            (least, least is None or number >= least, "at least"),
            (most, most is None or number <= most, "at most"),
            (below, below is None or number < below, "less than"),
        ):
            if not fits:
                raise ValueError(f"{shown(value)} must be {words} {limit:g} {spec.house}".rstrip())
        return number

    return Reads(read, {"type": ["string", "number"]})


def _filling_time(value: Any, display: Display) -> float:
    """A bucket fills in seconds: under us, where a bare duration means minutes, the unit must be written."""
    typed = _with_unit(value, "58 s") if display == "us" else _scalar(value, "a duration", "58 s")
    minutes: float = quantity("duration", above=0).read(typed, display)
    return minutes


def seconds(least: float, most: float) -> Reads:
    """A few seconds; the unit must be written, because a bare duration means minutes."""
    example = f"{(least + most) / 2:.0f} s"

    def read(value: Any, display: Display) -> float:
        typed = _with_unit(value, example)
        count = round(units.read("duration", typed, display=display) * 60, 6)
        if not least <= count <= most:
            raise ValueError(f"{shown(typed)} does not do: {least:g} to {most:g} s are possible")
        return count

    return Reads(read, {"type": "string"})


def _with_unit(value: Any, example: str) -> Any:
    typed = _scalar(value, "a duration", example)
    if re.fullmatch(r"[0-9.,]+", str(typed).strip()):
        raise ValueError(f'{shown(typed)} has no unit - for example "{example}"')
    return typed


def whole_number(
    least: int = 1, most: int = 10_000, noun: str = "a whole number", example: str = "6"
) -> Reads:
    def made(text: str) -> int:
        if not re.fullmatch(r"[1-9][0-9]{0,2}(,[0-9]{3})+|[0-9]{1,9}", text):
            raise ValueError
        if re.match(r"0[0-9]", text):
            raise ValueError("it starts with a zero")
        number = int(text.replace(",", ""))
        if not least <= number <= most:
            raise ValueError(f"{least} to {most} are possible")
        return number

    return Reads(_of_text(noun, example, made).read, {"type": "integer", "minimum": least, "maximum": most})


def some_text(
    noun: str = "a text", example: str = "a name", longest: int = 200, starts: Iterable[str] = ("",)
) -> Reads:
    def read(value: Any, _: Display) -> str:
        typed = str(_scalar(value, noun, example))
        if cut_off := getattr(value, "cut_off", None):
            raise ValueError(
                f"{shown(typed)} ends at {shown(cut_off)}, a comment to YAML - put the whole in quotes"
            )
        if not typed.strip() or len(typed) > longest or not typed.startswith(tuple(starts)):
            raise _wrong(typed, noun, example)
        return typed.strip()

    return Reads(read, {"type": ["string", "number"]})


def choice(*words: str) -> Reads:
    def read(value: Any, _: Display) -> str:
        typed = " ".join(str(_scalar(value, "a word", words[0])).casefold().split())
        for word in words:
            if typed == word.casefold():
                return word
        hint = did_you_mean(typed, words, "")
        raise ValueError(f"{shown(value)} is not one of: {', '.join(words)}{hint and f' - {hint}'}")

    return Reads(read, {"enum": list(words)})


def some_texts(noun: str, example: str, *, one_will_do: bool = False, least: int = 1) -> Reads:
    def read(value: Any, _: Display) -> tuple[str, ...]:
        items = [value] if one_will_do and not isinstance(value, list) else value
        plain = isinstance(items, list) and not any(isinstance(item, list | dict) for item in items)
        if not plain or len(items) < least:
            raise ValueError(f"{noun} is expected - for example {example}")
        if any(item is NOTHING for item in items):
            raise ValueError("an empty entry in the list - put it in quotes if it is meant")
        return tuple(str(item) for item in items)

    one = {"type": ["string", "number"]}
    many = {"type": "array", "items": one, "minItems": least}
    return Reads(read, {"anyOf": [many, one]} if one_will_do else many)


def _yes_no(typed: str) -> bool:
    return {"true": True, "yes": True, "on": True, "false": False, "no": False, "off": False}[
        typed.casefold()
    ]


def _date(typed: str) -> date:
    if not (found := re.fullmatch(r"([0-9]{4})-([0-9]{1,2})-([0-9]{1,2})", typed)):
        raise ValueError
    year, month, day = map(int, found.groups())
    if not 1900 <= year < 2200:
        raise ValueError("the year cannot be right")
    try:
        return date(year, month, day)
    except ValueError:
        raise ValueError("the calendar has no such day") from None


def _time_of_day(typed: str) -> time:
    pattern = r"([0-9]{1,2})(?::([0-9]{2})(?::00)?)?(?:\s*([ap])\.?m\.?)?"
    found = re.fullmatch(pattern, typed.casefold())
    if not found or not (found[2] or found[3]):
        raise ValueError
    hour, minute = int(found[1]), int(found[2] or 0)
    if found[3] and not 1 <= hour <= 12:
        raise ValueError
    hour = hour % 12 + (12 if found[3] == "p" else 0) if found[3] else hour
    if hour > 23 or minute > 59:
        raise ValueError("the day runs from 00:00 to 23:59")
    return time(hour, minute)


def _time_zone(value: Any, _: Display) -> str:
    name = str(_scalar(value, "a time zone", "America/New_York")).strip()
    try:
        return str(ZoneInfo(name))
    except (ZoneInfoNotFoundError, ValueError, OSError):
        hint = did_you_mean(name, available_timezones(), 'for example "America/New_York"')
        raise ValueError(f"{shown(value)} is not a known time zone - {hint}") from None


def _stage_days(value: Any, display: Display) -> tuple[int, ...]:
    if not isinstance(value, list) or len(value) != 4:
        raise ValueError("the days of the four stages are expected - for example [20, 30, 20, 10]")
    days = tuple(whole_number(0, 1000).read(item, display) for item in value)
    if not sum(days):
        raise ValueError("the four stages last no day at all")
    return days


_WEEKDAYS = ("monday", "tuesday", "wednesday", "thursday", "friday", "saturday", "sunday")


def _watering_days(value: Any, _: Display) -> WateringDays:
    word = value.casefold() if isinstance(value, str) else None
    kinds: dict[str | None, Literal["all", "even", "odd"]] = {"all": "all", "even": "even", "odd": "odd"}
    if word in kinds:
        return WateringDays(kinds[word])
    items = [value] if isinstance(value, str) else value
    if not isinstance(items, list) or not items:
        raise ValueError("all, even, odd or a list of weekdays is expected - for example [mon, wed, sat]")
    return WateringDays("weekdays", frozenset(map(_weekday, items)))


def _weekday(item: Any) -> int:
    name = str(item).strip().casefold()
    for i, full in enumerate(_WEEKDAYS):
        if full.startswith(name) and len(name) > 2:
            return i
    known = (*WEEKDAYS, *_WEEKDAYS, "all", "even", "odd")
    hint = did_you_mean(name, known, "for example [mon, wed, sat]")
    raise ValueError(f"{shown(item)} is not a weekday, all, even or odd - {hint}")


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
    typed = str(_scalar(value, "a delimiter", ";"))
    words = {"tab": "\t", "\\t": "\t", "comma": ",", "semicolon": ";", "space": " "}
    char = words.get(typed.casefold(), typed)
    if len(char) != 1:
        raise _wrong(value, "one character, tab, comma or semicolon", ";")
    return char


def _plain_topic(typed: str) -> str:
    """MQTT 5.0, 4.7.1: nothing can be published to a topic with a wildcard, and a valve's report has one."""
    if not typed or len(typed) > 200 or "\0" in typed:
        raise ValueError
    if {"+", "#"} & set(typed):
        raise ValueError('"+" and "#" stand for many topics')
    return typed


def _variable(typed: str) -> str:
    if not re.fullmatch(r"[A-Za-z_][A-Za-z0-9_]*", typed):
        raise ValueError
    return typed


def _method(typed: str) -> str:
    return {"get": "GET", "post": "POST", "put": "PUT"}[typed.casefold()]


def _whole_days(typed: str) -> int:
    minutes = units.read("duration", f"{typed} d" if typed.isdecimal() else typed, display="us")
    days, rest = divmod(minutes, 1440)
    if rest or not 1 <= days <= 366:
        raise ValueError
    return int(days)


def key(help_text: str, example: str, default: Any = ..., **more: Any) -> Any:
    """A setting: what it is for, one example as it stands in the file, the default if it may be left out."""
    return Field(default, description=help_text, examples=[example], **more)


Length = Annotated[float, quantity("length", above=0)]
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
Days = Annotated[int, whole_number(0, 1000)]
Pin = Annotated[int, whole_number(0, 27, "a pin number", "17")]
Flag = Annotated[bool, _of_text("yes or no", "true", _yes_no, type=["boolean", "string"],
                                enum=[True, False, "yes", "no", "on", "off"])]  # fmt: skip
Date = Annotated[date, _of_text("a date", "2026-04-20", _date, pattern=r"^[0-9]{4}-[0-9]{1,2}-[0-9]{1,2}$")]
TimeOfDay = Annotated[time, _of_text("a time of day", "06:30", _time_of_day)]
TimeZone = Annotated[str, Reads(_time_zone, {"type": "string"})]
Encoding = Annotated[str, _of_text("a text encoding", "utf-8", lambda typed: codecs.lookup(typed).name)]
Delimiter = Annotated[str, Reads(_delimiter, {"type": "string"})]
WholeDays = Annotated[
    int, _of_text("a number of whole days", "2 days", _whole_days, type=["string", "integer"])
]
Name = Annotated[str, some_text()]
FilePath = Annotated[str, some_text("a path", "station.csv", 1000)]
Topic = Annotated[str, some_text("a topic", "shed/valve/tomatoes")]
PlainTopic = Annotated[str, _of_text("a topic", "shed/valve/tomatoes", _plain_topic)]
Variable = Annotated[str, _of_text("the name of an environment variable", "RELAY_KEY", _variable)]
WholePath = Annotated[str, some_text("a path from the root", "/etc/rowwater/relay-key", 1000, ("/",))]
Url = Annotated[str, some_text("a web address", "http://192.0.2.7/relay/1", 1000, ("http://", "https://"))]
Body = Annotated[str, some_text("a text", "on {seconds}", 4000)]
Method = Annotated[str, _of_text("a method", "POST", _method, enum=["GET", "POST", "PUT"])]
Command = Annotated[
    tuple[str, ...], some_texts("a list, the program first,", "[/usr/local/bin/relay, tomatoes]")
]
Texts = Annotated[tuple[str, ...], some_texts("a list of texts", '["--", "-999"]', one_will_do=True)]
OtherNames = Annotated[
    tuple[str, ...], some_texts("a list of names", "[love apple]", one_will_do=True, least=0)
]
WhichDays = Annotated[WateringDays, Reads(_watering_days, {"anyOf": [
    {"enum": ["all", "even", "odd", *WEEKDAYS]},
    {"type": "array", "items": {"enum": [*WEEKDAYS, *_WEEKDAYS]}, "minItems": 1},
]})]  # fmt: skip
NotTogether = Annotated[tuple[tuple[str, ...], ...] | Literal["all"], Reads(_groups, {"anyOf": [
    {"enum": ["all"]},
    {"type": "array", "minItems": 1, "items": {
        "type": "array", "items": {"type": ["string", "number"]}, "minItems": 2}},
    {"type": "array", "items": {"type": ["string", "number"]}, "minItems": 2},
]})]  # fmt: skip
StageDays = Annotated[tuple[int, int, int, int], Reads(_stage_days, {
    "type": "array", "items": {"type": "integer", "minimum": 0}, "minItems": 4, "maxItems": 4,
})]  # fmt: skip
Columns = Annotated[dict[str, str], Reads(_columns, {
    "type": "object", "additionalProperties": {"type": ["string", "number"]}, "minProperties": 1,
    "propertyNames": {"pattern": f"^(date|time|({'|'.join(_STEMS)})_[a-z0-9_]+)$"},
})]  # fmt: skip
Matches = Annotated[dict[str, str], Reads(_matches, {
    "type": "object", "additionalProperties": {"type": ["string", "number", "boolean"]}, "minProperties": 1,
})]  # fmt: skip
