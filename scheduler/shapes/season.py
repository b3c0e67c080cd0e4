"""`rowwater season --json`: a season simulated."""

from __future__ import annotations

from typing import Literal, NotRequired, TypedDict

from scheduler.shapes.base import Day, NoticeLine, Span


class SeasonTotal(TypedDict):
    liters: float
    gross_mm: float
    net_mm: float
    rain_mm: float
    etc_mm: float
    percolation_mm: float
    short_use_mm: float
    evaporation_mm: float  # 0 where one coefficient serves
    stress_days: int  # without those of drying off
    sprinkle_days: int  # on which a seedbed wanted water that the tape cannot give
    runs: int
    minutes: float
    longest_minutes: float
    short_days: NotRequired[int]  # watering days on which the supply gave less than the zone's rule asks


class SeasonDay(TypedDict):
    """A standing zone on one day; deficit_start_mm before the morning's irrigation, etc_mm after Ks.

    surface_mm, middle_mm: what the top 0.10 m lacks in the evening, over the tape and in the row middle.
    """

    date: Day
    zone: str
    crop: str
    stage: str
    day: int
    et0_mm: float
    et0_method: str
    kc: float
    ks: float
    etc_mm: float
    rain_mm: float
    rain_eff_mm: float
    root_depth_m: float
    taw_mm: float
    raw_mm: float
    deficit_start_mm: float
    deficit_end_mm: float
    net_mm: float
    gross_mm: float
    liters: float
    minutes: float
    percolation_mm: float
    kcb: NotRequired[float]  # from here on to sprinkle_mm: with crop_coefficient: dual
    cover: NotRequired[float]
    evaporation_mm: NotRequired[float]
    use_mm: NotRequired[float]
    surface_mm: NotRequired[float]
    middle_mm: NotRequired[float]
    seedbed: NotRequired[bool]
    sprinkle_mm: NotRequired[float]
    short_use_mm: float
    pulses: int
    dry_off: bool
    ece_ds_m: NotRequired[float]  # in the evening, where the water's salinity is given
    trigger_mm: float | None  # null while no deficit makes water due
    heat_c: NotRequired[float]  # degree-days through the day, where stages go by them


SeasonPlanting = TypedDict(
    "SeasonPlanting",
    {
        "zone": str,
        "crop": str,
        "planted": Day,
        "etc_mm": float,
        "short_use_mm": float,
        "ece_ds_m": float | None,
        "yield_water": float | None,
        "yield_salt": float | None,
        "yield": float | None,
        "yield_told": bool,
    },
)
"""etc_mm: what it asked for outside drying off; yields: shares of the full one, null where not known.

yield_told: sure enough to be said in words.
"""


class Foresight(TypedDict):
    """How the mornings were decided; mornings: how many by which method."""

    mode: Literal["none", "forecast", "perfect"]
    mornings: NotRequired[dict[str, int]]


class SeasonPage(Span):
    """`rowwater season --json`; unlimited: hours, days, caps and the supply's flow were left aside."""

    garden: str
    foresight: Foresight
    unlimited: bool
    zones: dict[str, SeasonTotal]
    plantings: list[SeasonPlanting]
    days: list[SeasonDay]
    notices: list[NoticeLine]
