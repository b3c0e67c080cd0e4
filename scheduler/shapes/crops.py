"""`rowwater crops --json`: what the table knows of each crop."""

from __future__ import annotations

from typing import TypedDict


class StageLine(TypedDict):
    """`kc` at the stage's end; of the two flat stages the whole stage through."""

    stage: str
    days: int
    kc: float


class RootDepth(TypedDict):
    start: float
    full: float


class Basal(TypedDict):
    """Kcb: what the crop itself uses, of ET0."""

    initial: float
    mid_season: float
    late_season: float


class EmergenceLine(TypedDict):
    sum_c_days: float
    base_c: float


class HeatLine(TypedDict):
    """`stages_c_days`: sums at each stage's end; null: counted from the site's own years."""

    base_c: float
    upper_c: float | None
    method: str
    stages_c_days: list[float] | None


class DryOffLine(TypedDict):
    """`refill_at`: null: no water at all."""

    days: int
    refill_at: float | None


class CropLine(TypedDict):
    """`like`: the crop whose figures stand in for its own; null where it has some. Null is not known."""

    crop: str
    also: list[str]
    like: str | None
    stages: list[StageLine]
    root_depth_m: RootDepth
    depletion: float
    height_m: float | None
    kcb: Basal | None
    by: str
    seed_depth_m: float
    emergence: EmergenceLine | None
    heat: HeatLine | None
    dry_off: DryOffLine | None
    killed_below_c: float | None
    ec_threshold_ds_m: float | None
    ec_slope_pct: float
    yield_response: dict[str, float] | None
    source: dict[str, str]


class CropsPage(TypedDict):
    """`rowwater crops --json`."""

    crops: list[CropLine]
