"""The day's page: `rowwater day --json`, today.json, schedule.json."""

from __future__ import annotations

from typing import Literal, NotRequired, TypeAlias, TypedDict

from scheduler.shapes.base import Bounds, Day, Display, Moment, NoticeLine, RunLine, UnmetLine, Window

State: TypeAlias = Literal[
    "runs", "waits for rain", "not due", "not a watering day", "no crop", "on hold", "does not fit",
    "drying off",
]  # fmt: skip


class DayWeather(TypedDict):
    """Weather and ET0 as used, and where they came from; null where nobody said, {} before any plan."""

    date: NotRequired[Day]
    tmin_c: NotRequired[float | None]
    tmax_c: NotRequired[float | None]
    rain_mm: NotRequired[float | None]
    rain_chance_pct: NotRequired[float | None]
    et0_mm: NotRequired[float | None]
    et0_method: NotRequired[str]
    estimated: NotRequired[list[str]]
    came_from: NotRequired[dict[str, str]]


class DaysWeather(TypedDict):
    yesterday: DayWeather
    today: DayWeather


class ZoneLine(TypedDict):
    """One zone this morning; `minutes` is what is planned today.

    reason: why it runs, waits or rests, in a few words of the display.
    cap_minutes: the longest its valve may be open at once; opens_with: zones on the same valve.
    held_until, water_from: of a zone on hold, and when water may run again (null: no watering day in sight).
    From `crop` on only where a crop stands.  deficit_start_mm is last night's, deficit_mm that of now.
    trigger_mm: not given while no deficit makes water due.
    stage_ends: the last day of each of the four stages, as reckoned this morning; observed: the first days
    of stages as the grower saw them.
    Where evaporation is kept apart, surface_mm: what the top 0.10 m over the tape lacks now; seedbed: a sown
    row is not up yet, waterings: in how many its water is best given; sprinkle_mm: by hand over its rows.
    dry_off: it dries off before lifting.  ece_ds_m: of the strip last night, where the water's salt is given;
    leaching: share of today's water that washes salt out, where there is any.
    """

    zone: str
    by_hand: bool
    deficit_sd_mm: float
    state: State
    reason: NotRequired[str]
    deficit_mm: float
    minutes: float
    cap_minutes: NotRequired[float]
    opens_with: NotRequired[list[str]]
    held_until: NotRequired[Day]
    water_from: NotRequired[Moment | None]
    crop: NotRequired[str]
    stage: NotRequired[str]
    day: NotRequired[int]
    season_days: NotRequired[int]
    deficit_start_mm: NotRequired[float]
    deficit_low_mm: NotRequired[float]
    deficit_high_mm: NotRequired[float]
    doubt_matters: NotRequired[bool]
    trigger_mm: NotRequired[float]
    raw_mm: NotRequired[float]
    taw_mm: NotRequired[float]
    flow_lpm: NotRequired[float]
    liters: NotRequired[float]
    net_mm: NotRequired[float]
    wanted_minutes: NotRequired[float]
    minutes_if_given: NotRequired[float]
    area_m2: NotRequired[float]
    stage_ends: NotRequired[list[Day]]
    observed: NotRequired[dict[str, Day]]
    surface_mm: NotRequired[float]
    seedbed: NotRequired[bool]
    waterings: NotRequired[int]
    sprinkle_mm: NotRequired[float]
    dry_off: NotRequired[bool]
    leaching: NotRequired[float]
    ece_ds_m: NotRequired[float]


class GivenLine(Bounds):
    """What a zone really got on a day, beside what was planned for it."""

    zone: str
    date: Day
    minutes: float
    liters: float
    net_mm: float
    planned_minutes: float
    outcome: str


class ChoreLine(TypedDict):
    """A chore that is due.  zone: of the one that is noted for a zone by itself, new tape.

    can_wait: it may be put off; frost does not wait.  command: what notes it as done.
    """

    chore: Literal["tape", "filter", "bucket", "flush", "drain", "row"]
    text: str
    command: str
    can_wait: bool
    zone: NotRequired[str]


class UnansweredLine(TypedDict):
    """A planned run that nobody has confirmed or denied."""

    zone: str
    date: Day
    minutes: float
    liters: float
    net_mm: float


class Answers(TypedDict):
    """What the weather sources said and did not."""

    failures: list[str]
    notices: list[str]
    credits: list[str]


class ScheduleFile(TypedDict):
    """schedule.json: the runs of the day."""

    date: Day
    made_at: Moment
    window: Window  # the first begin and the last end
    windows: NotRequired[list[Window]]  # each of them; absent in files of an earlier version
    runs: list[RunLine]
    unmet: list[UnmetLine]
    notices: list[NoticeLine]


class DayPage(ScheduleFile):
    """`rowwater day --json`: all that the grower is told this morning."""

    garden: str
    timezone: str
    display: Display
    weather: DaysWeather
    zones: list[ZoneLine]
    applied: list[GivenLine]
    unanswered: list[UnansweredLine]
    chores: NotRequired[list[ChoreLine]]  # absent in files of an earlier version
    sources: Answers
    digests: dict[str, str]


class OpenLine(TypedDict):
    zone: str
    until: Moment


class TodayFile(DayPage):
    """today.json and `rowwater morning --json`: the day's page, with what the service has added to it.

    newest_s: seconds since 1970 of the newest moment on record.  facts: how many there were, but weather.
    """

    open_now: NotRequired[list[OpenLine]]
    newest_s: NotRequired[float]
    facts: NotRequired[int]
