"""A study of one garden: its seasons in pieces, run by whoever carries them, kept, and read by variant."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass, field, replace
from datetime import date, datetime, timedelta
from itertools import islice

from scheduler.errors import BadGarden
from scheduler.garden.file import GardenFile
from scheduler.model import Garden, Hours, Supply
from scheduler.study.figures import Figures
from scheduler.study.kept import Kept, digest_of, key_of, record_digest
from scheduler.study.seasons import How, NoFigures, Outcome, Piece, Record, run
from scheduler.study.variants import Variant
from scheduler.study.years import LeftOut, SeasonOfYear

AT_ONCE = 240
"""Variants whose gardens are held at a time."""
Carry = Callable[[Iterable[Piece], Record], Iterator[tuple[Piece, list[Outcome]]]]
"""Runs pieces, in whatever order they are done."""


def one_by_one(pieces: Iterable[Piece], record: Record) -> Iterator[tuple[Piece, list[Outcome]]]:
    """In this process."""
    return ((piece, run(piece, record)) for piece in pieces)


@dataclass(frozen=True, slots=True)
class Capacity:
    """What a supply can do: the less, the smaller."""

    flow_lpm: float
    hours: float  # a watering day
    days_a_week: float

    @classmethod
    def of(cls, supply: Supply) -> Capacity:
        some_year = [date(2001, 1, 1) + timedelta(days=n) for n in range(364)]
        days = sum(map(supply.days.allows, some_year)) / 52
        return cls(supply.usable_lpm, sum(map(_length, supply.hours)), days)

    def within(self, other: Capacity) -> bool:
        """In nothing larger."""
        mine, theirs = ((one.flow_lpm, one.hours, one.days_a_week) for one in (self, other))
        return all(a <= b for a, b in zip(mine, theirs, strict=True))


def _length(window: Hours) -> float:
    begin, until = (datetime.combine(date(2001, 1, 1), at) for at in window)
    return ((until - begin) % timedelta(days=1)).total_seconds() / 3600


@dataclass(frozen=True, slots=True)
class Study:
    """What is asked."""

    file: GardenFile
    garden: Garden  # as the file has it
    variants: Sequence[Variant]
    season: SeasonOfYear
    years: Sequence[int]
    left_out: Sequence[LeftOut]
    record: Record
    how: How

    @property
    def seasons(self) -> int:
        return len(self.variants) * len(self.years)


@dataclass(frozen=True, slots=True)
class Ready:
    """A variant whose garden can be."""

    variant: Variant
    capacity: Capacity
    keys: tuple[str, ...]
    """Of its seasons, in the order of the years."""


@dataclass(frozen=True, slots=True)
class Impossible:
    variant: Variant
    complaints: tuple[str, ...]


@dataclass(slots=True)
class Answer:
    """Which variants could be, and how many seasons were there before."""

    ready: list[Ready] = field(default_factory=list)
    impossible: list[Impossible] = field(default_factory=list)
    kept: int = 0
    ran: int = 0


def carried_out(
    study: Study, kept: Kept, carry: Carry, *, together: int, done: Callable[[int], None] = lambda _: None
) -> Answer:
    """Runs what is not kept yet, and keeps it as it comes.

    together: gardens in a piece.  done: is told how many seasons more are over with.
    """
    answer = Answer()
    for piece, outcomes in carry(pieces(study, kept, answer, together, done), study.record):
        kept.add((key, _text(outcome)) for key, outcome in zip(piece.keys, outcomes, strict=True))
        answer.ran += len(outcomes)
        done(len(outcomes))
    return answer


def pieces(
    study: Study, kept: Kept, answer: Answer, together: int, done: Callable[[int], None] = lambda _: None
) -> Iterator[Piece]:
    """What is left to run: some variants at a time, in each year all of them; `answer` fills on the way."""
    seasons = [
        (year, record_digest(study.record.through(study.season.in_year(year)))) for year in study.years
    ]
    asked: set[str] = set()
    variants = iter(study.variants)
    while some := list(islice(variants, AT_ONCE)):
        gardens: list[tuple[Garden, Ready]] = []
        for variant in some:
            try:
                garden = study.file.garden(variant.changes) if variant.changes else study.garden
            except BadGarden as error:
                answer.impossible.append(Impossible(variant, error.complaints))
                done(len(study.years))
                continue
            digest = digest_of(garden)
            keys = tuple(key_of(digest, weather, study.season, year, study.how) for year, weather in seasons)
            gardens.append((_light(garden), Ready(variant, Capacity.of(garden.supply), keys)))
        answer.ready += [ready for _, ready in gardens]
        for n, year in enumerate(study.years):
            here = {ready.keys[n]: garden for garden, ready in gardens if ready.keys[n] not in asked}
            asked.update(here)
            there = kept.found(list(here))
            answer.kept += len(there)
            done(len(gardens) - len(here) + len(there))
            left = [(key, garden) for key, garden in here.items() if key not in there]
            for begin in range(0, len(left), together):
                keys, ours = zip(*left[begin : begin + together], strict=True)
                yield Piece(ours, study.season, year, study.how, keys)


def _light(garden: Garden) -> Garden:
    """Without what no season needs, and no other machine shall see."""
    return replace(garden, service={}, sources=(), folder="", notices=())


# --- one by one, from what is kept ---------------------------------------------------------------

NOT_RUN = "!"
"""Before the reason, in place of figures."""


def _text(outcome: Outcome) -> str:
    return NOT_RUN + outcome.why if isinstance(outcome, NoFigures) else outcome.as_text()


def figures(study: Study, ready: Ready, kept: Kept) -> Iterator[tuple[int, Figures | NoFigures]]:
    """Of every year of a variant that is kept, in their order."""
    found = kept.found(ready.keys)
    for year, key in zip(study.years, ready.keys, strict=True):
        text = found.get(key)
        if text is not None:
            yield year, NoFigures(text[1:]) if text.startswith(NOT_RUN) else Figures.from_text(text)
