"""Quantities: text with a unit at the door, the SI house unit inside.

The only conversions of the program.  `read` understands how growers write ("0.40 gpm/100ft", "80 ft 6 in",
"1 h 30 min") and refuses what could be misread.  The way back, into words for people, is `show`.
"""

from __future__ import annotations

import math
import re
import unicodedata
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from functools import reduce
from typing import Literal, NamedTuple

from scheduler.model import Display
from scheduler.nearest import did_you_mean

__all__ = ["KINDS", "BadQuantity", "Kind", "KindName", "celsius", "celsius_days", "read", "shown"]

KindName = Literal[
    "length", "depth", "pressure", "flow", "tape flow", "volume", "duration", "speed", "salinity",
    "fraction", "percent", "slope", "number",
]  # fmt: skip
"""What a quantity measures; `read` takes one of these."""


class BadQuantity(ValueError):
    """A text that is no quantity of the wanted kind; the message says what was read and what to write."""


class Size(NamedTuple):
    """How much of SI one unit is, and what it measures: powers of length, mass, time and conductance."""

    si: float
    length: int = 0
    mass: int = 0
    time: int = 0
    conductance: int = 0

    @property
    def measures(self) -> tuple[int, ...]:
        return self[1:]

    def times(self, factor: float) -> Size:
        """This unit so many times."""
        return self._replace(si=self.si * factor)

    def per(self, other: Size) -> Size:
        """This unit divided by another.

        >>> Size(0.3048, length=1).per(Size(60.0, time=1))
        Size(si=0.00508, length=1, mass=0, time=-1, conductance=0)
        """
        powers = (mine - theirs for mine, theirs in zip(self.measures, other.measures, strict=True))
        return Size(self.si / other.si, *powers)


@dataclass(frozen=True, slots=True)
class Kind:
    """One kind of quantity: its house unit, and how to speak of it."""

    noun: str
    house: str  # for people: "L/min"
    size: Size  # the same in SI
    example_us: str
    example_metric: str
    largest: float  # in the house unit; anything beyond is a slip of the pen
    signed: bool = False
    bare_in_us: bool = False  # the house unit serves both displays, so a bare number is clear

    def example(self, display: Display) -> str:
        """How a value of this kind is written, for a message."""
        return self.example_us if display == "us" else self.example_metric


_PASCAL = Size(1.0, length=-1, mass=1, time=-2)
_METER = Size(1.0, length=1)
_MILLIMETER = Size(0.001, length=1)
_LITER = Size(0.001, length=3)
_GALLON = Size(0.003785411784, length=3)  # 231 cubic inches
_SECOND = Size(1.0, time=1)
_MINUTE = Size(60.0, time=1)
_HOUR = Size(3600.0, time=1)
_DECISIEMENS = Size(0.1, conductance=1)
_ONE = Size(1.0)
_PERCENT = Size(0.01)

_SIZES: Mapping[str, Size] = {
    "m meter meters metre metres": _METER,
    "cm centimeter centimeters centimetre centimetres": Size(0.01, length=1),
    "mm millimeter millimeters millimetre millimetres": _MILLIMETER,
    "μm um micron microns micrometer micrometers micrometre micrometres": Size(1e-6, length=1),
    "km kilometer kilometers kilometre kilometres": Size(1000.0, length=1),
    "ft foot feet '": Size(0.3048, length=1),
    'in inch inches "': Size(0.0254, length=1),
    "yd yard yards": Size(0.9144, length=1),
    "mi mile miles": Size(1609.344, length=1),
    "mil mils thou": Size(0.0000254, length=1),  # of an inch; nobody lays tape by the angle of that name
    "pa pascal pascals": _PASCAL,
    "hpa mbar millibar millibars": _PASCAL.times(100),
    "kpa kilopascal kilopascals": _PASCAL.times(1000),
    "bar bars": _PASCAL.times(100_000),
    "psi psig": _PASCAL.times(6894.757293168),
    "l liter liters litre litres": _LITER,
    "ml milliliter milliliters millilitre millilitres": Size(1e-6, length=3),
    "m3 m^3": Size(1.0, length=3),
    "ft3 ft^3": Size(0.028316846592, length=3),
    "gal gals gallon gallons": _GALLON,
    "qt quart quarts": _GALLON.times(0.25),
    "s sec secs second seconds": _SECOND,
    "min mins minute minutes": _MINUTE,
    "h hr hrs hour hours": _HOUR,
    "d day days": Size(86_400.0, time=1),
    "gpm": _GALLON.per(_MINUTE),
    "gph": _GALLON.per(_HOUR),
    "lpm": _LITER.per(_MINUTE),
    "lph": _LITER.per(_HOUR),
    "mph": Size(0.44704, length=1, time=-1),
    "kph kmh": Size(1 / 3.6, length=1, time=-1),
    "kn kt knot knots": Size(1852 / 3600, length=1, time=-1),
    "ds decisiemens": _DECISIEMENS,
    "ms millisiemens mmho mmhos": Size(0.001, conductance=1),
    "μs us microsiemens": Size(1e-6, conductance=1),
    "% percent pct": _PERCENT,
}
_UNITS = {spelling: size for spellings, size in _SIZES.items() for spelling in spellings.split()}

KINDS: Mapping[str, Kind] = {
    "length": Kind("a length", "m", _METER, "80 ft", "24 m", 1e5, signed=True),
    "depth": Kind("a depth", "mm", _MILLIMETER, "0.6 in", "15 mm", 1e4, signed=True),
    "pressure": Kind("a pressure", "kPa", _PASCAL.times(1000), "12 psi", "83 kPa", 1e4),
    "flow": Kind("a flow", "L/min", _LITER.per(_MINUTE), "5.2 gpm", "20 L/min", 1e5),
    "tape flow": Kind(
        "a flow per length of tape", "L/min per m", _LITER.per(_MINUTE).per(_METER),
        "0.40 gpm/100ft", "5 L/h/m", 1e3,
    ),
    "volume": Kind("a volume", "L", _LITER, "5 gal", "20 L", 1e9),
    "duration": Kind("a duration", "minutes", _MINUTE, "45 min", "45 min", 527_040.0, bare_in_us=True),
    "speed": Kind("a speed", "m/s", _METER.per(_SECOND), "4.5 mph", "2 m/s", 150.0),
    "salinity": Kind(
        "a salinity", "dS/m", _DECISIEMENS.per(_METER), "1.1 dS/m", "1.1 dS/m", 500.0, bare_in_us=True
    ),
    "fraction": Kind("a fraction", "", _ONE, "10%", "10%", 1.0, bare_in_us=True),
    "percent": Kind("a percentage", "%", _ONE, "55%", "55%", 100.0, bare_in_us=True),
    "slope": Kind("a slope", "", _ONE, "+2%", "+2%", 1.0, signed=True, bare_in_us=True),
    "number": Kind("a number", "", _ONE, "0.5", "0.5", 1e9, signed=True, bare_in_us=True),
}  # fmt: skip


def read(kind: KindName, value: str | float, *, display: Display, bare: bool | None = None) -> float:
    """The value in the house unit of its kind: text with a unit, or a bare number where that is clear.

    A bare number is taken under display "metric", and under "us" where one house unit serves both (minutes,
    dS/m, fractions, percent); `bare` overrules that.  Raises BadQuantity, whose text is meant for the grower.

    >>> read("flow", "5 gpm", display="us")
    18.92705892
    >>> round(read("length", "80 ft 6 in", display="us"), 4)
    24.5364
    >>> [read("duration", text, display="us") for text in ("1 h 15", "1:15 h", "20min", "45 s")]
    [75.0, 75.0, 20.0, 0.75]
    """
    asked = _Asked(kind, "yes" if value is True else "no" if value is False else value, display)
    if isinstance(value, bool):
        raise asked.wrong()
    number, has_unit = _parsed(asked, value) if isinstance(value, str) else (float(value), False)
    if not has_unit and not (bare if bare is not None else display == "metric" or asked.spec.bare_in_us):
        raise BadQuantity(f'{shown(value)} has no unit - for example "{asked.example}"')
    return _in_range(asked, number)


def shown(value: object, most: int = 60) -> str:
    """A value as read, in quotes, cut to a length fit for a message.

    >>> shown("80  feets"), shown("x" * 70, most=10)
    ('"80 feets"', '"xxxxxxx..."')
    """
    text = " ".join(str(value).split())
    return f'"{text if len(text) <= most else text[: most - 3] + "..."}"'


_WARMTH = re.compile(r"([+-]?\d+(?:\.\d*)?|[+-]?\.\d+)\s*(?:deg(?:rees?)?\.?\s*|°\s*)?([CF])?", re.IGNORECASE)
_WARMTH_SUM = re.compile(_WARMTH.pattern.replace("([CF])?", "(?:([CF])[ -]?days?)?"), re.IGNORECASE)


def celsius(text: str) -> float:
    """A temperature in degC; bare, or with C or F behind it.  Raises BadQuantity.

    >>> celsius("50 F"), celsius("7.7"), celsius("-1 °C")
    (10.0, 7.7, -1.0)
    """
    number, unit = _warmth(_WARMTH, text, "a temperature", "50 F")
    return round((number - 32) / 1.8, 9) if unit == "F" else number


def celsius_days(text: str) -> float:
    """A sum of warmth in degree-days C; bare, or as C-days or F-days.  Raises BadQuantity.

    >>> celsius_days("234 F-days"), celsius_days("130")
    (130.0, 130.0)
    """
    number, unit = _warmth(_WARMTH_SUM, text, "a sum of degree-days", "130 C-days")
    return round(number / 1.8, 9) if unit == "F" else number


def _warmth(pattern: re.Pattern[str], text: str, noun: str, example: str) -> tuple[float, str]:
    found = pattern.fullmatch(text.translate(_MARKS).strip())
    if not found:
        raise BadQuantity(f'{shown(text)} is not {noun} - for example "{example}"')
    return float(found[1]), (found[2] or "C").upper()


@dataclass(frozen=True, slots=True)
class _Asked:
    """What is to be read: the kind of quantity that is wanted, the value as given, the display."""

    kind: KindName
    value: str | float
    display: Display

    @property
    def spec(self) -> Kind:
        return KINDS[self.kind]

    @property
    def example(self) -> str:
        """How a value of this kind is written, for a message."""
        return self.spec.example(self.display)

    def wrong(self, why: str = "") -> BadQuantity:
        noun = "a flow" if self.kind == "tape flow" else self.spec.noun
        return BadQuantity(f'{shown(self.value)} is not {noun}{why} - for example "{self.example}"')


def _in_range(asked: _Asked, number: float) -> float:
    kind, spec, value = asked.kind, asked.spec, shown(asked.value)
    percent_sign = "%" in str(asked.value)
    if not math.isfinite(number):
        raise asked.wrong()
    if kind == "percent" and 0 < number < 1 and not percent_sign:
        either = f'"{number * 100:g}%" or "{number:g}%"'
        raise BadQuantity(f"{value} would be less than one percent - write {either}")
    if kind in ("fraction", "slope") and abs(number) > 1:
        meant = 2 <= abs(number) <= 100 and not percent_sign
        hint = f'write "{number:g}%"' if meant else "100% is the most"
        raise BadQuantity(f"{value} is not {spec.noun}: it lies beyond 1 - {hint}")
    if abs(number) > spec.largest:
        most = f"{spec.largest:g} {spec.house}".strip()
        raise BadQuantity(f"{value} cannot be right: more than {most} - is the unit the one you mean?")
    if number < 0 and not spec.signed:
        raise BadQuantity(f"{value}: {spec.noun} cannot be negative")
    return float(f"{number:.15g}") if abs(number) > 1e-9 else 0.0  # 24 in is 0.6096 m, not 0.6095999999999999


# --- text ----------------------------------------------------------------------------------------

_DIGITS = r"(?:[1-9]\d{0,2}(?:,\d{3})+|\d+)"
_NUMBER = rf"(?:(?:{_DIGITS}[ -])?\d+/\d+|(?:{_DIGITS}(?:\.\d*)?|\.\d+)(?:e[+-]?\d+)?)"
_TERM = r"(?:(?:m|ft)\^?3(?!\d)|[a-zμ]+\.?|[%'\"])"
_UNIT = rf"{_TERM}(?:\s*(?:/|\bper\b)\s*(?:{_NUMBER}\s*)?{_TERM})*"
_PART = re.compile(rf"\s*(?P<number>{_NUMBER})\s*(?P<unit>{_UNIT})?\s*")
_FACTOR = re.compile(rf"(?:^|\s*(?:/|\bper\b)\s*(?P<count>{_NUMBER})?)\s*(?P<name>{_TERM})")
_CLOCK = re.compile(r"(\d{1,3}):(\d\d)(?::(\d\d))?$")
_CLOCK_WITH_UNIT = re.compile(r"^(\d{1,3}):0?([0-5]?[0-9])\s*([a-z]+\.?)$")
"""1:15 h is 1 h 15, 1:30 min is 1 min 30."""
_DECIMAL_COMMA = re.compile(r"\d*,\d+")
_LEADING_ZERO = re.compile(r"(?<![a-z\d.,/])(?<!e[+-])0\d")
_MARKS = str.maketrans("’′‘”“″−–⁄", "'''\"\"\"--/")
_LONGEST_TEXT = 80
_NEXT_SMALLER: Mapping[Size | None, str] = {_HOUR: "min", _MINUTE: "s"}


def _parsed(asked: _Asked, value: str) -> tuple[float, bool]:
    """Value in the house unit, and whether a unit was written."""
    if len(value) > _LONGEST_TEXT:
        raise asked.wrong()
    text = _CLOCK_WITH_UNIT.sub(r"\1 \3 \2", _tidy(value))
    _refuse_look_alikes(asked, value, text)
    sign, text = (-1.0, text[1:]) if text.startswith("-") else (1.0, text.removeprefix("+"))
    parts = _split(text) if not text[:1].isspace() else None
    if not parts:
        raise asked.wrong()
    if len(parts) > 1:
        return sign * _sum(asked, parts), True
    number, unit = parts[0]
    return (sign * number * _in_house(asked, unit), True) if unit else (sign * number, False)


def _tidy(text: str) -> str:
    spaced = "".join(f" {c}" if unicodedata.category(c) == "No" and c >= "¼" else c for c in text)
    plain = unicodedata.normalize("NFKC", spaced.translate(_MARKS)).translate(_MARKS).casefold()
    cubed = re.sub(r"\b(?:cubic|cu\.?) +(m|ft)(?:et(?:er|re)s?|eet)?\b", r"\g<1>3", plain.strip())
    return re.sub(r"\bcubic f(?:oo|ee)t\b", "ft3", cubed.replace("''", '"').replace("'-", "' "))


def _refuse_look_alikes(asked: _Asked, value: str, text: str) -> None:
    """What reads in two ways: 2:30, 0,40, 010."""
    if clock := _CLOCK.match(text):
        if asked.spec.size != _MINUTE:
            raise asked.wrong()
        raise BadQuantity(f"{shown(value)} looks like a time of day - write {_as_duration(*clock.groups())}")
    for comma in _DECIMAL_COMMA.finditer(text):
        if not re.fullmatch(rf",\d{{3}}|{_DIGITS}", comma.group()):
            mend = value.strip().replace(",", ".")
            raise BadQuantity(f'{shown(value)} has a decimal comma - write the point as a dot: "{mend}"')
    if _LEADING_ZERO.search(text):
        raise BadQuantity(f"{shown(value)} starts with a zero, which reads in two ways - leave the zero out")


def _as_duration(first: str, second: str, third: str | None) -> str:
    """What a clock's digits may mean as a length of time."""
    big, small = int(first), int(second)
    if third:
        return f'"{big} h {small} min {int(third)} s"'
    if big:
        return f'"{big} h {small} min" or "{big} min {small} s"'
    return f'"{small} min" or "{small} s"'


def _split(text: str) -> list[tuple[float, str | None]] | None:
    """Numbers with their units, where they have any; None where the text is something else."""
    parts: list[tuple[float, str | None]] = []
    at = 0
    while at < len(text):
        part = _PART.match(text, at)
        number = _number(part["number"]) if part else None
        if part is None or number is None:
            return None
        parts.append((number, part["unit"]))
        at = part.end()
    return parts


def _number(text: str) -> float | None:
    """A number as growers write it: 1,500 or 3/4 or 1-1/2 or 1.5e-3; None for a division by zero."""
    whole, slash, below = text.replace(",", "").rpartition("/")
    if not slash:
        return float(below)
    *units, above = re.split(r"[ -]", whole)
    if int(below) == 0:
        return None
    return (float(units[0]) if units else 0.0) + int(above) / int(below)


def _sum(asked: _Asked, parts: list[tuple[float, str | None]]) -> float:
    """Such as "80 ft 6 in", "1 h 30 min", "1h30": units get smaller; a time may end without one."""
    *_, (_, last_but_one), (number, last) = parts
    if last is None:
        parts = [*parts[:-1], (number, _NEXT_SMALLER.get(_size(last_but_one or "")))]
    total, before = 0.0, math.inf
    for number, unit in parts:
        if asked.spec.size not in (_METER, _MILLIMETER, _MINUTE) or not unit:
            raise asked.wrong()
        size = _in_house(asked, unit)
        if size >= before or (before < math.inf and number * size >= before):
            raise asked.wrong()
        total, before = total + number * size, size
    return total


def _in_house(asked: _Asked, unit: str) -> float:
    """How many house units one `unit` is; raises BadQuantity for an unknown unit or another dimension."""
    spec, factors = asked.spec, list(_FACTOR.finditer(unit))
    divisor = math.prod(_number(factor["count"]) or 0.0 for factor in factors if factor["count"])
    if not divisor:
        raise asked.wrong()
    sizes = [_known(asked, factor["name"]) for factor in factors]
    whole = reduce(Size.per, sizes)
    if whole.measures != spec.size.measures or asked.kind == "number":
        if other := _noun_of(sizes, whole):
            message = f'{shown(asked.value)} is {other}, not {spec.noun} - for example "{asked.example}"'
            raise BadQuantity(message)
        raise asked.wrong()
    return whole.si / spec.size.si / divisor * (100.0 if asked.kind == "percent" else 1.0)


def _size(name: str) -> Size | None:
    return _UNITS.get(name.strip().rstrip("."))


def _known(asked: _Asked, name: str) -> Size:
    if size := _size(name):
        return size
    hint = did_you_mean(name, _UNITS, "") if len(name) > 2 else ""
    raise asked.wrong(f': no unit "{name}" is known{hint and f" ({hint})"}')


def _noun_of(sizes: Sequence[Size], whole: Size) -> str | None:
    """What a unit measures, in words; of pure numbers only the percentage has any."""
    if _PERCENT in sizes:
        return KINDS["percent"].noun
    of_kind = (kind.noun for kind in KINDS.values() if kind.size.measures == whole.measures)
    return next(of_kind, None) if any(whole.measures) else None
