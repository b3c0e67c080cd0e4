"""The blocks that describe a planting: its rows, how it starts, what was seen of it, how it ends."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Annotated, Any, ClassVar, get_args

from scheduler.garden.block import Block
from scheduler.garden.nodes import NOTHING
from scheduler.garden.reads import choice, key, whole_number
from scheduler.garden.values import (
    Date,
    DryDays,
    Flag,
    Flow,
    Length,
    Name,
    RowCoverFactor,
    SeedDepth,
    Shade,
    Slope,
    SomeFraction,
    SomeMinutes,
    StageDays,
    TunnelFactor,
    Weekdays,
    WholeDays,
)
from scheduler.model import Mulch, StartedBy

# fmt: off


class RowsBlock(Block):
    count: Annotated[int, whole_number(1, 2000)] | None = key("How many rows.", "6", None)
    length: Length | None = key("Length of a row.", "80 ft", None)
    spacing: Length | None = key("From row to row.", "5 ft", None)
    tapes: Annotated[int, whole_number(1, 10, example="1")] | None = key("Tapes per row.", "1", None)
    slope: Slope | None = key("Rise of the rows away from the inlet: +2% uphill, -1% downhill.", "+1%", None)


class SettleBlock(Block):
    words: ClassVar[Mapping[str, Mapping[str, Any]]] = {"off": {}, "on": {}}
    days: Annotated[int, whole_number(1, 60)] = key("For how many days from planting on.", "10", 10)
    every: WholeDays | None = key(
        "A run every so many days (else 2; on coarse soil every day).", "2 days", None)
    run: SomeMinutes | None = key(
        "At least so long (else what gives a liter per meter of row).", "30 min", None)


class DryOffBlock(Block):
    short_for: ClassVar[str | None] = "days"
    days: DryDays = key("So many days before the harvest; 0 = none.", "10 days")
    refill_at: SomeFraction | None = key(
        "Not quite dry: water when this share of the easily used water is gone.", "1.0", None)


class ShelterBlock(Block):
    one_of: ClassVar[tuple[str, ...]] = ("tunnel", "row cover", "shade")
    words: ClassVar[Mapping[str, Mapping[str, Any]]] = {kind: {kind: NOTHING} for kind in one_of}
    tunnel: TunnelFactor | None = key(
        "A roof that keeps the rain out: what the crop uses, as a share of outside.", "0.7", None)
    row_cover: RowCoverFactor | None = key(
        "Fleece: what the crop uses, as a share of outside.", "0.8", None, alias="row cover")
    shade: Shade | None = key("Shade cloth: the share of the light that it takes.", "40%", None)
    until: Date | None = key("Day it is taken off.", "2026-05-20", None)


class ObservedBlock(Block):
    development: Date | None = key("First day on which the crop grew fast.", "2026-05-12", None)
    mid_season: Date | None = key(
        "First day on which it stood full grown.", "2026-06-20", None, alias="mid-season")
    late_season: Date | None = key(
        "First day on which it began to ripen or fade.", "2026-08-01", None, alias="late season")


class FeedBlock(Block):
    words: ClassVar[Mapping[str, Mapping[str, Any]]] = {"weekly": {}}
    days: Weekdays | None = key("The weekdays on which you feed.", "[mon]", None)


class PlantingBlock(Block):
    may_be_empty: ClassVar[frozenset[str]] = frozenset({"pulled"})
    crop: Name = key("A crop of the crop table or of crops.yaml.", "tomato")
    planted: Date = key("Day of planting or sowing.", "2026-04-20")
    pulled: Date | None = key(
        "Day it is pulled out; until then it is watered. The next may be planted on it.", "2026-08-10", None)
    by: Annotated[StartedBy, choice(*get_args(StartedBy))] | None = key(
        "How it starts: seed, transplants or sets (else as the crop table says).", "seed", None)
    seed_depth: SeedDepth | None = key("How deep it is sown (else as the crop table says).", "1/2 in", None)
    mulch: Annotated[Mulch, choice(*get_args(Mulch))] = key(
        "On the soil: none, film or straw.", "straw", "none")
    mulch_cover: SomeFraction | None = key(
        "Share of the ground under the mulch (else film 0.7, straw 1).", "60%", None)
    cover: SomeFraction | None = key(
        "Share of the ground that the crop shades at noon when full grown, where rows never close.",
        "60%", None)
    rows: RowsBlock | None = key(
        "Rows of its own; what is left out is the zone's.", "{count: 9, spacing: 2.5 ft}", None)
    measured_flow: Flow | None = key("Flow of these rows as measured.", "2.1 gpm", None)
    settle: SettleBlock | None = key(
        "Short frequent runs until transplants have rooted; off: none.",
        "{days: 10, every: 2 days, run: 30 min}", None)
    shelter: ShelterBlock | None = key(
        "What it stands under: a tunnel, row cover or shade.", "{row cover: 0.8, until: 2026-05-20}", None)
    observed: ObservedBlock | None = key(
        "The first day of a stage, as you saw it; the stages after it move along.",
        "{mid-season: 2026-06-20}", None)
    harvest: Date | None = key("Day on which it is to be lifted; drying off counts back from it.",
                               "2026-08-05", None)
    dry_off: DryOffBlock | None = key(
        "No water for so long before the harvest (else as the crop table says); 0: none.", "10 days", None)
    feed: FeedBlock | None = key(
        "Feeding through the tape, where it differs from the zone's: weekly, or on days.",
        "{days: [mon]}", None)
    heat: Flag = key("off: stages go by days even where the site's warmth is known.", "off", True)
    hold_last_stage: Flag | None = key(
        "false: its water ends with the last stage, pulled or not.", "false", None)
    days: StageDays | None = key(
        "Days of the four stages, where this planting differs from the crop table.", "[20, 30, 20, 10]", None)
