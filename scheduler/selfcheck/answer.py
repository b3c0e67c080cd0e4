"""What an answer is: from the rows of a case to the figures of each row."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping, Sequence

from scheduler.selfcheck.cases import Inputs

Figures = Mapping[str, float | Sequence[float]]
Answer = Callable[[Sequence[Inputs]], Iterable[Figures]]


def each(one: Callable[[Inputs], Figures]) -> Answer:
    """The answer of a case whose rows know nothing of each other."""
    return lambda rows: map(one, rows)
