"""Values in place of some of garden.yaml's, by key: `supply.flow`, `zones.*.tape`, `zones.beans.soil`.

They come through the same door: what is wrong with one is said as of the file, with where it was typed.
"""

from __future__ import annotations

import re
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import Any

from pydantic import BaseModel
from pydantic.fields import FieldInfo

from scheduler.garden.blocks import GardenBlock
from scheduler.garden.complaints import inner_model, is_list, is_names, keys_of
from scheduler.garden.nodes import At, Broken, Node, Word, composed
from scheduler.garden.sheet import Sheet
from scheduler.nearest import did_you_mean
from scheduler.units import shown

ALL = "*"
_STEP = re.compile(r"\.?([^.\[\]]+)|\[(\d+|\*)\]")


@dataclass(frozen=True, slots=True)
class Change:
    """key: as typed; text: the value as YAML; where: for complaints, such as "--vary 2, value 1"."""

    key: str
    text: str
    where: str


class WrongKey(ValueError):
    """A key that garden.yaml has not, or not here; the text says why."""


def put(sheet: Sheet, change: Change) -> None:
    """The change in the sheet, at every place that its key names; a value that is no YAML is complained of.

    Raises WrongKey.
    """
    node = value_of(sheet, change)
    for at, instead_of in places(sheet, change.key):
        if node is not None:
            sheet.put(at, node, change.where, instead_of=instead_of)


def value_of(sheet: Sheet, change: Change) -> Node | None:
    """The value as nodes; None, and a complaint on the sheet, where it is no YAML."""
    try:
        node = composed(change.text, lambda *_: None)
    except Broken as error:
        sheet.complain_of_put(change.where, f"{change.key}: {error.text}")
        return None
    return node or Node(1, _empty())


def _empty() -> Word:
    word = Word("")
    word.quoted, word.cut_off = False, None
    return word


def steps_of(key: str) -> list[str | int]:
    """The steps of a key as typed; a place in a list counts from 0, `*` stays.

    >>> steps_of("zones.*.plantings[1].crop")
    ['zones', '*', 'plantings', 0, 'crop']
    """
    found: list[str | int] = []
    end = 0
    for match in _STEP.finditer(key):
        if match.start() != end:
            raise WrongKey(f'"{key}" is no key - for example supply.flow')
        name, place = match.groups()
        found.append(name.strip() if name else ALL if place == ALL else int(place) - 1)
        end = match.end()
    if end != len(key) or not found:
        raise WrongKey(f'"{key}" is no key - for example supply.flow')
    return found


def places(sheet: Sheet, key: str) -> Iterator[tuple[At, tuple[str, ...]]]:
    """Where a key's value goes in this file, and the keys beside it that it stands for there.

    Raises WrongKey, with the nearest known key or name.
    """
    yield from _places(sheet, GardenBlock, (), steps_of(key), key)


def _places(
    sheet: Sheet, block: type[BaseModel], at: At, steps: Sequence[str | int], key: str
) -> Iterator[tuple[At, tuple[str, ...]]]:
    """Of a mapping with the keys of `block`."""
    step, rest = str(steps[0]), steps[1:]
    info = keys_of(block).get(step)
    if info is None:
        known = keys_of(block)
        hint = _in_a_block(step, block) or did_you_mean(step, known, f"known here: {', '.join(known)}")
        which = "" if step == key else f" {shown(step)}"
        raise WrongKey(f"{key}: unknown key{which} - {hint}")
    if not rest:
        one_of: tuple[str, ...] = getattr(block, "one_of", ())
        yield (*at, step), tuple(other for other in one_of if other != step) if step in one_of else ()
    else:
        yield from _below(sheet, info, (*at, step), rest, key)


def _in_a_block(step: str, block: type[BaseModel]) -> str | None:
    """Of a key that stands one block further down: the whole key."""
    for name, info in keys_of(block).items():
        inner = inner_model(info.annotation)
        if inner and not is_list(info.annotation) and step in keys_of(inner):
            whose = f"{name}.{ALL}" if is_names(info.annotation) else name
            return f"did you mean {shown(f'{whose}.{step}')}?"
    return None


def _below(
    sheet: Sheet, info: FieldInfo, at: At, steps: Sequence[str | int], key: str
) -> Iterator[tuple[At, tuple[str, ...]]]:
    inner = inner_model(info.annotation)
    if inner is None:
        raise WrongKey(f"{key}: {sheet.path(at)} is one value, with no keys below it")
    if is_names(info.annotation) or is_list(info.annotation):
        for one in _chosen(sheet, at, steps[0], key, named=is_names(info.annotation)):
            if len(steps) == 1:
                yield (*at, one), ()
            else:
                yield from _places(sheet, inner, (*at, one), steps[1:], key)
    else:
        yield from _places(sheet, inner, at, steps, key)


def _chosen(sheet: Sheet, at: At, step: str | int, key: str, *, named: bool) -> Sequence[str | int]:
    """The names or places that a step means."""
    known: list[Any] = list(sheet.keys_at(at)) if named else list(range(sheet.length_at(at)))
    if step == ALL and known:
        return known
    if step in known or (str(step) in known):
        return [step if step in known else str(step)]
    here = sheet.path(at)
    if not named:
        raise WrongKey(f"{key}: {here} has {len(known)}, counted from [1]")
    hint = did_you_mean(str(step), known, f"known here: {', '.join(known) or 'none'}")
    raise WrongKey(f'{key}: no "{step}" in {here} - {hint}')
