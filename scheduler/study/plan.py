"""From what is asked to a study of one garden, with nothing in it that the garden's door refuses."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from time import perf_counter

from scheduler.garden.file import GardenFile
from scheduler.study.kept import opened
from scheduler.study.seasons import How, Record, run
from scheduler.study.study import Answer, Study, pieces
from scheduler.study.variants import Axis, Variant, changes_of, check, grid, sampled
from scheduler.study.years import season_of, sorted_out, years_asked


@dataclass(frozen=True, slots=True)
class Wish:
    """What is asked of each garden."""

    axes: Sequence[Axis]
    named: Sequence[Variant]
    years: str | None
    how: How
    most_gaps: float
    sample: int | None
    seed: int

    def variants(self) -> list[Variant]:
        """The garden as it is first, then those with a name, then the combinations."""
        chosen = list(grid(self.axes)) if self.sample is None else sampled(self.axes, self.sample, self.seed)
        return [Variant(), *self.named, *chosen]


def study_of(path: Path, wish: Wish, record: Record) -> Study:
    """Raises BadInput: a key or a value that is none, nothing planted, no year that the weather covers."""
    file = GardenFile.read(path)
    garden = file.garden()
    check(file, [*(change for one in wish.named for change in one.changes), *changes_of(wish.axes)])
    season = season_of(garden)
    asked = years_asked(wish.years, season, record.weather)
    years, left_out = sorted_out(asked, season, record.weather, wish.most_gaps, record.issues)
    return Study(file, garden, wish.variants(), season, years, left_out, record, wish.how)


def seconds_a_season(study: Study, together: int) -> float:
    """As measured here, on the first seasons of the study; nothing is kept of them."""
    with opened(None) as nowhere:
        piece = next(pieces(study, nowhere, Answer(), together), None)
    if piece is None:
        return 0.0
    run(piece, study.record)  # what is loaded and laid out only once
    begin = perf_counter()
    run(piece, study.record)
    return (perf_counter() - begin) / len(piece.gardens)
