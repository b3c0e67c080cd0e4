"""`rowwater study --json`: variants of a garden x years."""

from __future__ import annotations

from typing import Literal, NotRequired, TypeAlias, TypedDict

from scheduler.shapes.base import Span


class StudySpread(TypedDict):
    """Of the years. nine_of_ten: the smallest figure that at least nine years of ten do not exceed."""

    least: float
    lower_quartile: float
    median: float
    upper_quartile: float
    nine_of_ten: float
    most: float


class StudyCapacity(TypedDict):
    """hours: of a watering day; days_a_week: on a long mean. Rules of single months are left aside."""

    flow_lpm: float
    hours: float
    days_a_week: float


class StudyLeftOut(TypedDict):
    year: int
    why: str


class StudyVariant(TypedDict):
    """stress_days, short_days: of all zones together; longest_minutes: one valve after another.

    null: nobody counts it under this foresight (short_days), no yield response is known (lost), or no year
    could be run.  lost: share of the yield.  carried: years in which no planting went short of more than
    `most_short` of the water that it asks for.  beaten: another variant is as low in water, stress days and
    lost, and lower in one of them.
    """

    variant: str
    values: dict[str, str]
    years: int
    liters: StudySpread | None
    stress_days: StudySpread | None
    drained_l: StudySpread | None
    longest_minutes: StudySpread | None
    short_days: StudySpread | None
    short_l: StudySpread | None  # that all crops used less than they asked for
    lost: StudySpread | None
    carried: int
    not_carried: list[int]
    not_run: list[StudyLeftOut]
    beaten: bool
    capacity: StudyCapacity


class StudyImpossible(TypedDict):
    """A variant that makes no garden."""

    variant: str
    complaints: list[str]


StudyFigure: TypeAlias = Literal["liters", "stress_days", "lost"]


class StudyDifference(TypedDict):
    """A variant less the garden as it is, by year: the mean, and between what it lies (95 %, bootstrap).

    lower: the variant that has less of it; null where the interval holds zero.
    """

    variant: str
    figure: StudyFigure
    mean: float
    low: float
    high: float
    lower: str | None


class StudyKey(TypedDict):
    key: str
    values: list[str]


class StudyEnough(TypedDict):
    """variants: the smallest supplies that carry the garden in nine years of ten."""

    variants: list[str]
    text: str


class StudyGarden(TypedDict):
    garden: str
    file: str
    season: Span
    years: list[int]
    left_out: list[StudyLeftOut]
    variants: list[StudyVariant]
    impossible: list[StudyImpossible]
    not_beaten: list[str]
    enough: StudyEnough
    differences: list[StudyDifference]


class StudyBadGarden(TypedDict):
    file: str
    complaints: list[str]


class StudySample(TypedDict):
    """So many of all combinations, by a Latin hypercube."""

    count: int
    combinations: int
    seed: int


class StudySeason(TypedDict):
    """A row of --csv and --parquet: a variant in one year."""

    garden: str
    variant: str
    year: int
    liters: float
    stress_days: int
    drained_l: float
    longest_minutes: float
    short_days: int | None
    short_l: float
    lost: float | None
    short_share: float


class StudyDryRun(TypedDict):
    """How much is asked, and how long it takes about, by seasons measured here."""

    seasons: int
    seconds_a_season: float
    workers: int
    seconds: float


class StudyPage(TypedDict):
    """`rowwater study --json`; vary: the keys that were varied one against the other."""

    foresight: Literal["none", "forecast", "perfect"]
    unlimited: bool
    most_short: float
    vary: list[StudyKey]
    sample: NotRequired[StudySample]
    dry_run: NotRequired[StudyDryRun]
    gardens: list[StudyGarden]
    bad_gardens: list[StudyBadGarden]
