"""The blocks of crops.yaml."""

from __future__ import annotations

from typing import Annotated, Any, Literal, get_args

from pydantic import RootModel

from scheduler.garden.block import Block
from scheduler.garden.reads import choice, key
from scheduler.garden.values import Days, Flag, Fraction, Kc, Length, Name, OtherNames, Salinity

StageName = Literal["initial", "development", "mid-season", "late season"]


# fmt: off


class StageBlock(Block):
    stage: Annotated[StageName, choice(*get_args(StageName))] = key("Which stage.", "initial")
    days: Days | None = key("How long it lasts.", "30", None)
    kc: Kc | None = key("Crop coefficient; only of the initial and the mid-season stage.", "1.15", None)
    kc_end: Kc | None = key("Crop coefficient on the last day; only of the late season.", "0.80", None)
    source: Any = key("A note for people.", "my own records", None)


class RootDepthBlock(Block):
    start: Length | None = key("Of the young plant.", "0.25 m", None)
    full: Length | None = key("Of the grown one.", "0.70 m", None)


class CropBlock(Block):
    """A crop, or only what differs from the shipped one."""

    also: OtherNames | None = key("Other names of it.", "[love apple]", None)
    like: Name | None = key("A crop whose figures it takes, where it gives none of its own.", "spinach", None)
    stages: list[StageBlock] | None = key(
        "The four stages.", "[{stage: mid-season, days: 45, kc: 1.15}]", None)
    root_depth: RootDepthBlock | None = key("Depth of the roots.", "{start: 0.25 m, full: 0.70 m}", None)
    depletion: Fraction | None = key(
        "Share of the soil's water that it can use without stress.", "0.40", None)
    height: Length | None = key("Height of the grown crop.", "0.6 m", None)
    film_factor: Fraction | None = key("How much film mulch lowers its water use.", "0.20", None)
    ec_threshold: Salinity | None = key("Salinity of the soil that it bears without loss.", "2.5 dS/m", None)
    hold_last_stage: Flag | None = key(
        "A long harvest: it goes on as it is after its last day.", "true", None)
    source: Any = key("Where the figures come from: a note for people.", "my own records", None)


class CropsFile(RootModel[dict[str, CropBlock]]):
    """crops.yaml."""
