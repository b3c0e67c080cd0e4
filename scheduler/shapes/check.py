"""`rowwater check --json`: can supply, tape, pressure and hours carry the garden."""

from __future__ import annotations

from typing import Literal, NotRequired, TypedDict

from scheduler.shapes.base import Day, Level


class ProblemLine(TypedDict):
    zone: str | None
    text: str
    mend: str
    level: Level


class TriedLine(TypedDict):
    """A source, or a file that garden.yaml names, and what it said when it was tried."""

    name: str
    text: str
    ok: bool


class RowLine(TypedDict):
    row: int
    tape_m: float
    inlet_kpa: float | None
    far_kpa: float | None
    lowest_kpa: float | None
    along_kpa: list[float]  # at equal steps from the inlet to the last emitter; [] where it is not known
    flow_lpm: float | None
    emitter_min_lph: float | None
    emitter_max_lph: float | None


class ZonePressure(TypedDict):
    flow_variation: float | None
    flow_variation_class: NotRequired[str]
    inlet_kpa: float | None
    lowest_kpa: float | None
    highest_kpa: float | None
    rows: list[RowLine]


class SeasonWater(TypedDict):
    """What a planting takes on the weather of those days, with each zone's own rule alone."""

    first: Day
    last: Day
    liters: float
    net_mm: float
    evaporation_mm: float
    sprinkle_days: int  # on which the seed rows want water that the tape does not bring up


class Saving(TypedDict):
    """One change alone: the tape at another depth, or straw; liters, net_mm: below 0 where it takes more."""

    tape_depth_m: float
    mulch: Literal["straw"] | None  # null: as it is
    liters: float
    net_mm: float
    sprinkle_days: int  # with the change


class ZoneTape(TypedDict):
    """What the tape does where it lies.

    wet_band_m: width wet on top over one tape, 0 where the water does not come up; event_net_mm,
    event_minutes: most of one event with the roots full grown; season_water: null, and savings empty, where
    no weather of such a season is known.
    """

    tape_depth_m: float
    wet_band_m: float
    wet_band_seen: bool  # the grower's own figure
    wets_seed: bool
    event_net_mm: float
    event_minutes: float
    feed_travel_minutes: float | None
    season_water: SeasonWater | None
    savings: list[Saving]


class ZoneFlow(ZonePressure, ZoneTape):
    """null: nothing tells it (no inside diameter, no climate); `rows` is empty then."""

    crop: str
    tape_m: float
    planted_m2: float
    flow_lpm: float
    flow_by: str
    fits_supply: bool
    uniformity: float
    uniformity_by: str
    peak_minutes: float | None


class HottestWeek(TypedDict):
    """The 7 days whose mean ET0 is the highest of the record."""

    first: str
    last: str
    et0_mm: float  # mean of a day
    summer_on_record: bool  # false: a summer's hottest week asks for more


class CheckPage(TypedDict):
    """`rowwater check --json`."""

    supply_lpm: float
    usable_lpm: float
    longest_tape_m: dict[str, float]
    zones: dict[str, ZoneFlow]
    sections: list[list[str]]
    section_flows_lpm: list[float]
    sections_proven_fewest: bool
    hottest_week: HottestWeek | None  # null: no week of weather is known
    hottest_week_minutes: float | None
    hours_minutes: float | None
    problems: list[ProblemLine]
    cautions: list[str]
    notices: list[str]
    sources: NotRequired[list[TriedLine]]  # not with --offline
    config: NotRequired[str]
    data: NotRequired[str]
