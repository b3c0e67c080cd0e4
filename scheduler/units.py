"""Quantities: text with a unit at the door, the SI house unit inside.

The only conversions of the program.  `read` understands how growers write ("0.40 gpm/100ft", "80 ft 6 in",
"1 h 30 min") and refuses what could be misread.  The way back, into words for people, is `show`.
"""

from __future__ import annotations

import math
import re
import unicodedata
from collections.abc import Mapping
from dataclasses import dataclass
from difflib import get_close_matches
from functools import cache
from typing import TYPE_CHECKING, Literal

from scheduler.model import Display

if TYPE_CHECKING:
    from pint import UnitRegistry

__all__ = ["KINDS", "BadQuantity", "Kind", "KindName", "read", "shown"]

KindName = Literal[
    "length", "depth", "pressure", "flow", "tape flow", "volume", "duration", "speed", "salinity",
    "fraction", "percent", "slope", "number",
]  # fmt: skip
"""What a quantity measures; `read` takes one of these."""


class BadQuantity(ValueError):
    """A text that is no quantity of the wanted kind; the message says what was read and what to write."""


@dataclass(frozen=True, slots=True)
class Kind:
    """One kind of quantity: its house unit, and how to speak of it."""

    noun: str
    house: str  # for people: "L/min"
    unit: str  # the same for pint; "" = a pure number
    example_us: str
    example_metric: str
    largest: float  # in the house unit; anything beyond is a slip of the pen
    signed: bool = False
    bare_in_us: bool = False  # the house unit serves both displays, so a bare number is clear

    def example(self, display: Display) -> str:
        return self.example_us if display == "us" else self.example_metric


KINDS: Mapping[str, Kind] = {
    "length": Kind("a length", "m", "meter", "80 ft", "24 m", 1e5, signed=True),
    "depth": Kind("a depth", "mm", "millimeter", "0.6 in", "15 mm", 1e4, signed=True),
    "pressure": Kind("a pressure", "kPa", "kilopascal", "12 psi", "83 kPa", 1e4),
    "flow": Kind("a flow", "L/min", "liter / minute", "5.2 gpm", "20 L/min", 1e5),
    "tape flow": Kind(
        "a flow per length of tape", "L/min per m", "liter / minute / meter",
        "0.40 gpm/100ft", "5 L/h/m", 1e3,
    ),
    "volume": Kind("a volume", "L", "liter", "5 gal", "20 L", 1e9),
    "duration": Kind("a duration", "minutes", "minute", "45 min", "45 min", 527_040.0, bare_in_us=True),
    "speed": Kind("a speed", "m/s", "meter / second", "4.5 mph", "2 m/s", 150.0),
    "salinity": Kind(
        "a salinity", "dS/m", "decisiemens / meter", "1.1 dS/m", "1.1 dS/m", 500.0, bare_in_us=True
    ),
    "fraction": Kind("a fraction", "", "", "10%", "10%", 1.0, bare_in_us=True),
    "percent": Kind("a percentage", "%", "", "55%", "55%", 100.0, bare_in_us=True),
    "slope": Kind("a slope", "", "", "+2%", "+2%", 1.0, signed=True, bare_in_us=True),
    "number": Kind("a number", "", "", "0.5", "0.5", 1e9, signed=True, bare_in_us=True),
}  # fmt: skip

_SPELLINGS: Mapping[str, str] = {
    "meter": "m meter meters metre metres",
    "centimeter": "cm centimeter centimeters centimetre centimetres",
    "millimeter": "mm millimeter millimeters millimetre millimetres",
    "micrometer": "μm um micron microns micrometer micrometers micrometre micrometres",
    "kilometer": "km kilometer kilometers kilometre kilometres",
    "foot": "ft foot feet '",
    "inch": 'in inch inches "',
    "yard": "yd yard yards",
    "mile": "mi mile miles",
    "mil": "mil mils thou",
    "pascal": "pa pascal pascals",
    "hectopascal": "hpa mbar millibar millibars",
    "kilopascal": "kpa kilopascal kilopascals",
    "bar": "bar bars",
    "psi": "psi psig",
    "liter": "l liter liters litre litres",
    "milliliter": "ml milliliter milliliters millilitre millilitres",
    "cubic_meter": "m3 m^3",
    "cubic_foot": "ft3 ft^3",
    "gallon": "gal gals gallon gallons",
    "quart": "qt quart quarts",
    "second": "s sec secs second seconds",
    "minute": "min mins minute minutes",
    "hour": "h hr hrs hour hours",
    "day": "d day days",
    "gallon / minute": "gpm",
    "gallon / hour": "gph",
    "liter / minute": "lpm",
    "liter / hour": "lph",
    "mile / hour": "mph",
    "kilometer / hour": "kph kmh",
    "knot": "kn kt knot knots",
    "decisiemens": "ds decisiemens",
    "millisiemens": "ms millisiemens mmho mmhos",
    "microsiemens": "μs us microsiemens",
    "percent": "% percent pct",
}
_UNITS = {spelling: unit for unit, spellings in _SPELLINGS.items() for spelling in spellings.split()}

_DEFINITIONS = (
    "meter = [length]",
    "second = [time]",
    "kilogram = [mass]",
    "siemens = [conductance]",
    "centimeter = 0.01 * meter",
    "millimeter = 0.001 * meter",
    "micrometer = 0.000001 * meter",
    "kilometer = 1000 * meter",
    "foot = 0.3048 * meter",
    "inch = 0.0254 * meter",
    "yard = 0.9144 * meter",
    "mile = 1609.344 * meter",
    "mil = 0.0000254 * meter",
    "pascal = kilogram / meter / second ** 2",
    "hectopascal = 100 * pascal",
    "kilopascal = 1000 * pascal",
    "bar = 100000 * pascal",
    "psi = 6894.757293168 * pascal",
    "cubic_meter = meter ** 3",
    "liter = 0.001 * meter ** 3",
    "milliliter = 0.001 * liter",
    "cubic_foot = foot ** 3",
    "gallon = 3.785411784 * liter",
    "quart = 0.25 * gallon",
    "minute = 60 * second",
    "hour = 3600 * second",
    "day = 86400 * second",
    "knot = 1.852 * kilometer / hour",
    "decisiemens = 0.1 * siemens",
    "millisiemens = 0.001 * siemens",
    "microsiemens = 0.000001 * siemens",
    "percent = 0.01",
)

_DIGITS = r"(?:[1-9]\d{0,2}(?:,\d{3})+|\d+)"
_NUMBER = rf"(?:(?:{_DIGITS}[ -])?\d+/\d+|(?:{_DIGITS}(?:\.\d*)?|\.\d+)(?:e[+-]?\d+)?)"
_TERM = r"(?:(?:m|ft)\^?3(?!\d)|[a-zμ]+\.?|[%'\"])"
_UNIT = rf"{_TERM}(?:\s*(?:/|\bper\b)\s*(?:{_NUMBER}\s*)?{_TERM})*"
_PART = re.compile(rf"\s*(?P<number>{_NUMBER})\s*(?P<unit>{_UNIT})?\s*")
_DENOMINATOR = re.compile(rf"\s*(?:/|\bper\b)\s*(?P<factor>{_NUMBER})?\s*(?P<term>{_TERM})")
_CLOCK = re.compile(r"(\d{1,3}):(\d\d)(?::(\d\d))?$")
_DECIMAL_COMMA = re.compile(r"\d*,\d+")
_LEADING_ZERO = re.compile(r"(?<![a-z\d.,/])(?<!e[+-])0\d")
_MARKS = str.maketrans("’′‘”“″−–⁄", "'''\"\"\"--/")
_LONGEST_TEXT = 80


def read(kind: KindName, value: str | float, *, display: Display, bare: bool | None = None) -> float:
    """The value in the house unit of its kind: text with a unit, or a bare number where that is clear.

    A bare number is taken under display "metric", and under "us" where one house unit serves both (minutes,
    dS/m, fractions, percent); `bare` overrules that.  Raises BadQuantity, whose text is meant for the grower.

    >>> read("flow", "5 gpm", display="us")
    18.92705892
    >>> round(read("length", "80 ft 6 in", display="us"), 4)
    24.5364
    """
    spec = KINDS[kind]
    if isinstance(value, bool):
        raise _not(spec, "yes" if value else "no", display)
    if isinstance(value, str):
        number, has_unit = _parse(spec, value, display)
    else:
        number, has_unit = float(value), False
    if not has_unit and not (bare if bare is not None else display == "metric" or spec.bare_in_us):
        raise BadQuantity(f'{shown(value)} has no unit - for example "{spec.example(display)}"')
    return _in_range(kind, spec, number, value, display)


def shown(value: object, most: int = 60) -> str:
    """A value as read, in quotes, cut to a length fit for a message."""
    text = " ".join(str(value).split())
    return f'"{text if len(text) <= most else text[: most - 3] + "..."}"'


def _not(spec: Kind, value: object, display: Display, why: str = "") -> BadQuantity:
    noun = "a flow" if spec is KINDS["tape flow"] else spec.noun
    return BadQuantity(f'{shown(value)} is not {noun}{why} - for example "{spec.example(display)}"')


def _in_range(kind: KindName, spec: Kind, number: float, value: object, display: Display) -> float:
    if math.isnan(number) or math.isinf(number):
        raise _not(spec, value, display)
    if kind == "percent" and 0 < number < 1 and "%" not in str(value):
        either = f'"{number * 100:g}%" or "{number:g}%"'
        raise BadQuantity(f"{shown(value)} would be less than one percent - write {either}")
    if kind in ("fraction", "slope") and abs(number) > 1:
        hint = (
            f'write "{number:g}%"'
            if 2 <= abs(number) <= 100 and "%" not in str(value)
            else "100% is the most"
        )
        raise BadQuantity(f"{shown(value)} is not {spec.noun}: it lies beyond 1 - {hint}")
    if abs(number) > spec.largest:
        most = f"{spec.largest:g} {spec.house}".strip()
        raise BadQuantity(f"{shown(value)} cannot be right: more than {most} - is the unit the one you mean?")
    if number < 0 and not spec.signed:
        raise BadQuantity(f"{shown(value)}: {spec.noun} cannot be negative")
    return float(f"{number:.15g}") if abs(number) > 1e-9 else 0.0  # 24 in is 0.6096 m, not 0.6095999999999999


# --- text ----------------------------------------------------------------------------------------


def _tidy(text: str) -> str:
    spaced = "".join(f" {c}" if unicodedata.category(c) == "No" and c >= "¼" else c for c in text)
    plain = unicodedata.normalize("NFKC", spaced.translate(_MARKS)).translate(_MARKS).casefold()
    cubed = re.sub(r"\b(?:cubic|cu\.?) +(m|ft)(?:et(?:er|re)s?|eet)?\b", r"\g<1>3", plain.strip())
    return re.sub(r"\bcubic f(?:oo|ee)t\b", "ft3", cubed.replace("''", '"').replace("'-", "' "))


def _parse(spec: Kind, value: str, display: Display) -> tuple[float, bool]:
    """Value in the house unit, and whether a unit was written."""
    if len(value) > _LONGEST_TEXT:
        raise _not(spec, value, display)
    text = _tidy(value)
    _refuse_look_alikes(spec, value, text, display)
    sign, text = (-1.0, text[1:]) if text.startswith("-") else (1.0, text.removeprefix("+"))
    parts = _split(text) if not text[:1].isspace() else None
    if not parts:
        raise _not(spec, value, display)
    if len(parts) == 1:
        number, unit = parts[0]
        if unit is None:
            return sign * number, False
        return sign * number * _in_house(spec, value, unit, display), True
    return sign * _sum(spec, value, parts, display), True


def _refuse_look_alikes(spec: Kind, value: str, text: str, display: Display) -> None:
    if clock := _CLOCK.match(text):
        hours, minutes, seconds = clock.groups()
        if spec.unit != "minute":
            raise _not(spec, value, display)
        big, small = int(hours), int(minutes)
        if seconds:
            mend = f'"{big} h {small} min {int(seconds)} s"'
        elif big:
            mend = f'"{big} h {small} min" or "{big} min {small} s"'
        else:
            mend = f'"{small} min" or "{small} s"'
        raise BadQuantity(f"{shown(value)} looks like a time of day - write {mend}")
    for found in _DECIMAL_COMMA.finditer(text):
        if not re.fullmatch(r",\d{3}", found.group()) and not re.fullmatch(rf"{_DIGITS}", found.group()):
            mend = value.strip().replace(",", ".")
            raise BadQuantity(f'{shown(value)} has a decimal comma - write the point as a dot: "{mend}"')
    if _LEADING_ZERO.search(text):
        raise BadQuantity(f"{shown(value)} starts with a zero, which reads in two ways - leave the zero out")


def _split(text: str) -> list[tuple[float, str | None]] | None:
    parts: list[tuple[float, str | None]] = []
    at = 0
    while at < len(text):
        part = _PART.match(text, at)
        if not part:
            return None
        number = _number(part["number"])
        if number is None:
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


def _sum(spec: Kind, value: str, parts: list[tuple[float, str | None]], display: Display) -> float:
    """Such as "80 ft 6 in", "1 h 30 min", "1h30": units get smaller; a time may end without one."""
    total, before = 0.0, math.inf
    for i, (number, unit) in enumerate(parts):
        if unit is None:
            last_unit = _canonical(parts[i - 1][1] or "")
            unit = {"hour": "min", "minute": "s"}.get(last_unit, "") if i == len(parts) - 1 and i else ""
        if spec.unit not in ("meter", "millimeter", "minute") or not unit:
            raise _not(spec, value, display)
        size = _in_house(spec, value, unit, display)
        if size >= before or (i and number * size >= before):
            raise _not(spec, value, display)
        total, before = total + number * size, size
    return total


def _canonical(unit: str) -> str:
    return _UNITS.get(unit.strip().rstrip("."), "")


# --- units ---------------------------------------------------------------------------------------


def _in_house(spec: Kind, value: str, unit: str, display: Display) -> float:
    """How many house units one `unit` is; raises BadQuantity for an unknown unit or another dimension."""
    first = re.match(_TERM, unit)
    assert first  # the pattern of a part begins with a term
    terms = [(1.0, first.group())]
    for below in _DENOMINATOR.finditer(unit, first.end()):
        factor = _number(below["factor"]) if below["factor"] else 1.0
        if not factor:
            raise _not(spec, value, display)
        terms.append((factor, below["term"]))
    for _, term in terms:
        if not _canonical(term):
            near = get_close_matches(term, _UNITS, n=1) if len(term) > 2 else []
            hint = f' (did you mean "{near[0]}"?)' if near else ""
            raise _not(spec, value, display, f': no unit "{term}" is known{hint}')
    names = "/".join(f"({_canonical(term)})" for _, term in terms)
    divisor = math.prod(factor for factor, _ in terms)
    per_house = _conversion(names, spec.unit)
    if per_house is None or (spec is KINDS["number"] and unit):
        other = _kind_of(names)
        if other:
            message = f'{shown(value)} is {other}, not {spec.noun} - for example "{spec.example(display)}"'
            raise BadQuantity(message)
        raise _not(spec, value, display)
    return per_house / divisor * (100.0 if spec is KINDS["percent"] else 1.0)


def _kind_of(names: str) -> str | None:
    if "percent" in names:
        return KINDS["percent"].noun
    return next((k.noun for k in KINDS.values() if k.unit and _conversion(names, k.unit) is not None), None)


@cache
def _conversion(names: str, house: str) -> float | None:
    """House units in one of `names`; None where the dimensions differ."""
    registry = _registry()
    one = registry.Quantity(1.0, names)
    if one.dimensionality != registry.get_dimensionality(house):
        return None
    return float(one.to(house).magnitude)


@cache
def _registry() -> UnitRegistry[float]:
    """The trade's units and nothing else: the library's own table reads mil as an angle and lacks gpm."""
    import pint  # 0.3 s, and it brings numpy: only where a quantity with a unit is read

    registry: UnitRegistry[float] = pint.UnitRegistry(None)
    registry.load_definitions(_DEFINITIONS)
    return registry
