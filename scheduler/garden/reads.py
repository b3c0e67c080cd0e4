"""Ways to read one value of garden.yaml: a quantity, a whole number, one of several words, texts.

Each makes a `Reads`, which stands on a block's field: it reads what was typed, or raises ValueError with what
was expected and an example; and it says its JSON Schema.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Iterable
from dataclasses import dataclass
from typing import Any

from pydantic import Field, GetCoreSchemaHandler, GetJsonSchemaHandler
from pydantic_core import CoreSchema, core_schema

from scheduler import units
from scheduler.garden.nodes import NOTHING
from scheduler.model import Display
from scheduler.nearest import did_you_mean
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


def scalar(value: Any, noun: str, example: str) -> Any:
    """What was typed, where it is one value; ValueError for a list, keys or nothing at all.

    >>> scalar("80 ft", "a length", "24 m")
    '80 ft'
    """
    if value is NOTHING:
        raise ValueError(f'has no value - for example "{example}"')
    kinds = {list: "a list", dict: "keys"}
    if found := next((words for kind, words in kinds.items() if isinstance(value, kind)), None):
        raise ValueError(f'{found} where {noun} is expected - for example "{example}"')
    return value


def wrong(value: Any, noun: str, example: str, why: str = "") -> ValueError:
    """The complaint that a value is not what `noun` says.

    >>> str(wrong("forty", "a flow", "5.2 gpm"))
    '"forty" is not a flow - for example "5.2 gpm"'
    """
    return ValueError(f'{shown(value)} is not {noun}{why} - for example "{example}"')


def of_text(noun: str, example: str, made: Callable[[str], Any], **schema: Any) -> Reads:
    """Read with `made`, whose ValueError gives a reason, or none."""

    def read(value: Any, _: Display) -> Any:
        text = str(scalar(value, noun, example)).strip()
        try:
            return made(text)
        except (ValueError, LookupError, OSError) as error:
            raise wrong(value, noun, example, f": {why}" if (why := _reason(error)) else "") from None

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
        typed = scalar(value, spec.noun, spec.example(display))
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


def zero_or(reads: Reads) -> Reads:
    """As `reads`, and a bare 0 whatever the display: nothing needs no unit."""

    def read(value: Any, display: Display) -> Any:
        return 0.0 if isinstance(value, str) and value.strip() == "0" else reads.read(value, display)

    return Reads(read, reads.schema)


def or_usual(reads: Reads, usual: float) -> Reads:
    """As `reads`; the key alone, without a value, stands for the usual one."""

    def read(value: Any, display: Display) -> Any:
        return usual if value is NOTHING else reads.read(value, display)

    return Reads(read, {**reads.schema, "type": ["string", "number", "null"]})


def warmth(read_text: Callable[[str], float], unit: str, least: float, most: float) -> Reads:
    """A temperature or a sum of warmth, read by `read_text`, within limits; a bare number is in `unit`."""

    def read(value: Any, _: Display) -> float:
        typed = str(scalar(value, "a temperature", f"{most:g} {unit}"))
        number = read_text(typed)
        if least <= number <= most:
            return number
        in_f = f"{typed.strip()} F{unit[1:]}"
        meant = re.fullmatch(r"[0-9.]+", typed.strip()) and least <= read_text(in_f) <= most
        hint = f' - did you mean "{in_f}"?' if meant else ""
        raise ValueError(f"{shown(typed)} must be from {least:g} to {most:g} {unit}{hint}")

    return Reads(read, {"type": ["string", "number"]})


def seconds(least: float, most: float) -> Reads:
    """A few seconds; the unit must be written, because a bare duration means minutes."""
    example = f"{(least + most) / 2:.0f} s"

    def read(value: Any, display: Display) -> float:
        typed = with_unit(value, example)
        count = round(units.read("duration", typed, display=display) * 60, 6)
        if not least <= count <= most:
            raise ValueError(f"{shown(typed)} does not do: {least:g} to {most:g} s are possible")
        return count

    return Reads(read, {"type": "string"})


def with_unit(value: Any, example: str) -> Any:
    """What was typed, where it is no bare number; ValueError without a unit."""
    typed = scalar(value, "a duration", example)
    if re.fullmatch(r"[0-9.,]+", str(typed).strip()):
        raise ValueError(f'{shown(typed)} has no unit - for example "{example}"')
    return typed


def whole_number(
    least: int = 1, most: int = 10_000, noun: str = "a whole number", example: str = "6"
) -> Reads:
    """A number without a fraction, from `least` to `most`; thousands may be parted by commas.

    >>> whole_number(1, 2000).read("1,500", "us")
    1500
    """

    def made(text: str) -> int:
        if not re.fullmatch(r"[1-9][0-9]{0,2}(,[0-9]{3})+|[0-9]{1,9}", text):
            raise ValueError
        if re.match(r"0[0-9]", text):
            raise ValueError("it starts with a zero")
        number = int(text.replace(",", ""))
        if not least <= number <= most:
            raise ValueError(f"{least} to {most} are possible")
        return number

    return Reads(of_text(noun, example, made).read, {"type": "integer", "minimum": least, "maximum": most})


def some_text(
    noun: str = "a text",
    example: str = "a name",
    longest: int = 200,
    starts: Iterable[str] = ("",),
    *,
    lines: bool = False,
) -> Reads:
    """A text of at most `longest` letters that begins as one of `starts`; in one line, unless `lines`.

    >>> some_text("a path", "a.csv").read(" station.csv ", "us")
    'station.csv'
    """

    def read(value: Any, _: Display) -> str:
        typed = str(scalar(value, noun, example))
        if cut_off := getattr(value, "cut_off", None):
            raise ValueError(
                f"{shown(typed)} ends at {shown(cut_off)}, a comment to YAML - put the whole in quotes"
            )
        if not typed.strip() or len(typed) > longest or not typed.startswith(tuple(starts)):
            raise wrong(typed, noun, example)
        if not lines and ("\n" in typed.strip() or "\t" in typed.strip()):
            raise ValueError(f"{shown(typed)} must stand in one line")
        return typed.strip()

    return Reads(read, {"type": ["string", "number"]})


def choice(*words: str) -> Reads:
    """One of some words, however it is spaced and in whatever case.

    >>> choice("mid-season", "late season").read("Late  Season", "us")
    'late season'
    """

    def read(value: Any, _: Display) -> str:
        typed = " ".join(str(scalar(value, "a word", words[0])).casefold().split())
        for word in words:
            if typed == word.casefold():
                return word
        hint = did_you_mean(typed, words, "")
        raise ValueError(f"{shown(value)} is not one of: {', '.join(words)}{hint and f' - {hint}'}")

    return Reads(read, {"enum": list(words)})


def some_texts(noun: str, example: str, *, one_will_do: bool = False, least: int = 1) -> Reads:
    """A list of at least `least` texts; with `one_will_do` a single one may stand without brackets.

    >>> some_texts("a list of texts", "[a]", one_will_do=True).read("--", "us")
    ('--',)
    """

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


def key(help_text: str, example: str, default: Any = ..., **more: Any) -> Any:
    """A setting: what it is for, one example as it stands in the file, the default if it may be left out."""
    return Field(default, description=help_text, examples=[example], **more)
