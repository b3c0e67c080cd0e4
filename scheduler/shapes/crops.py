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


class CropLine(TypedDict):
    """`like`: the crop whose figures stand in for its own; null where it has some. Null is not known."""

    crop: str
    also: list[str]
    like: str | None
    stages: list[StageLine]
    root_depth_m: RootDepth
    depletion: float
    height_m: float | None
    ec_threshold_ds_m: float | None
    source: dict[str, str]


class CropsPage(TypedDict):
    """`rowwater crops --json`."""

    crops: list[CropLine]
