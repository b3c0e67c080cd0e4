"""The cases of config/selfcheck.yaml: inputs as numbers, printed figures with all their digits."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from typing import Any

from scheduler.model import Soil
from scheduler.tables import shipped

Inputs = Mapping[str, Any]
WORDS = {"null": None, "true": True, "false": False}
ROUNDING = 1.000001
"""A half that a float falls short of still counts as a half."""


@dataclass(frozen=True, slots=True)
class Printed:
    """A figure as its source prints it."""

    text: str
    within: float  # how far a right answer may be from it
    why: str | None = None  # where that is not half of the last digit

    @property
    def value(self) -> float:
        return float(self.text)


@dataclass(frozen=True, slots=True)
class Case:
    """One example: the inputs of each row, and what the source prints for it."""

    name: str
    title: str
    rows: tuple[Inputs, ...]
    printed: tuple[Mapping[str, Printed], ...]  # of each row, by the figure's name


@dataclass(frozen=True, slots=True)
class Source:
    name: str
    cases: tuple[Case, ...]


def sources() -> list[Source]:
    """All of config/selfcheck.yaml, in its order; raises CouldNot where the file is not to be read."""
    file = shipped("selfcheck.yaml", as_printed=True)
    soils = {name: _soil(name, figures) for name, figures in file["soils"].items()}
    return [
        Source(one["source"], tuple(_case(case, soils) for case in one["cases"])) for one in file["sources"]
    ]


def half_of_last_digit(text: str) -> float:
    """How far a figure may be from one printed so, by its digits.

    >>> [round(half_of_last_digit(text), 6) for text in ("3.88", "36", "0.050")]
    [0.005, 0.5, 0.0005]
    """
    _, _, decimals = text.partition(".")
    return float(0.5 * ROUNDING * 10.0 ** -len(decimals))


def number(value: Any) -> Any:
    """Text as a number where it is one, null as None; of lists and mappings, each of them.

    >>> number({"tmin_c": "8.0", "upper_c": "null", "soil": "loam", "days": ["20", "40"]})
    {'tmin_c': 8.0, 'upper_c': None, 'soil': 'loam', 'days': [20.0, 40.0]}
    """
    if isinstance(value, dict):
        return {key: number(one) for key, one in value.items()}
    if isinstance(value, list):
        return [number(one) for one in value]
    if value in WORDS:
        return WORDS[value]
    try:
        return float(value)
    except ValueError:
        return value


def _soil(name: str, figures: Mapping[str, str]) -> Soil:
    fc, wp, rew = (float(figures[key]) for key in ("theta_fc", "theta_wp", "rew_mm"))
    group: Any = figures["class"]
    return Soil(name, fc, wp, group, rew_mm=rew)


def _case(case: Mapping[str, Any], soils: Mapping[str, Soil]) -> Case:
    shared = number(case.get("inputs", {}))
    told = case["printed"]
    rows = case.get("rows", [[]])
    given = case.get("of_row", [])
    inputs, printed = [], []
    for row in rows:
        own = dict(zip(given, number(row[: len(given)]), strict=True))
        inputs.append(_with_soil({**shared, **own}, soils))
        figures = told if isinstance(told, dict) else dict(zip(told, row[len(given) :], strict=True))
        printed.append(dict(_printed(figures, case.get("within", {}))))
    return Case(case["case"], case["title"], tuple(inputs), tuple(printed))


def _with_soil(inputs: dict[str, Any], soils: Mapping[str, Soil]) -> Inputs:
    return {**inputs, "soil": soils[inputs["soil"]]} if "soil" in inputs else inputs


def _printed(figures: Mapping[str, Any], within: Mapping[str, Any]) -> Iterator[tuple[str, Printed]]:
    for name, text in figures.items():
        for figure, one in flat(name, text):
            wider = within.get(name)
            if one == "null":  # there is no such figure in this row
                continue
            if one in ("true", "false"):
                yield figure, Printed("1" if one == "true" else "0", 0.0)
            elif wider is None:
                yield figure, Printed(one, half_of_last_digit(one))
            else:
                yield figure, Printed(one, _width(wider, float(one)) * ROUNDING, wider["why"])


def _width(wider: Mapping[str, str], value: float) -> float:
    if "percent" in wider:
        return abs(value) * float(wider["percent"]) / 100
    return float(wider["off"])


def flat(name: str, value: Any) -> Iterator[tuple[str, Any]]:
    """A figure, or each of a list of figures, with its name.

    >>> list(flat("de", [6.9, 13.8]))
    [('de 1', 6.9), ('de 2', 13.8)]
    """
    if isinstance(value, list):
        yield from ((f"{name} {k}", one) for k, one in enumerate(value, 1))
    else:
        yield name, value
