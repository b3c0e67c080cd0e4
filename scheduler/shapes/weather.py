"""`rowwater weather --json`: each value and who said it, and how forecasts have fared."""

from __future__ import annotations

from typing import Literal, NotRequired, TypedDict

from scheduler.shapes.base import Day, Moment, NoticeLine, Span


class Value(TypedDict):
    """In the unit of its field's name."""

    value: float
    source: str | None
    kind: str | None


class Used(TypedDict):
    """What ET0 was worked out from."""

    tdew_c: NotRequired[float | None]
    ea_kpa: NotRequired[float | None]
    rs_mj_m2: NotRequired[float | None]
    rso_mj_m2: float | None
    u2_m_s: NotRequired[float | None]


class WeatherDay(TypedDict):
    """values: by field; estimated: by quantity, what stands in for what nobody gave."""

    date: Day
    et0_mm: float | None
    et0_method: str | None
    values: dict[str, Value]
    used: Used
    humidity_by: str | None
    estimated: dict[str, str]


class FlagLine(TypedDict):
    """What quality control found of a value or, with `since`, of a sensor's run of days."""

    date: Day
    since: Day | None
    field: str
    value: float
    verdict: Literal["kept", "repaired", "rejected"]
    now: float | None
    rule: str
    reason: str
    source: str
    kind: str
    published: str


class Restated(TypedDict):
    """A past value that a source gave anew and differently."""

    date: Day
    field: str
    source: str
    kind: str
    was: float
    now: float
    said_at: Moment


class SkillLine(TypedDict):
    """How a source's forecasts of a field fared at one lead: errors are what came less what was forecast."""

    source: str
    field: str
    lead_days: int
    pairs: int
    bias: float
    mean_absolute: float
    root_mean_square: float
    against: dict[str, int]
    stated_sd: NotRequired[float]


class SourceLine(TypedDict):
    """stale: why more was due from it."""

    source: str
    newest_day: Day | None
    newest_word: Moment | None
    stale: str | None


class WeatherPage(Span):
    """`rowwater weather --json`."""

    garden: str
    today: Day
    days: list[WeatherDay]
    quality: list[FlagLine]
    restated: list[Restated]
    forecasts: list[SkillLine]
    forecasts_since: Day
    sources: list[SourceLine]
    notices: list[NoticeLine]
    credits: list[str]
