"""The blocks of crops.yaml."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Annotated, Any, ClassVar, Literal, get_args

from pydantic import RootModel

from scheduler.garden.block import Block
from scheduler.garden.planting_blocks import DryOffBlock
from scheduler.garden.reads import choice, key
from scheduler.garden.values import (
    BaseTemperature,
    Days,
    Flag,
    Fraction,
    Kc,
    Kcb,
    KilledBelow,
    Ky,
    Length,
    MonthAndDay,
    Name,
    OtherNames,
    PercentLost,
    Salinity,
    SeedDepth,
    UpperTemperature,
    Warmth,
    WarmthOfStages,
)
from scheduler.model import StartedBy

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


class KcbBlock(Block):
    initial: Kcb | None = key("Of the initial stage.", "0.15", None)
    mid_season: Kcb | None = key("Of mid-season.", "1.10", None, alias="mid-season")
    late_season: Kcb | None = key("On the last day.", "0.70", None, alias="late season")


class EmergenceBlock(Block):
    sum: Warmth = key("Degree-days until it shows, counted from the daily mean.", "130 C-days")
    base: BaseTemperature = key("Above this temperature.", "7.7 C")


class HeatBlock(Block):
    words: ClassVar[Mapping[str, Mapping[str, Any]]] = {"off": {}}
    base: BaseTemperature | None = key("It grows above this temperature.", "50 F", None)
    upper: UpperTemperature | None = key("More warmth than this speeds nothing.", "86 F", None)
    method: Annotated[Literal["sine", "average"], choice("sine", "average")] | None = key(
        "How a day's warmth is counted: sine, or the average of both extremes.", "sine", None)
    stages: WarmthOfStages | None = key(
        "Degree-days from planting to the end of each stage (else calibrated from the site's own years).",
        "[150, 450, 800, 1000]", None)
    reference: MonthAndDay | None = key(
        "Month and day of a usual planting, for the calibration (else 05-15, in the south 11-15).",
        "05-15", None)


class YieldResponseBlock(Block):
    season: Ky | None = key("Ky of the whole season.", "1.05", None)
    vegetative: Ky | None = key("Ky of the development stage.", "0.4", None)
    flowering: Ky | None = key("Ky of the first half of mid-season.", "1.1", None)
    yield_formation: Ky | None = key("Ky of the rest of mid-season.", "0.8", None)
    ripening: Ky | None = key("Ky of the late season.", "0.4", None)


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
    kcb: KcbBlock | None = key(
        "Basal crop coefficient: what the crop itself uses, the soil's evaporation apart.",
        "{initial: 0.15, mid-season: 1.10, late season: 0.70}", None)
    by: Annotated[StartedBy, choice(*get_args(StartedBy))] | None = key(
        "How it usually starts: seed, transplants or sets.", "seed", None)
    seed_depth: SeedDepth | None = key("How deep it is sown.", "20 mm", None)
    emergence: EmergenceBlock | None = key(
        "Warmth that the seed needs until it shows.", "{sum: 130, base: 7.7}", None)
    film_kcb: Fraction | None = key("How much film mulch lowers kcb.", "0.10", None)
    ec_slope: PercentLost | None = key(
        "Yield lost for each dS/m beyond ec_threshold, in percent.", "9.9", None)
    dry_off: DryOffBlock | None = key("No water for so long before the harvest; 0: none.", "14 days", None)
    killed_below: KilledBelow | None = key("Frost that kills it.", "-1 C", None)
    heat: HeatBlock | None = key(
        "Stages by warmth instead of days; off: by days.", "{base: 50 F, upper: 86 F}", None)
    yield_response: YieldResponseBlock | None = key(
        "By how much yield falls with use (Ky), of the season and of single stages.",
        "{season: 1.05, flowering: 1.1}", None)
    hold_last_stage: Flag | None = key(
        "false: its water ends with the last stage, pulled or not.", "false", None)
    source: Any = key("Where the figures come from: a note for people.", "my own records", None)


class CropsFile(RootModel[dict[str, CropBlock]]):
    """crops.yaml."""
