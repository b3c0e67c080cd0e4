"""study.yaml: the same that stands on the command line, in a file."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Annotated, Any, Literal

from scheduler.errors import BadGarden, BadInput
from scheduler.garden.block import Block
from scheduler.garden.changes import Change
from scheduler.garden.nodes import MOST_BYTES, At
from scheduler.garden.reads import choice, key, some_text, whole_number
from scheduler.garden.sheet import Sheet
from scheduler.study.variants import Axis, Value, Variant


class StudyBlock(Block):
    vary: dict[str, Any] | None = key(
        "Keys of garden.yaml, each with the values that it takes; every combination is a variant.",
        "{supply.flow: [3 gpm, 4 gpm]}", None)  # fmt: skip
    variants: dict[str, dict[str, Any]] | None = key(
        "Variants by name, each with the keys that it changes.",
        '{small pump: {supply.flow: 3 gpm, supply.days: "[mon, thu]"}}', None)  # fmt: skip
    years: Annotated[str, some_text()] | None = key("Which years.", "1995-2024", None)
    foresight: (
        Annotated[Literal["none", "forecast", "perfect"], choice("none", "forecast", "perfect")] | None
    ) = key("What each morning knows of the days ahead.", "perfect", None)
    sample: Annotated[int, whole_number(1, 100_000)] | None = key("So many combinations only.", "200", None)
    seed: Annotated[int, whole_number(0, 2**31 - 1)] | None = key("Of the sample.", "1", None)


@dataclass(frozen=True, slots=True)
class Asked:
    """What a file asks for; None where it does not say."""

    axes: tuple[Axis, ...]
    variants: tuple[Variant, ...]
    years: str | None = None
    foresight: Literal["none", "forecast", "perfect"] | None = None
    sample: int | None = None
    seed: int | None = None


def read(path: Path) -> Asked:
    """Raises BadInput with every complaint, by line; keys and values are for the garden's door to judge."""
    try:
        with path.open("rb") as file:
            data = file.read(MOST_BYTES + 1)
    except OSError as error:
        raise BadInput(f"{path}: cannot be read: {error.strerror or error}") from error
    sheet = Sheet(data, path.name)
    if sheet.is_empty and not sheet.complaints:
        sheet.complain((), 'the file is empty - for example "vary: {supply.flow: [3 gpm, 4 gpm]}"')
    block = sheet.check(StudyBlock, {"display": "metric"})
    if sheet.complaints or block is None:
        raise BadGarden(sheet.complaints)
    axes = tuple(Axis(name, tuple(_values(sheet, ("vary", name)))) for name in sheet.keys_at(("vary",)))
    named = tuple(
        Variant(tuple(_changes(sheet, ("variants", title))), title) for title in sheet.keys_at(("variants",))
    )
    return Asked(axes, named, block.years, block.foresight, block.sample, block.seed)


def _values(sheet: Sheet, at: At) -> Iterator[Value]:
    """The items of a list; one value alone counts as a list of one."""
    places = [(*at, n) for n in range(sheet.length_at(at))] or [at]
    return (Value(sheet.text_at(place), f"{sheet.name}:{sheet.line(place)}") for place in places)


def _changes(sheet: Sheet, at: At) -> Iterator[Change]:
    for name in sheet.keys_at(at):
        place = (*at, name)
        yield Change(name, sheet.text_at(place), f"{sheet.name}:{sheet.line(place)}")
