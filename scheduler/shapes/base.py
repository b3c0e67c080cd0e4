"""What several pages hold: days, moments, notices, runs."""

from __future__ import annotations

from typing import Annotated, Literal, NotRequired, TypeAlias, TypedDict

Day: TypeAlias = Annotated[str, "day"]
"""A local date of the garden, ISO 8601."""
Moment: TypeAlias = Annotated[str, "moment"]
"""ISO 8601 with its offset from UTC."""
Display: TypeAlias = Literal["us", "metric"]
Level: TypeAlias = Literal["info", "look", "problem"]
"""look, problem: something needs the grower's eye."""

Span = TypedDict("Span", {"from": Day, "to": Day})
Window = TypedDict("Window", {"from": str, "until": str})


NoticeKind: TypeAlias = Literal[
    "records", "weather", "water", "crop", "answer", "soil", "chore", "garden", "feed", "frost", "salt",
    "task",
]  # fmt: skip
"""records: of the database; water: what the supply cannot do; answer: what the grower told or changed;
frost: a crop that may be dead; task: to be done by hand today, however often it was told."""


class NoticeLine(TypedDict):
    """by, key, at: of the service's own notices in today.json; kind: of all others.

    zones: those it is about, where it would be said of the same ones every morning.
    """

    level: Level
    text: str
    kind: NotRequired[NoticeKind]
    zones: NotRequired[list[str]]
    by: NotRequired[Literal["service"]]
    key: NotRequired[str]
    at: NotRequired[Moment]


class Bounds(TypedDict):
    """The minutes given at least and at most, where it is not known more exactly."""

    least_minutes: NotRequired[float]
    most_minutes: NotRequired[float]


class FeedLine(TypedDict):
    """When to inject feed, and until when to flush with clean water; no injector is opened for it."""

    start: Moment
    stop: Moment
    flush_until: Moment


class RunLine(TypedDict):
    """One opening of a zone's valve, as planned; pulse counts from 1 within the zone's day."""

    zone: str
    pulse: int
    start: Moment
    stop: Moment
    minutes: float
    liters: float
    net_mm: float
    flow_lpm: float
    feed: NotRequired[FeedLine]  # of a run that is to be fed and is long enough for it


class UnmetLine(TypedDict):
    """Water that a zone needs and does not get."""

    zone: str
    net_mm: float
    why: str
