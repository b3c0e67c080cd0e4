"""`rowwater changeover --json`: the supply line's holes, tape and parts between two layouts."""

from __future__ import annotations

from typing import Literal, TypeAlias, TypedDict

from scheduler.shapes.base import Day

Feed: TypeAlias = Literal["end", "middle"]
Work: TypeAlias = Literal["keep", "cut back", "extend", "lay"]
Change = TypedDict("Change", {"from": str, "to": str})


class Layout(TypedDict):
    crop: str | None
    planted: Day | None
    count: int
    length_m: float
    spacing_m: float
    tapes: int
    tape: str


class HoleLine(TypedDict):
    """row_from, row_to: the row of the old and of the new layout that it feeds."""

    state: Literal["stays", "plug", "new"]
    from_feed_m: float
    branch: str | None
    row_from: int | None
    row_to: int | None


class TapeWork(TypedDict):
    work: Work
    length_m: float
    cut_m: float


class TapeLine(TapeWork):
    row: int


class ShiftLine(TypedDict):
    """A move of all new rows that lets more holes stay."""

    by_m: float
    stays: int


class PartsLine(TypedDict):
    row_starts: int
    row_starts_freed: int
    plugs: int
    couplings: int
    end_closures: int
    end_closures_freed: int
    tape_m: float
    lifted_m: float
    tape_with_waste_m: float


_Layouts = TypedDict("_Layouts", {"from": Layout | None, "to": Layout | None})


class ZoneChangeLine(_Layouts):
    """crops_on_tape: that stood on it before the new layout; null = not known."""

    begins_m: float
    ends_m: float
    changes: bool
    holes: list[HoleLine]
    tapes: list[TapeLine]
    crops_on_tape: int | None
    shift: ShiftLine | None
    parts: PartsLine


class TooFar(TypedDict):
    zone: str
    text: str
    needs_m: float
    has_m: float
    mend: str


class ChangeoverPage(Change):
    """`rowwater changeover --json`."""

    feed: Feed
    convention: str
    tolerance_m: float
    waste: float
    zones: dict[str, ZoneChangeLine]
    parts: PartsLine
    problems: list[TooFar]
    notices: list[str]
