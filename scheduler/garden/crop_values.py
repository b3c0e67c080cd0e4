"""From the block of a crop that lacks nothing to the plain values of the program."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from scheduler.garden.crop_blocks import CropBlock, HeatBlock, StageBlock, YieldResponseBlock
from scheduler.garden.plantings import dry_off_of
from scheduler.model import Crop, Emergence, HeatUnits, YieldResponse


def crop_of(name: str, block: CropBlock, like: str | None) -> Crop:
    """The crop of a block that lacks nothing; like: whose figures stand in for its own."""
    stages: Mapping[str, StageBlock] = {stage.stage: stage for stage in block.stages or ()}
    ini, dev, mid, late = (stages[stage] for stage in ("initial", "development", "mid-season", "late season"))
    roots = block.root_depth
    assert roots
    assert roots.start is not None
    assert roots.full is not None
    more: dict[str, Any] = {
        "film_kcb": block.film_kcb,
        "by": block.by,
        "seed_depth_m": block.seed_depth,
        "ec_slope_pct": block.ec_slope,
    }
    return Crop(
        name=name,
        kc_ini=number(ini.kc),
        kc_mid=number(mid.kc),
        kc_end=number(late.kc_end),
        stage_days=(ini.days or 0, dev.days or 0, mid.days or 0, late.days or 0),
        root_start_m=roots.start,
        root_full_m=roots.full,
        depletion=number(block.depletion),
        height_m=block.height,
        hold_last_stage=block.hold_last_stage is not False,
        film_factor=block.film_factor,
        ec_threshold_ds_m=block.ec_threshold,
        like=like,
        kcb=_kcb(block),
        emergence=Emergence(block.emergence.sum, block.emergence.base) if block.emergence else None,
        dry_off=dry_off_of(block.dry_off),
        killed_below_c=block.killed_below,
        heat=_heat(block.heat),
        yield_response=_yield_response(block.yield_response),
        **{key: value for key, value in more.items() if value is not None},
    )


def number(value: float | None) -> float:
    """A value that is there: the checks saw to it."""
    assert value is not None
    return value


def _kcb(block: CropBlock) -> tuple[float, float, float] | None:
    if (kcb := block.kcb) is None:
        return None
    return number(kcb.initial), number(kcb.mid_season), number(kcb.late_season)


def _heat(block: HeatBlock | None) -> HeatUnits | None:
    if block is None or block.off:
        return None
    return HeatUnits(number(block.base), block.upper, block.method or "sine", block.stages, block.reference)


def _yield_response(block: YieldResponseBlock | None) -> YieldResponse | None:
    if block is None:
        return None
    stages = block.model_dump(exclude={"season"})
    return YieldResponse(number(block.season), **stages)
