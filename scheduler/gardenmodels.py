"""The blocks of garden.yaml and crops.yaml as pydantic models, one per block, values in the house units.

Each setting's help and one example live here: starter file, JSON Schema and the table of settings are made
from them.  What takes more than one value to judge is checked in gardenfile.
"""

from __future__ import annotations

import codecs
import re
from collections.abc import Callable, Iterable
from dataclasses import dataclass
from datetime import date, time
from typing import Annotated, Any, ClassVar, Literal, get_args
from zoneinfo import ZoneInfo, ZoneInfoNotFoundError, available_timezones

from pydantic import Field, GetCoreSchemaHandler, GetJsonSchemaHandler, RootModel
from pydantic_core import CoreSchema, core_schema

from scheduler import units
from scheduler.model import WEEKDAYS, Display, Mulch, WateringDays
from scheduler.units import KINDS, KindName, shown
from scheduler.yamlnodes import NOTHING, Block, nearest

# --- how one value is read -----------------------------------------------------------------------


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
    typed = _scalar(value, "a duration", "58 s")
    if display == "us" and re.fullmatch(r"[0-9.,]+", str(typed).strip()):
        raise ValueError(f'{shown(typed)} has no unit - for example "58 s"')
    minutes: float = quantity("duration", above=0).read(typed, display)
    return minutes


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
        if typed in words:
            return typed
        near = nearest(typed, words)
        hint = f' - did you mean "{near}"?' if near else ""
        raise ValueError(f"{shown(value)} is not one of: {', '.join(words)}{hint}")

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
        near = nearest(name, available_timezones())
        hint = f'did you mean "{near}"?' if near else 'for example "America/New_York"'
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
    near = nearest(name, (*WEEKDAYS, *_WEEKDAYS, "all", "even", "odd"))
    hint = f'did you mean "{near}"?' if near else "for example [mon, wed, sat]"
    raise ValueError(f"{shown(item)} is not a weekday, all, even or odd - {hint}")


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


def _delimiter(value: Any, _: Display) -> str:
    typed = str(_scalar(value, "a delimiter", ";"))
    words = {"tab": "\t", "\\t": "\t", "comma": ",", "semicolon": ";", "space": " "}
    char = words.get(typed.casefold(), typed)
    if len(char) != 1:
        raise _wrong(value, "one character, tab, comma or semicolon", ";")
    return char


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
StageDays = Annotated[tuple[int, int, int, int], Reads(_stage_days, {
    "type": "array", "items": {"type": "integer", "minimum": 0}, "minItems": 4, "maxItems": 4,
})]  # fmt: skip
Columns = Annotated[dict[str, str], Reads(_columns, {
    "type": "object", "additionalProperties": {"type": ["string", "number"]}, "minProperties": 1,
    "propertyNames": {"pattern": f"^(date|time|({'|'.join(_STEMS)})_[a-z0-9_]+)$"},
})]  # fmt: skip
StageName = Literal["initial", "development", "mid-season", "late season"]

# --- garden.yaml ---------------------------------------------------------------------------------
# fmt: off


class LocationBlock(Block):
    latitude: Annotated[float, quantity("number", least=-90, most=90)] = key(
        "Degrees north of the equator; south is negative.", "35.61")
    longitude: Annotated[float, quantity("number", least=-180, most=180)] = key(
        "Degrees east of Greenwich; west is negative.", "-82.44")
    elevation: Annotated[float, quantity("length", least=-500, most=6000)] = key(
        "Height above the sea.", "2130 ft")
    timezone: TimeZone = key("Name of the time zone, as area/city.", "America/New_York")
    dry: Flag = key(
        "A dry climate: where no humidity is known, the dew point is taken 2 C below the night's low.",
        "true", False)
    coastal: Flag = key("Near a coast: it changes the sunshine estimated from temperatures.", "true", False)
    wind_2m: Annotated[float, quantity("speed", least=0, most=50)] | None = key(
        "Mean wind of the season, 2 m above ground; with rh_min it fits crop coefficients to the climate.",
        "4.5 mph", None)
    rh_min: Annotated[float, quantity("percent", least=0, most=100)] | None = key(
        "Mean of the season's daily lowest relative humidity, in percent.", "55%", None)
    temperature_only: Annotated[
        Literal["penman-monteith", "hargreaves"], choice("penman-monteith", "hargreaves")
    ] = key("Formula where only temperatures are known: penman-monteith or hargreaves.", "hargreaves",
            "penman-monteith")


class BucketBlock(Block):
    volume: Volume = key("What the bucket holds.", "5 gal")
    time: FillingTime = key("How long it takes to fill.", "58 s")


class HoursBlock(Block):
    from_: TimeOfDay = key("No water before.", '"04:00"', alias="from")
    until: TimeOfDay = key("All water off by then.", '"10:00"')


class MainlineBlock(Block):
    inside_diameter: Length = key("Inside diameter.", "0.70 in")
    length: Length = key("Length.", "100 ft")
    feed: Annotated[Literal["end", "middle"], choice("end", "middle")] = key(
        "Where the hose joins it: at one end, or in the middle.", "middle", "end")
    slope: Slope = key("Rise away from the feed: +2% uphill, -1% downhill.", "+1%", 0.0)
    takeoff_loss: Annotated[float, quantity("number", least=0, most=100)] = key(
        "Loss at each take-off: K on the velocity head in the tape's first segment.", "0.9", 0.0)


class SupplyBlock(Block):
    one_of: ClassVar[tuple[str, ...]] = ("bucket", "flow")
    bucket: BucketBlock | None = key(
        "The timed bucket, filled where the tape will be fed.", "{volume: 5 gal, time: 58 s}", None)
    flow: Flow | None = key("The flow itself, instead of the bucket.", "5.2 gpm", None)
    keep_back: Annotated[float, quantity("fraction", least=0, below=1)] = key(
        "Share of the flow that stays free for other taps.", "10%", 0.0)
    pressure: Pressure | None = key("Pressure behind the regulator, where the tape starts.", "12 psi", None)
    static_pressure: Pressure | None = key("Pressure before the regulator, no water running.", "45 psi", None)
    hours: HoursBlock | None = key("When water may run.", '{from: "04:00", until: "10:00"}', None)
    days: WhichDays = key(
        "Days on which water may run: all, even, odd, or a list of weekdays.",
        "[mon, wed, sat]", WateringDays())
    daily_cap: Volume | None = key("The most water in one day.", "1500 gal", None)
    mainline: MainlineBlock | None = key(
        "The supply line along the garden's edge.",
        "{inside_diameter: 0.70 in, length: 100 ft, feed: end}", None)
    ec: Salinity | None = key(
        "Salinity of the water; it adds leaching where the crop's limit is known.", "1.1 dS/m", None)


class TapeBlock(Block):
    flow: Annotated[float, quantity("tape flow", above=0)] = key(
        "Flow per length at the rated pressure, as printed on the reel.", "0.40 gpm/100ft")
    rated_at: Pressure | None = key("The pressure at which the tape gives that flow.", "12 psi", None)
    exponent: Annotated[float, quantity("number", least=0, most=1)] = key(
        "How flow follows pressure: 0.5 for plain tape, near 0 for pressure-compensating tape.", "0.5", 0.5)
    emitter_spacing: Length | None = key("From emitter to emitter.", "12 in", None)
    inside_diameter: Length | None = key("Inside diameter.", "0.636 in", None)
    wall: Length | None = key("Thickness of the wall.", "8 mil", None)
    crop_cycles: Annotated[float, quantity("number", above=0, most=100)] | None = key(
        "How many crops the tape lasts.", "2", None)
    variation: Annotated[float, quantity("fraction", least=0, most=0.5)] = key(
        "How much emitters differ as made (coefficient of variation).", "0.05", 0.05)
    roughness: Annotated[float, quantity("length", least=0, most=0.001)] = key(
        "Roughness of the inside.", "0.0015 mm", 1.5e-6)
    pressure_limit: Pressure | None = key("The most pressure that the maker allows.", "15 psi", None)


class RowsBlock(Block):
    count: Annotated[int, whole_number(1, 2000)] | None = key("How many rows.", "6", None)
    length: Length | None = key("Length of a row.", "80 ft", None)
    spacing: Length | None = key("From row to row.", "5 ft", None)
    tapes: Annotated[int, whole_number(1, 10, example="1")] | None = key("Tapes per row.", "1", None)
    slope: Slope | None = key("Rise of the rows away from the inlet: +2% uphill, -1% downhill.", "+1%", None)


class SoilBlock(Block):
    short_for: ClassVar[str | None] = "texture"
    texture: Name | None = key("A texture of the soil table.", "sandy loam", None)
    theta_fc: WaterContent | None = key("Water held at field capacity, by volume.", "0.23", None)
    theta_wp: WaterContent | None = key("Water left at wilting point, by volume.", "0.11", None)


class SettleBlock(Block):
    days: Annotated[int, whole_number(1, 60)] = key("For how many days from planting on.", "10")
    every: WholeDays = key("A run every so many days.", "2 days")
    run: SomeMinutes = key("At least so long.", "30 min")


class PlantingBlock(Block):
    may_be_empty: ClassVar[frozenset[str]] = frozenset({"pulled"})
    crop: Name = key("A crop of the crop table or of crops.yaml.", "tomato")
    planted: Date = key("Day of planting.", "2026-04-20")
    pulled: Date | None = key("Day it is pulled out; the next may be planted on it.", "2026-08-10", None)
    mulch: Annotated[Mulch, choice(*get_args(Mulch))] = key(
        "On the soil: none, film or straw.", "straw", "none")
    rows: RowsBlock | None = key(
        "Rows of its own; what is left out is the zone's.", "{count: 9, spacing: 2.5 ft}", None)
    measured_flow: Flow | None = key("Flow of these rows as measured.", "2.1 gpm", None)
    settle: SettleBlock | None = key(
        "Short frequent runs until transplants have rooted.", "{days: 10, every: 2 days, run: 30 min}", None)
    hold_last_stage: Flag | None = key(
        "A long harvest: after its last day the crop goes on as it is.", "true", None)
    days: StageDays | None = key(
        "Days of the four stages, where this planting differs from the crop table.", "[20, 30, 20, 10]", None)


class GpioBlock(Block):
    short_for: ClassVar[str | None] = "pin"
    pin: Pin = key("GPIO number (not the place on the header).", "17")
    active_high: Flag = key("false for a relay board that switches on when the pin goes low.", "false", True)


class HttpCallBlock(Block):
    method: Method | None = key(
        "GET, POST or PUT; without it POST where there is a body, else GET.", "POST", None)
    url: Url = key("Address; {seconds} and {zone} are filled in.", '"http://192.0.2.7/relay/1?on={seconds}"')
    body: Body | None = key("What is sent; {seconds} and {zone} are filled in.", '"on {seconds}"', None)


class HttpValveBlock(Block):
    open: HttpCallBlock = key("The call that opens.", '{url: "http://192.0.2.7/relay/1?on={seconds}"}')
    close: HttpCallBlock = key("The call that closes.", '{url: "http://192.0.2.7/relay/1?off"}')


class MqttValveBlock(Block):
    topic: Topic = key("Where open and close are sent.", "shed/valve/tomatoes")
    convention: Annotated[Literal["homie"], choice("homie")] | None = key(
        "homie: speak the open convention of that name.", "homie", None)


class ValveBlock(Block):
    """Exactly one driver."""

    one_of: ClassVar[tuple[str, ...]] = ("gpio", "command", "http", "mqtt", "by_hand")
    gpio: GpioBlock | None = key("A relay on a pin of this computer.", "17", None)
    command: Command | None = key(
        "A program, run with `open SECONDS` or `close` appended.", "[/usr/local/bin/relay, tomatoes]", None)
    http: HttpValveBlock | None = key(
        "A relay on the network.",
        '{open: {url: "http://192.0.2.7/1?on={seconds}"}, close: {url: "http://192.0.2.7/1?off"}}', None)
    mqtt: MqttValveBlock | None = key(
        "A relay behind a message broker.", "{topic: shed/valve/tomatoes}", None)
    by_hand: Flag | None = key("You open and close it.", "true", None)
    cap: Annotated[float, quantity("duration", above=0, most=1440)] = key(
        "The valve never stays open longer than this.", "6 h", 360.0)


class MasterValveBlock(ValveBlock):
    opens_before: LagMinutes = key("So long before the first zone opens.", "5 s", 0.0)
    closes_after: LagMinutes = key("So long after the last zone has closed.", "5 s", 0.0)


class ZoneBlock(Block):
    rows: RowsBlock | None = key(
        "The rows that the valve feeds.", "{count: 6, length: 80 ft, spacing: 5 ft}", None)
    tape: Name = key("One of the tapes above.", "thin")
    tape_laid: Date | None = key("Day the tape was laid.", "2026-04-10", None)
    soil: SoilBlock = key(
        "A texture, or figures of your own: {theta_fc: 0.23, theta_wp: 0.11}.", "sandy loam")
    wetted_width: Length | None = key(
        "Width of the strip that one tape wets: dig after a run and measure. Without it: the usual one.",
        "24 in", None)
    uniformity: SomeFraction | None = key("How evenly the tape waters, as measured.", "0.88", None)
    measured_flow: Flow | None = key("Flow of the zone's own rows as measured.", "1.9 gpm", None)
    refill_at: SomeFraction = key(
        "Water when this share of the easily used water is gone; drip waters little and often.", "0.5", 0.5)
    leave_room: Depth = key("Depth left unfilled, for rain.", "0.1 in", 0.0)
    shortest_run: Minutes = key("Below this nothing runs and the need waits.", "5 min", 5.0)
    longest_run: Annotated[float, quantity("duration", least=1)] | None = key(
        "The most a day.", "90 min", None)
    fill_time: Minutes = key("Time in which the lines fill before they drip.", "2 min", 0.0)
    starting_deficit: Depth = key("Water missing from the root zone when the record begins.", "0.2 in", 0.0)
    rain_capture: Fraction | None = key(
        "Share of the rain that reaches the soil (else film 0.3, others 1).", "0.3", None)
    runoff: Fraction = key("Share of the rain that runs off.", "10%", 0.0)
    longest_pulse: SomeMinutes | None = key(
        "A longer run is split into pulses of at most this.", "30 min", None)
    pulse_rest: Minutes = key("Rest between pulses.", "60 min", 60.0)
    plantings: list[PlantingBlock] | None = key(
        "What grows here, crop after crop.", "[{crop: tomato, planted: 2026-04-20}]", None)
    valve: ValveBlock | None = key(
        "What opens the zone: one of gpio, command, http, mqtt, by_hand. Without it you do, by hand.",
        "{gpio: 17}", None)


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


class MqttTopicBlock(Block):
    topic: Topic = key("The topic.", "shed/notices")


class MqttSourceBlock(MqttTopicBlock):
    columns: Columns | None = key(
        "Quantity with its unit: name in the message.", '{tmax_f: "high", rain_in: "rain"}', None)


class SourceBlock(Block):
    """Exactly one kind."""

    one_of: ClassVar[tuple[str, ...]] = ("service", "file", "mqtt")
    service: Annotated[str, choice("open-meteo", "nws")] | None = key(
        "A weather service: open-meteo, or nws (United States).", "open-meteo", None)
    contact: Name | None = key("How the service can reach you; nws asks for it.", "you@example.org", None)
    url: Url | None = key("Address of the service, if not the usual.", '"http://192.0.2.9/forecast"', None)
    file: FileSourceBlock | None = key("A file of your own station.", "{path: station.csv}", None)
    mqtt: MqttSourceBlock | None = key("A station behind a message broker.", "{topic: station/daily}", None)


class WeatherBlock(Block):
    sources: list[SourceBlock] | None = key(
        "Per value a gauge beats a station, a station beats a model; then this order holds.",
        "[{service: open-meteo}]", None)


class NotifyBlock(Block):
    """Exactly one way."""

    one_of: ClassVar[tuple[str, ...]] = ("command", "http", "mqtt")
    command: Command | None = key("A program; the text comes on its input.", "[/usr/local/bin/tell]", None)
    http: HttpCallBlock | None = key("A call.", '{method: POST, url: "http://192.0.2.7/tell"}', None)
    mqtt: MqttTopicBlock | None = key("A message.", "{topic: shed/notices}", None)


class BrokerBlock(Block):
    host: Name = key("Its name or address.", "localhost")
    port: Annotated[int, whole_number(1, 65535, "a port number", "1883")] = key("Its port.", "1883", 1883)
    user: Name | None = key("User name, if it asks for one.", "rowwater", None)
    password_file: FilePath | None = key(
        "File that holds the password; never the password itself.", "/etc/rowwater/broker", None)


class MeterBlock(Block):
    """Exactly one way to read it."""

    one_of: ClassVar[tuple[str, ...]] = ("gpio", "mqtt", "http", "command")
    gpio: Pin | None = key("Pin on which it pulses.", "27", None)
    liters_per_pulse: Annotated[float, quantity("volume", above=0, bare=True)] | None = key(
        "Water per pulse; a bare number is liters.", "0.5", None)
    mqtt: MqttTopicBlock | None = key("Topic with its reading in liters.", "{topic: shed/meter}", None)
    http: HttpCallBlock | None = key(
        "Call that answers its reading in liters.", '{url: "http://192.0.2.8/"}', None)
    command: Command | None = key(
        "Program that prints its reading in liters.", "[/usr/local/bin/meter]", None)


class GardenBlock(Block):
    """garden.yaml."""

    garden: Name = key("Name of the garden.", "Creekside plot")
    location: LocationBlock = key(
        "Where it is.",
        "{latitude: 35.61, longitude: -82.44, elevation: 2130 ft, timezone: America/New_York}")
    display: Annotated[Display, choice(*get_args(Display))] = key(
        "What people see: us or metric. Under us, lengths, depths, flows, volumes, pressures and speeds need "
        "their unit; under metric a bare number is in m, mm, L/min, L, kPa, m/s.", "us", "us")
    weather: WeatherBlock | None = key(
        "Where weather comes from.", "{sources: [{service: open-meteo}]}", None)
    supply: SupplyBlock = key("The water.", "{bucket: {volume: 5 gal, time: 58 s}}")
    tapes: dict[str, TapeBlock] = key("The drip tapes in use, by name.", "{thin: {flow: 0.40 gpm/100ft}}")
    zones: dict[str, ZoneBlock] = key(
        "The zones, by name: a zone is what one valve feeds.", "{tomatoes: {tape: thin, soil: sandy loam}}")
    plan_at: TimeOfDay | None = key("When the day's plan is made.", '"03:30"', None)
    finish: Annotated[Literal["early", "late"], choice("early", "late")] = key(
        "Within the hours, water as early or as late as they allow.", "early", "late")
    clock: Annotated[Literal["rtc"], choice("rtc")] | None = key(
        "rtc: a clock with a battery keeps the time while there is no network.", "rtc", None)
    notify: NotifyBlock | None = key(
        "Who is told when something needs an eye.", "{command: [/usr/local/bin/tell]}", None)
    broker: BrokerBlock | None = key("The message broker.", "{host: localhost}", None)
    meter: MeterBlock | None = key("The water meter.", "{gpio: 27, liters_per_pulse: 0.5}", None)
    flow_from: Annotated[Literal["meter", "tape"], choice("meter", "tape")] | None = key(
        "Liters from the meter, or from minutes and the tape's flow.", "tape", None)
    master_valve: MasterValveBlock | None = key(
        "A valve before all others.", "{gpio: 22, opens_before: 5 s}", None)


# --- crops.yaml ----------------------------------------------------------------------------------


class StageBlock(Block):
    stage: Annotated[StageName, choice(*get_args(StageName))] = key("Which stage.", "initial")
    days: Days | None = key("How long it lasts.", "30", None)
    kc: Kc | None = key("Crop coefficient; only of the initial and the mid-season stage.", "1.15", None)
    kc_end: Kc | None = key("Crop coefficient on the last day; only of the late season.", "0.80", None)
    source: Any = key("A note for people.", "my own records", None)


class RootDepthBlock(Block):
    start: Length | None = key("Of the young plant.", "0.25 m", None)
    full: Length | None = key("Of the grown one.", "0.70 m", None)


class CropBlock(Block):
    """A crop, or only what differs from the shipped one."""

    also: OtherNames | None = key("Other names of it.", "[love apple]", None)
    stages: list[StageBlock] | None = key(
        "The four stages.", "[{stage: mid-season, days: 45, kc: 1.15}]", None)
    root_depth: RootDepthBlock | None = key("Depth of the roots.", "{start: 0.25 m, full: 0.70 m}", None)
    depletion: Fraction | None = key(
        "Share of the soil's water that it can use without stress.", "0.40", None)
    height: Length | None = key("Height of the grown crop.", "0.6 m", None)
    film_factor: Fraction | None = key("How much film mulch lowers its water use.", "0.20", None)
    ec_threshold: Salinity | None = key("Salinity of the soil that it bears without loss.", "2.5 dS/m", None)
    hold_last_stage: Flag | None = key(
        "A long harvest: it goes on as it is after its last day.", "true", None)
    source: Any = key("Where the figures come from: a note for people.", "my own records", None)


class CropsFile(RootModel[dict[str, CropBlock]]):
    """crops.yaml."""
