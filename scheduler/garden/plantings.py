"""From the blocks of a planting that nobody complained about to the plain values of the program."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from datetime import date

from scheduler.garden.block import with_changes
from scheduler.garden.planting_blocks import (
    DryOffBlock,
    FeedBlock,
    ObservedBlock,
    PlantingBlock,
    RowsBlock,
    SettleBlock,
    ShelterBlock,
)
from scheduler.model import Crop, DryOff, Feed, Planting, Rows, Settle, Shelter, Stage, StartedBy


def planting_of(
    block: PlantingBlock, crop: Crop, zone_rows: RowsBlock | None, zone_flow: float | None
) -> Planting:
    """The planting of a crop on its own rows, or on the zone's."""
    rows = rows_of(block.rows, zone_rows)
    assert rows  # the checks saw to it
    own = block.rows is not None and bool(block.rows.model_fields_set)
    return Planting(
        crop=replace(
            crop,
            stage_days=block.days or crop.stage_days,
            hold_last_stage=crop.hold_last_stage if block.hold_last_stage is None else block.hold_last_stage,
        ),
        planted=block.planted,
        pulled=block.pulled,
        rows=rows,
        own_rows=own,
        mulch=block.mulch,
        measured_flow_lpm=block.measured_flow if own or block.measured_flow is not None else zone_flow,
        settle=settle_of(block.settle, block.by or crop.by),
        by=block.by,
        seed_depth_m=block.seed_depth,
        harvest=block.harvest,
        dry_off=dry_off_of(block.dry_off),
        cover=block.cover,
        mulch_cover=block.mulch_cover,
        shelter=_shelter_of(block.shelter),
        heat=block.heat,
        observed=tuple(observed_days(block.observed).items()),
        feed=feed_of(block.feed),
    )


def rows_of(own: RowsBlock | None, of_zone: RowsBlock | None) -> Rows | None:
    """Own rows over the zone's; None where they do not make whole rows."""
    merged = with_changes(of_zone, own) if own else of_zone
    if merged is None or merged.count is None or merged.length is None or merged.spacing is None:
        return None
    return Rows(merged.count, merged.length, merged.spacing, merged.tapes or 1, merged.slope or 0.0)


def settle_of(block: SettleBlock | None, by: StartedBy) -> Settle | None:
    """How a planting is settled in: transplants are, seed where it is given, sets never (None)."""
    if by == "sets" or (block is not None and block.off):
        return None
    if block is None:
        return Settle() if by == "transplants" else None
    return Settle(block.days, block.every, block.run)


def dry_off_of(block: DryOffBlock | None) -> DryOff | None:
    return None if block is None else DryOff(block.days, block.refill_at)


def feed_of(block: FeedBlock | None) -> Feed | None:
    return None if block is None else Feed(block.days)


def observed_days(block: ObservedBlock | None) -> Mapping[Stage, date]:
    """First day of each stage that was seen, in the order of the stages."""
    if block is None:
        return {}
    seen: dict[Stage, date | None] = {
        "development": block.development, "mid-season": block.mid_season, "late season": block.late_season,
    }  # fmt: skip
    return {stage: day for stage, day in seen.items() if day is not None}


def _shelter_of(block: ShelterBlock | None) -> Shelter | None:
    if block is None:
        return None
    if block.tunnel is not None:
        return Shelter("tunnel", block.tunnel, keeps_rain_out=True, until=block.until)
    if block.row_cover is not None:
        return Shelter("row cover", block.row_cover, keeps_rain_out=False, until=block.until)
    assert block.shade is not None  # the checks saw to it
    return Shelter("shade", 1 - block.shade / 2, keeps_rain_out=False, until=block.until)
