"""The commented starter garden.yaml, made from the blocks.

In the starter a setting that is switched off is a line `#key: value`; prose has a space after its `#`.
Taking the `#` away switches a setting on.
"""

from __future__ import annotations

import json
import re
import textwrap
from collections.abc import Collection, Iterable, Iterator, Mapping
from dataclasses import dataclass, replace
from typing import Any

import yaml
from pydantic import BaseModel
from pydantic.fields import FieldInfo

from scheduler.errors import BadGarden
from scheduler.garden.blocks import GardenBlock
from scheduler.garden.complaints import inner_model, is_names, keys_of
from scheduler.garden.file import load_text

__all__ = ["Answers", "short_text", "starter_text", "wrong_answer"]

GARDEN_SCHEMA_FILE = "garden.schema.json"  # written beside garden.yaml, which names it in its first line
CROPS_SCHEMA_FILE = "crops.schema.json"
REFERENCE_FILE = "garden.reference.yaml"
_WIDTH = 100


@dataclass(frozen=True, slots=True)
class Answers:
    """What `rowwater init` asks, as the grower typed it; the defaults are those of an invented plot."""

    garden: str = "Creekside plot"
    latitude: str = "35.61"
    longitude: str = "-82.44"
    elevation: str = "2130 ft"
    timezone: str = "America/New_York"
    display: str = "us"
    bucket_volume: str = "5 gal"
    bucket_time: str = "58 s"
    pressure: str | None = "12 psi"
    hours_from: str | None = "04:00"
    hours_until: str | None = "10:00"
    tape: str = "thin"
    tape_flow: str = "0.40 gpm/100ft"
    zone: str = "tomatoes"
    row_count: str = "6"
    row_length: str = "80 ft"
    row_spacing: str = "5 ft"
    tape_depth: str = "4 in"
    soil: str = "sandy loam"
    crop: str = "tomato"
    planted: str = "2026-04-20"
    gpio: str | None = None  # without a pin the zone is opened by hand


_HEADER = """\
# Lines such as `#key: value` are settings that are switched off: take the # away to use one.
# Any quantity carries its unit: 80 ft, 24 in, 12 psi, 5.2 gpm, 0.40 gpm/100ft, 58 s, 10%.
# `rowwater check` reads this file and says what is wrong with it, line by line.
#
# Before a valve hangs on this program: a normally closed valve, a hand valve in reach, a backflow
# preventer where your supplier asks for one, and you beside it for the first runs. Mains wiring is for a
# licensed electrician; local codes come before anything written here.
"""


def starter_text(answers: Answers | None = None) -> str:
    """A garden.yaml that loads as it stands, with every setting it could have in it as a comment."""
    values = _values(answers or Answers())
    parts = ["\n".join(_entry(key, info, values)) for key, info in keys_of(GardenBlock).items()]
    modeline = f"# yaml-language-server: $schema={GARDEN_SCHEMA_FILE}\n"
    return modeline + _HEADER + "\n" + "\n\n".join(parts) + "\n"


def short_text(answers: Answers) -> str:
    """A garden.yaml of what was answered alone; `starter_text` is the reference that goes with it."""
    modeline = f"# yaml-language-server: $schema={GARDEN_SCHEMA_FILE}\n"
    more = f"# Every other setting, with its explanation, stands in {REFERENCE_FILE} beside this file.\n"
    return modeline + more + _HEADER.partition("\n")[2] + "\n" + "\n".join(_bare(_values(answers))) + "\n"


_REMARKS = {
    "tape_depth": "0: on the ground. What evaporates hangs on it, and whether a seed gets wet",
    "planted": "watered until it is pulled: add `pulled:`, or say so: rowwater note pulled ZONE",
}
"""What the short garden.yaml says of single settings."""


def _bare(values: Mapping[str, Any]) -> Iterator[str]:
    """Blocks with few comments; a list's items each in a block of their own."""
    for key, value in values.items():
        if isinstance(value, str):
            remark = f"  # {_REMARKS[key]}" if key in _REMARKS else ""
            yield f"{_yaml(key)}: {_yaml(value)}{remark}"
            continue
        yield f"{_yaml(key)}:"
        for item in value if isinstance(value, list) else ():
            yield from _indented(_item(_bare(item)))
        if isinstance(value, Mapping):
            yield from _indented(_bare(value))


_PLACE = ("latitude", "longitude", "elevation", "timezone")


def wrong_answer(name: str, given: Mapping[str, str]) -> str | None:
    """What is wrong with the answer `name` beside the place and units given so far; None if nothing is."""
    place = _PLACE[: _PLACE.index(name) + 1] if name in _PLACE else ()
    known = {key: given[key] for key in (*place, "display", name) if key in given}
    clock = {} if name == "timezone" else {"timezone": "UTC"}  # whether it fits shows when all is known
    try:
        load_text(starter_text(replace(Answers(), **{**known, **clock})))
    except BadGarden as error:
        return error.complaints[0].partition(": ")[2]
    return None


def _values(given: Answers) -> dict[str, Any]:
    hours = {"from": given.hours_from, "until": given.hours_until}
    valve = {"gpio": {"pin": given.gpio}} if given.gpio else {"by_hand": "true"}
    planting = {"crop": given.crop, "planted": given.planted}
    rows = {"count": given.row_count, "length": given.row_length, "spacing": given.row_spacing}
    supply = {
        "bucket": {"volume": given.bucket_volume, "time": given.bucket_time},
        "pressure": given.pressure,
        "hours": hours if given.hours_from and given.hours_until else None,
    }
    return {
        "garden": given.garden,
        "location": {
            "latitude": given.latitude, "longitude": given.longitude, "elevation": given.elevation,
            "timezone": given.timezone,
        },
        "display": given.display,
        "weather": {"sources": [{"service": "open-meteo"}]},
        "supply": {key: value for key, value in supply.items() if value is not None},
        "tapes": {given.tape: {"flow": given.tape_flow}},
        "zones": {
            given.zone: {
                "rows": rows, "tape": given.tape, "tape_depth": given.tape_depth, "soil": given.soil,
                "plantings": [planting], "valve": valve,
            }
        },
    }  # fmt: skip


# --- rendering -----------------------------------------------------------------------------------


def _block(model: type[BaseModel], values: Mapping[str, Any], without: Collection[str] = ()) -> Iterator[str]:
    """Lines of a block, not indented; `values`: key -> text, block, or None for its example."""
    for key, info in keys_of(model).items():
        if key not in without:
            yield from _entry(key, info, values)


def _entry(key: str, info: FieldInfo, values: Mapping[str, Any]) -> Iterator[str]:
    """A setting under its prose; switched off unless `values` or the model want it."""
    yield from (f"# {line}" for line in textwrap.wrap(str(info.description), _WIDTH))
    lines = _setting(key, info, values.get(key))
    yield from lines if key in values or info.is_required() else _off(lines)


def _setting(key: str, info: FieldInfo, value: Any) -> Iterator[str]:
    inner = inner_model(info.annotation)
    if inner is None or isinstance(value, str):
        yield f"{key}: {example_of(info) if value is None else _yaml(value)}"
        return
    yield f"{key}:"
    value = _example_block(info, inner) if value is None else value
    if is_names(info.annotation):
        for name, block in value.items():
            yield from _indented((f"{_yaml(name)}:", *_indented(_block(inner, block))))
    elif isinstance(value, list) and not getattr(inner, "short_is_list", False):
        yield from _indented(_items(inner, value))
    else:
        yield from _indented(_block(inner, value))


def _example_block(info: FieldInfo, inner: type[BaseModel]) -> Any:
    """The example as keys; a plain text where a block could stand becomes the block."""
    value = yaml.load(example_of(info), Loader=yaml.BaseLoader)
    short = isinstance(value, list if getattr(inner, "short_is_list", False) else str)
    return {getattr(inner, "short_for", ""): value} if short else value


def _items(model: type[BaseModel], values: list[dict[str, Any]]) -> Iterator[str]:
    """The items of a list; where each is one of several kinds, the kinds not used follow, switched off."""
    kinds: tuple[str, ...] = getattr(model, "one_of", ())
    for value in values:
        yield from _item(_block(model, value, [kind for kind in kinds if kind not in value]))
    for kind in kinds:
        if not any(kind in value for value in values):
            info = keys_of(model)[kind]
            yield f"# {info.description}"
            yield from _off(_item(_setting(kind, info, None)))


def _item(lines: Iterable[str]) -> Iterator[str]:
    """As one item of a list: the dash stands before the first line that is no comment."""
    begun = False
    for line in lines:
        dash = "" if line.startswith("#") else "- "
        yield f"  {line}" if begun else f"{dash}{line}"
        begun = begun or bool(dash)


def _off(lines: Iterable[str]) -> Iterator[str]:
    return (f"#{line}" for line in lines)


def _indented(lines: Iterable[str]) -> Iterator[str]:
    return (f"  {line}" for line in lines)


def example_of(info: FieldInfo) -> str:
    """The example of a setting as it stands in the file; empty where it has none."""
    return str(info.examples[0]) if info.examples else ""


def _yaml(text: str | list[str]) -> str:
    """A text, or a list of them, as YAML in one line, in quotes where it needs them."""
    if isinstance(text, list):
        return f"[{', '.join(map(_yaml, text))}]"
    if re.fullmatch(r"[A-Za-z0-9+-][A-Za-z0-9.,/%_+ -]*(?<! )", text) and not text.startswith(("- ", "--")):
        return text
    return json.dumps(text, ensure_ascii=False)
