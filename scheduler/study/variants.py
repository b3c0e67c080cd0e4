"""The variants of a study: every combination of the varied keys' values, or a sample of them."""

from __future__ import annotations

import itertools
import math
import re
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field

from scheduler.errors import BadInput
from scheduler.garden.changes import Change, WrongKey
from scheduler.garden.file import GardenFile

AS_IT_IS = "as it is"
"""The name of the garden without a change; it is part of every study."""
MOST_VARIANTS = 100_000
_BARE = re.compile(r"[+-]?(\d+\.?\d*|\.\d+)")
_UNIT = re.compile(r"[+-]?(?:\d+\.?\d*|\.\d+)\s*([^\d\s.,:+-][^,:]*)")


@dataclass(frozen=True, slots=True)
class Value:
    """One value of a varied key as YAML, and where it was typed."""

    text: str
    where: str


@dataclass(frozen=True, slots=True)
class Axis:
    """A varied key and its values."""

    key: str
    values: tuple[Value, ...]


@dataclass(frozen=True, slots=True)
class Variant:
    """The values of some keys; none: the garden as it is."""

    changes: tuple[Change, ...] = ()
    title: str | None = field(default=None)

    @property
    def values(self) -> Mapping[str, str]:
        return {change.key: change.text for change in self.changes}

    @property
    def name(self) -> str:
        """Its title where it has one, else what it changes: "supply.flow=3gpm, supply.days=[mon, thu]"."""
        if self.title is not None:
            return self.title
        return ", ".join(f"{key}={text}" for key, text in self.values.items()) or AS_IT_IS


# --- as typed ------------------------------------------------------------------------------------


def typed(option: str, number: int) -> Axis:
    """The `number`-th --vary KEY=a,b,c, from 1; a unit behind the last number is that of bare ones before.

    Raises BadInput.

    >>> [value.text for value in typed("supply.flow=3,4.5,5gpm", 1).values]
    ['3gpm', '4.5gpm', '5gpm']
    >>> [value.text for value in typed("supply.days=all,[mon, thu]", 2).values]
    ['all', '[mon, thu]']
    """
    key, equals, rest = option.partition("=")
    if not equals or not key.strip() or not rest.strip():
        raise BadInput(
            f'--vary {number}: "{option}" is no KEY=VALUE,VALUE,...',
            hint="for example --vary supply.flow=3,4,5gpm",
        )
    texts = with_unit([text.strip() for text in split(rest)])
    if "" in texts:
        raise BadInput(f"--vary {number}: {key}: value {texts.index('') + 1} of {len(texts)} is empty")
    values = (Value(text, f"--vary {number}, value {n}") for n, text in enumerate(texts, 1))
    return Axis(key.strip(), tuple(values))


def split(text: str) -> list[str]:
    """The parts between commas that stand in no bracket and no quote.

    >>> split('all,[mon, thu],"a,b"')
    ['all', '[mon, thu]', '"a,b"']
    """
    parts, depth, quote = [""], 0, ""
    for letter in text:
        if quote:
            quote = "" if letter == quote else quote
        elif letter in "\"'":
            quote = letter
        else:
            depth += (letter in "[{(") - (letter in "]})")
        if letter == "," and depth <= 0 and not quote:
            parts.append("")
        else:
            parts[-1] += letter
    return parts


def with_unit(texts: Sequence[str]) -> list[str]:
    """The last one's unit behind each bare number before it; others as they are."""
    unit = _UNIT.fullmatch(texts[-1])
    if unit is None:
        return list(texts)
    return [text + unit[1] if _BARE.fullmatch(text) else text for text in texts]


def each_once(axes: Sequence[Axis]) -> None:
    """BadInput where two axes vary one key: the values of the second alone would count."""
    first: dict[str, Axis] = {}
    for axis in axes:
        if axis.key in first:
            where, there = (one.values[0].where.partition(", value")[0] for one in (axis, first[axis.key]))
            raise BadInput(
                f"{where}: {axis.key}: is varied already ({there})",
                hint=f"all its values together: --vary {axis.key}=A,B,C",
            )
        first[axis.key] = axis


# --- checked by the garden's door ----------------------------------------------------------------


def check(file: GardenFile, changes: Sequence[Change]) -> None:
    """Raises BadInput with all that is wrong with keys and values taken one by one."""
    told: dict[str, None] = {}
    for change in changes:
        try:
            told.update(dict.fromkeys(file.complaints_of(change)))
        except WrongKey as error:
            told[f"{change.where.partition(', value')[0]}: {error}"] = None
    if told:
        raise BadInput("\n".join(told))


def changes_of(axes: Sequence[Axis]) -> list[Change]:
    return [Change(axis.key, value.text, value.where) for axis in axes for value in axis.values]


# --- chosen --------------------------------------------------------------------------------------


def size(axes: Sequence[Axis]) -> int:
    """How many combinations there are; 0 without axes."""
    return math.prod(len(axis.values) for axis in axes) if axes else 0


def grid(axes: Sequence[Axis]) -> Iterator[Variant]:
    """Every combination, the last key's values next to each other; BadInput where there are too many."""
    if size(axes) > MOST_VARIANTS:
        raise BadInput(
            f"{size(axes):,} variants are more than {MOST_VARIANTS:,}",
            hint="--sample N takes N of them, spread over all keys",
        )
    for places in itertools.product(*(range(len(axis.values)) for axis in axes)) if axes else ():
        yield _variant(axes, places)


def sampled(axes: Sequence[Axis], count: int, seed: int) -> list[Variant]:
    """`count` combinations of a Latin hypercube (McKay and others 1979, scipy's), each once; all if few."""
    if size(axes) <= count:
        return list(grid(axes))
    try:
        from scipy.stats import qmc
    except ImportError:
        raise BadInput(
            "--sample needs scipy, which is not installed", hint="pip install 'rowwater[study]'"
        ) from None
    points = qmc.LatinHypercube(d=len(axes), rng=seed).random(count)
    counts = [len(axis.values) for axis in axes]
    places = ((points * counts).astype(int)).tolist()
    return [_variant(axes, place) for place in dict.fromkeys(map(tuple, places))]


def _variant(axes: Sequence[Axis], places: Sequence[int]) -> Variant:
    chosen = ((axis.key, axis.values[place]) for axis, place in zip(axes, places, strict=True))
    return Variant(tuple(Change(key, value.text, value.where) for key, value in chosen))
