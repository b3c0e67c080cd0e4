"""`rowwater parts --json`: what to buy for a garden that is not built yet."""

from __future__ import annotations

from typing import Literal, TypeAlias, TypedDict

from scheduler.shapes.base import Day
from scheduler.shapes.changeover import Feed, Layout
from scheduler.shapes.check import ProblemLine

PartName: TypeAlias = Literal[
    "tape", "rolls of tape", "row starts", "end closures", "tape clamps", "couplings", "goof plugs",
    "supply line", "line ends", "line clamps", "tees", "hand valves", "electric valves", "valve adapters",
    "backflow preventer", "filter", "pressure regulator",
]  # fmt: skip


class PartLine(TypedDict):
    """One thing to buy, by the piece (`count`) or by length; rests_on: why so much of it."""

    part: PartName
    of: str | None  # the tape of garden.yaml
    count: int | None
    length_m: float | None
    rests_on: str


class ZoneParts(TypedDict):
    """A zone's rows as first laid; cut_m: off the roll for each tape, slack included, waste not."""

    layout: Layout
    sections: list[int]  # that its rows run in
    tapes: int
    cut_m: float
    tape_m: float
    row_starts: int
    end_closures: int
    clamps: int


class SectionParts(TypedDict):
    """Rows behind one valve, and its own line from the feed, one length each way."""

    rows: list[str]
    flow_lpm: float
    valve: Literal["hand", "electric"]
    line_m: list[float]


class LaterParts(TypedDict):
    """What the rows of a later planting ask for, beyond those before it."""

    zone: str
    crop: str
    planted: Day
    row_starts: int
    couplings: int
    end_closures: int
    tape_m: float


class PartsPage(TypedDict):
    """`rowwater parts --json`; slack_m: of each tape, beside twice its depth."""

    garden: str
    feed: Feed
    convention: str
    slack_m: float
    waste: float
    roll_m: float
    zones: dict[str, ZoneParts]
    sections: list[SectionParts]
    parts: list[PartLine]
    later: list[LaterParts]
    problems: list[ProblemLine]
    cautions: list[str]
    notices: list[str]
