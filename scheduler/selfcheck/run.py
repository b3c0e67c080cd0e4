"""Every case done anew: each printed figure beside what this machine makes of it."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass

from scheduler.selfcheck import (
    arithmetic,
    coefficients,
    et0,
    garden,
    heat,
    roots,
    runs,
    salt,
    seedbed,
    surface,
    water,
    yields,
)
from scheduler.selfcheck.answer import Answer
from scheduler.selfcheck.cases import Case, Inputs, Printed, Source, flat

MODULES = (arithmetic, et0, coefficients, surface, roots, runs, seedbed, heat, salt, yields, water, garden)
ANSWERS: dict[str, Answer] = {name: answer for module in MODULES for name, answer in module.ANSWERS.items()}


@dataclass(frozen=True, slots=True)
class Figure:
    """One printed figure, and ours; nan where nothing came of it."""

    name: str
    printed: Printed
    ours: float

    @property
    def difference(self) -> float:
        return self.ours - self.printed.value

    @property
    def share(self) -> float:
        """Of the difference allowed: above 1 the figure is not right; infinite where there is none."""
        off = abs(self.difference)
        if off == 0:
            return 0.0
        return off / self.printed.within if off == off and self.printed.within > 0 else float("inf")

    @property
    def right(self) -> bool:
        return self.share <= 1


@dataclass(frozen=True, slots=True)
class Checked:
    """A case and its figures; `failure` says why there are none of ours."""

    case: Case
    figures: tuple[Figure, ...]
    failure: str | None = None

    @property
    def farthest(self) -> Figure:
        """The figure that comes nearest to being wrong."""
        return max(self.figures, key=lambda figure: figure.share)

    @property
    def right(self) -> bool:
        return self.failure is None and all(figure.right for figure in self.figures)


def checked(source: Source, answers: Mapping[str, Answer] = ANSWERS) -> list[Checked]:
    """Every case of a source.  What fails on the way is told in its line: the next are still done."""
    return [_checked(case, answers) for case in source.cases]


def _checked(case: Case, answers: Mapping[str, Answer]) -> Checked:
    failure = None
    try:
        found = figures_of(answers[case.name], case.rows)
    except Exception as error:  # noqa: BLE001 - a library that is broken here is what this looks for
        found, failure = [{} for _ in case.rows], f"{type(error).__name__}: {error}"
    return Checked(case, tuple(_figures(case, found)), failure)


def figures_of(answer: Answer, rows: Sequence[Inputs]) -> list[dict[str, float]]:
    """What an answer finds for each row, lists laid out as single figures."""
    return [
        {one: float(value) for name, values in found.items() for one, value in flat(name, values)}
        for found in answer(rows)
    ]


def _figures(case: Case, found: Sequence[Mapping[str, float]]) -> Iterator[Figure]:
    for k, (printed, ours) in enumerate(zip(case.printed, found, strict=True), 1):
        for name, figure in printed.items():
            told = name if len(case.rows) == 1 else f"{name}, row {k}"
            yield Figure(told, figure, ours.get(name, float("nan")))
