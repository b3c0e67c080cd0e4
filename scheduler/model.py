"""The plain, frozen values that flow through the program; SI units inside, the unit in each name.

Nothing here computes agronomy or touches a file: the doors make these, the core reads them.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field
from datetime import date, datetime, time, timedelta
from typing import TYPE_CHECKING, Any, Literal, NamedTuple, Self

from scheduler.errors import BadInput

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

    from scheduler.shapes.base import FeedLine, NoticeKind, RunLine
    from scheduler.shapes.day import DayPage

    FloatArray = NDArray[np.float64]

Display = Literal["us", "metric"]
Mulch = Literal["none", "film", "straw"]
TextureGroup = Literal["coarse", "medium", "fine"]
CropCoefficient = Literal["single", "dual"]
DEFAULT_COEFFICIENT: CropCoefficient = "dual"
"""Of a garden that does not say."""
USUAL_TAPE_DEPTH_M = 0.10
"""Of a zone that does not say: buried tape (own choice)."""
StartedBy = Literal["seed", "transplants", "sets"]
Stage = Literal["initial", "development", "mid-season", "late season"]
WEEKDAYS = ("mon", "tue", "wed", "thu", "fri", "sat", "sun")
EARLIEST, LATEST = date(1900, 1, 1), date(2199, 12, 31)
"""The days that the program knows, typed or read from a file; beyond them a year is mistyped."""


# --- the garden: the grower's intent -------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Location:
    latitude_deg: float
    longitude_deg: float
    elevation_m: float
    timezone: str
    dry: bool = False
    coastal: bool = False
    wind_2m_m_s: float | None = None  # site mean, for the climate adjustment of Kc only
    rh_min_pct: float | None = None
    temperature_only: Literal["penman-monteith", "hargreaves"] = "penman-monteith"


@dataclass(frozen=True, slots=True)
class Mainline:
    inside_diameter_m: float
    length_m: float
    feed: Literal["end", "middle"] = "end"
    slope: float = 0.0
    takeoff_loss: float = 0.0


@dataclass(frozen=True, slots=True)
class WateringDays:
    """Which local dates water may run on."""

    kind: Literal["all", "even", "odd", "weekdays"] = "all"
    weekdays: frozenset[int] = frozenset()  # 0 = Monday, only for kind "weekdays"

    def allows(self, day: date) -> bool:
        match self.kind:
            case "even":
                return day.day % 2 == 0
            case "odd":
                return day.day % 2 == 1
            case "weekdays":
                return day.weekday() in self.weekdays
        return True


class Hours(NamedTuple):
    """A window of the day in which water may run; `until` at or before `begin` is on the next date."""

    begin: time
    until: time


@dataclass(frozen=True, slots=True)
class MonthRule:
    """What replaces the supply's own rule in some months; None keeps it."""

    months: frozenset[int]  # 1..12
    hours: tuple[Hours, ...] | None = None
    days: WateringDays | None = None
    daily_cap_l: float | None = None
    monthly_cap_l: float | None = None


class WaterPrice(NamedTuple):
    """What a litre costs; `currency` as the grower writes it."""

    per_l: float
    currency: str = ""


@dataclass(frozen=True, slots=True)
class Supply:
    flow_lpm: float
    keep_back: float = 0.0
    pressure_kpa: float | None = None
    static_pressure_kpa: float | None = None
    hours: tuple[Hours, ...] = (Hours(time(4), time(10)),)  # by their begin; only the last passes midnight
    hours_given: bool = True  # False: the hours above are the program's guess, and it must say so
    days: WateringDays = WateringDays()
    daily_cap_l: float | None = None
    mainline: Mainline | None = None
    ec_ds_m: float | None = None
    by_month: tuple[MonthRule, ...] = ()  # no month stands in two of them
    monthly_cap_l: float | None = None
    not_together: tuple[tuple[str, ...], ...] = ()  # zones of which no two run at one time
    injector_minutes: float | None = None  # until the feed tank is empty
    water_price: WaterPrice | None = None

    @property
    def usable_lpm(self) -> float:
        """Usable flow: bucket flow less what the grower keeps back (model M8)."""
        return self.flow_lpm * (1 - self.keep_back)


@dataclass(frozen=True, slots=True)
class Tape:
    name: str
    flow_lpm_per_m: float
    rated_at_kpa: float | None = None
    exponent: float = 0.5
    emitter_spacing_m: float | None = None
    inside_diameter_m: float | None = None
    wall_m: float | None = None
    crop_cycles: float | None = None
    variation: float = 0.05  # manufacturing coefficient of variation
    roughness_m: float = 1.5e-6
    pressure_limit_kpa: float | None = None


@dataclass(frozen=True, slots=True)
class Rows:
    count: int
    length_m: float
    spacing_m: float
    tapes: int = 1
    slope: float = 0.0

    @property
    def area_m2(self) -> float:
        """Planted area: row length x row spacing; every depth is per this area."""
        return self.count * self.length_m * self.spacing_m

    @property
    def tape_m(self) -> float:
        return self.count * self.length_m * self.tapes


@dataclass(frozen=True, slots=True)
class Soil:
    name: str  # the texture, or "own figures"
    theta_fc: float
    theta_wp: float
    texture_group: TextureGroup = "medium"
    group_assumed: bool = False  # own figures say nothing of the wetted width
    rew_mm: float = 9.0  # readily evaporable water of the top 0.10 m (FAO-56 Table 19)


@dataclass(frozen=True, slots=True)
class HeatUnits:
    """How a crop's degree-days are counted, degC."""

    base_c: float
    upper_c: float | None = None
    method: Literal["sine", "average"] = "sine"
    stages: tuple[float, float, float, float] | None = None  # sums at each stage's end; None: by calibration
    reference: tuple[int, int] | None = None  # month and day of a usual planting; None: by the hemisphere


@dataclass(frozen=True, slots=True)
class Emergence:
    """Warmth that a seed needs until it shows: degC days of the daily mean over a base."""

    sum_c: float
    base_c: float


@dataclass(frozen=True, slots=True)
class DryOff:
    """Days without water before lifting; with refill_at: watered only from that share of RAW on."""

    days: int
    refill_at: float | None = None


@dataclass(frozen=True, slots=True)
class YieldResponse:
    """Yield response factors Ky (FAO-33): of the season, and of single stages where published."""

    season: float
    vegetative: float | None = None
    flowering: float | None = None
    yield_formation: float | None = None
    ripening: float | None = None


@dataclass(frozen=True, slots=True)
class Crop:
    name: str
    kc_ini: float
    kc_mid: float
    kc_end: float
    stage_days: tuple[int, int, int, int]
    root_start_m: float
    root_full_m: float
    depletion: float
    height_m: float | None = None
    film_factor: float | None = None
    ec_threshold_ds_m: float | None = None
    hold_last_stage: bool = False
    like: str | None = None
    """The crop whose figures stand in for its own."""
    kcb: tuple[float, float, float] | None = None  # initial, mid-season, end; None: from Kc
    film_kcb: float = 0.10  # share by which film lowers Kcb
    by: StartedBy = "transplants"
    seed_depth_m: float = 0.020
    emergence: Emergence | None = None
    dry_off: DryOff | None = None
    killed_below_c: float | None = None
    ec_slope_pct: float = 10.0  # yield lost per dS/m above the threshold
    heat: HeatUnits | None = None
    yield_response: YieldResponse | None = None  # None: no yield is said


@dataclass(frozen=True, slots=True)
class CropEntry:
    """A crop with what the table says about it."""

    crop: Crop
    also: tuple[str, ...]
    source: Mapping[str, str]
    """Figure -> where it comes from."""


@dataclass(frozen=True, slots=True)
class Settle:
    """Short frequent runs that settle transplants in (common practice, no source)."""

    days: int = 10
    every_days: int | None = None  # None: by the soil
    run_minutes: float | None = None  # None: a litre for each metre of row


@dataclass(frozen=True, slots=True)
class Feed:
    """Mornings on which the grower means to feed through the tape."""

    weekdays: tuple[int, ...] | None = None  # Monday is 0; None: once a week


@dataclass(frozen=True, slots=True)
class Shelter:
    """A tunnel, row cover or shade over a planting, up to the day before `until`."""

    kind: Literal["tunnel", "row cover", "shade"]
    et0_factor: float
    keeps_rain_out: bool
    until: date | None = None


@dataclass(frozen=True, slots=True)
class Planting:
    crop: Crop  # with the planting's own stage lengths and hold_last_stage already applied
    planted: date
    pulled: date | None
    rows: Rows  # the zone's, where the planting gives none of its own
    own_rows: bool = False
    mulch: Mulch = "none"
    measured_flow_lpm: float | None = None  # of the rows above
    settle: Settle | None = None
    by: StartedBy | None = None  # None: the crop's
    seed_depth_m: float | None = None
    harvest: date | None = None
    dry_off: DryOff | None = None  # None: the crop's
    dry_from: date | None = None  # noted: no water from this day on
    cover: float | None = None  # share of the ground that the full-grown crop shades at noon
    covers_seen: tuple[tuple[date, float], ...] = ()  # noted
    mulch_cover: float | None = None
    shelter: Shelter | None = None
    heat: bool = True
    observed: tuple[tuple[Stage, date], ...] = ()  # first day of a stage, as seen
    emerged: date | None = None  # noted
    feed: Feed | None = None  # None: the zone's


@dataclass(frozen=True, slots=True)
class Valve:
    """What opens a zone. Two zones whose `key` is equal hang on one valve and run together."""

    driver: str  # a module of scheduler/relays
    key: str  # canonical text of driver and settings; for by_hand "by_hand:ZONE"
    settings: Mapping[str, Any] = field(default_factory=dict, hash=False)
    cap_minutes: float = 360.0
    acts_within_minutes: float = 0.0  # so long after its failure an open may still take effect


Priority = Literal["low", "normal", "high"]
SoilUnit = Literal["cb", "kPa", "hPa", "%", "m3/m3"]


@dataclass(frozen=True, slots=True)
class SoilSensor:
    """A soil sensor whose readings another program writes to a CSV file, or sends as messages."""

    file: str | None  # relative paths start at the garden's folder
    column: str | None  # of the file
    unit: SoilUnit
    time: str = "Time"
    depth_m: float | None = None
    instrument: Literal["tensiometer", "block"] = "tensiometer"
    topic: str | None = None  # of the messages, in place of a file
    field: str | None = None  # where the reading stands in a message; None: the message is the reading


@dataclass(frozen=True, slots=True)
class Zone:
    name: str
    tape: Tape
    soil: Soil
    rows: Rows | None  # None only where every planting gives rows of its own
    plantings: tuple[Planting, ...]  # in order of planted date
    valve: Valve
    wetted_width_m: float  # by one tape: the grower's, else the soil table's
    tape_laid: date | None = None
    uniformity: float | None = None
    measured_flow_lpm: float | None = None  # already handed to the plantings on the zone's own rows
    refill_at: float = 0.5
    leave_room_mm: float = 0.0
    shortest_run_minutes: float = 5.0
    longest_run_minutes: float | None = None
    fill_time_minutes: float = 0.0
    starting_deficit_mm: float | None = 0.0  # None: from the bed's surface
    rain_capture: float | None = None
    runoff: float = 0.0
    longest_pulse_minutes: float | None = None
    pulse_rest_minutes: float = 60.0
    soil_sensor: SoilSensor | None = None
    priority: Priority = "normal"
    tape_depth_m: float = USUAL_TAPE_DEPTH_M
    wet_band_m: float | None = None  # width seen wet on top over one tape
    surface_run_minutes: float | None = None  # until the soil over the seed is dark; None: by the soil
    soil_ec_ds_m: float = 1.0
    feed: Feed | None = None


@dataclass(frozen=True, slots=True)
class SourceSpec:
    """One entry of weather.sources, in the grower's order."""

    kind: Literal["service", "file", "mqtt"]
    name: str  # what facts are labelled with: "open-meteo", "file station.csv", "mqtt station/daily"
    settings: Mapping[str, Any] = field(default_factory=dict, hash=False)


@dataclass(frozen=True, slots=True)
class Garden:
    name: str
    location: Location
    display: Display
    supply: Supply
    tapes: Mapping[str, Tape]
    zones: tuple[Zone, ...]
    sources: tuple[SourceSpec, ...] = ()
    plan_at: time | None = None
    finish: Literal["early", "late"] = "late"
    crop_coefficient: CropCoefficient = DEFAULT_COEFFICIENT
    service: Mapping[str, Any] = field(default_factory=dict, hash=False)
    """Settings of the always-running service, checked but not used by the core:
    clock, notify, broker, meter, flow_from, master_valve; and of the page for phones."""
    folder: str = "."  # where garden.yaml stands: relative weather paths start here
    notices: tuple[str, ...] = ()  # what was assumed while reading ("hours not given: ...")


# --- weather: facts ------------------------------------------------------------------------------

WEATHER_FIELDS = (
    "tmin_c", "tmax_c", "tdew_c", "rh_mean_pct", "rh_min_pct", "rh_max_pct",
    "wind_m_s", "wind_height_m", "solar_mj_m2", "sunshine_h", "rain_mm", "rain_chance_pct",
)  # fmt: skip
"""Names of the daily weather file; `rain_so_far_mm` (since local midnight) comes on top, live only."""

ValueKind = Literal["gauge", "station", "model", "forecast"]
KIND_RANK: Mapping[ValueKind, int] = {"gauge": 0, "station": 1, "model": 2, "forecast": 2}
"""Per value a gauge beats a station, a station beats what a model says; then the grower's order."""


@dataclass(frozen=True, slots=True)
class WeatherValue:
    """One fact: what `source` said of `day`, when."""

    day: date
    field: str  # of WEATHER_FIELDS, or "rain_so_far_mm"
    value: float  # finite, SI
    source: str  # SourceSpec.name, or "gauge"
    kind: ValueKind
    fetched_at: datetime


@dataclass(frozen=True, slots=True)
class Fetched:
    """What one source answered: values, what was repaired or set aside, and the credit it asks for."""

    values: tuple[WeatherValue, ...]
    notices: tuple[str, ...] = ()
    credit: str | None = None


@dataclass(frozen=True, slots=True)
class WeatherDays:
    """Consecutive local days from `first`; arrays (day,), nan = missing, as the sources gave them."""

    first: date
    tmin_c: FloatArray
    tmax_c: FloatArray
    tdew_c: FloatArray
    rh_mean_pct: FloatArray
    rh_min_pct: FloatArray
    rh_max_pct: FloatArray
    wind_m_s: FloatArray
    wind_height_m: FloatArray  # nan = 2 m
    solar_mj_m2: FloatArray
    sunshine_h: FloatArray
    rain_mm: FloatArray
    rain_chance_pct: FloatArray
    came_from: Mapping[str, tuple[str | None, ...]] = field(default_factory=dict)
    """Per field, per day, "source (kind)"; empty where a single file is the only source."""
    notices: tuple[str, ...] = ()

    def __len__(self) -> int:
        return len(self.tmin_c)

    @property
    def last(self) -> date:
        return self.first + timedelta(days=len(self) - 1)

    def dates(self) -> Iterator[date]:
        return (self.first + timedelta(days=i) for i in range(len(self)))


# --- what was planned, and what was done ---------------------------------------------------------


@dataclass(frozen=True, slots=True)
class FeedWindow:
    """When to inject feed into a run, and until when clean water flushes it; nothing opens an injector."""

    start: datetime
    stop: datetime
    flush_until: datetime

    @classmethod
    def from_page(cls, page: FeedLine) -> Self:
        """A window as the pages hold it."""
        start, stop, flush_until = page["start"], page["stop"], page["flush_until"]
        return cls(*map(datetime.fromisoformat, (start, stop, flush_until)))


@dataclass(frozen=True, slots=True)
class Run:
    zone: str
    pulse: int  # 1, 2, ... within the zone's local date
    start: datetime
    stop: datetime
    minutes: float
    liters: float
    net_mm: float
    flow_lpm: float
    feed: FeedWindow | None = None

    @classmethod
    def from_page(cls, page: RunLine) -> Self:
        """A run as the pages hold it."""
        feed = page.get("feed")
        return cls(
            zone=page["zone"],
            pulse=page["pulse"],
            start=datetime.fromisoformat(page["start"]),
            stop=datetime.fromisoformat(page["stop"]),
            minutes=page["minutes"],
            liters=page["liters"],
            net_mm=page["net_mm"],
            flow_lpm=page["flow_lpm"],
            feed=None if feed is None else FeedWindow.from_page(feed),
        )


@dataclass(frozen=True, slots=True)
class Unmet:
    zone: str
    net_mm: float
    why: str  # with places for `numbers`, which `show.words` fills in
    numbers: tuple[float, ...] = ()


@dataclass(frozen=True, slots=True)
class Notice:
    level: Literal["info", "look", "problem"]  # look, problem: something needs the grower's eye
    text: str
    kind: NoticeKind = "garden"
    zones: tuple[str, ...] = ()  # that it is about, where it may be told again


Windows = tuple[tuple[datetime, datetime], ...]
"""Begin and end of each of a day's windows in time order, aware; one at least."""


@dataclass(frozen=True, slots=True)
class Schedule:
    day: date
    windows: Windows
    runs: tuple[Run, ...] = ()
    unmet: tuple[Unmet, ...] = ()
    notices: tuple[Notice, ...] = ()

    @property
    def window_from(self) -> datetime:
        """The first begin of the day's watering hours."""
        return self.windows[0][0]

    @property
    def window_until(self) -> datetime:
        """Their last end, which may be on the next date."""
        return self.windows[-1][1]


Outcome = Literal["done", "cut short", "interrupted", "never opened", "by hand"]


@dataclass(frozen=True, slots=True)
class Applied:
    """Water that really reached a zone on a local date: never a plan (model M9)."""

    zone: str
    day: date
    minutes: float
    liters: float
    gross_mm: float
    net_mm: float
    outcome: Outcome
    recorded_at: datetime
    pulse: int | None = None  # the planned run it answers, if one
    opened_at: datetime | None = None
    closed_at: datetime | None = None
    measured: bool = False  # litres from a meter or from the grower, not minutes x flow
    replaces_day: bool = False  # the grower's correction: all that this zone got on that day
    least_minutes: float | None = None  # bounds, where the true length is uncertain
    most_minutes: float | None = None


NoteKind = Literal[
    "rain", "planted", "pulled", "filter", "tape", "hold", "soil", "chore", "repair",
    "emerged", "sprinkled", "stage", "cover", "dry-off", "feed",
]  # fmt: skip


@dataclass(frozen=True, slots=True)
class Note:
    """What the grower saw or did, as typed: never edited; a later note is a new fact."""

    kind: NoteKind
    day: date
    recorded_at: datetime
    zone: str | None = None
    details: Mapping[str, Any] = field(default_factory=dict)  # JSON-able; rain: {"mm", "since", "at"}


LONGEST_READING = timedelta(days=62)


@dataclass(frozen=True, slots=True)
class RainReading:
    """What the grower's gauge caught between two instants."""

    mm: float
    since: datetime
    at: datetime

    def __post_init__(self) -> None:
        if not (math.isfinite(self.mm) and 0 <= self.mm <= 2000):
            raise BadInput(f"{self.mm:g} mm is not an amount of rain")
        if self.since.utcoffset() is None or self.at.utcoffset() is None:
            raise BadInput("the times of a rain reading need their time zone")
        if self.since >= self.at:
            raise BadInput("a rain reading must begin before it ends")
        if self.at - self.since > LONGEST_READING:
            raise BadInput(
                f"a rain reading over more than {LONGEST_READING.days} days cannot be split over them"
            )


@dataclass(frozen=True, slots=True)
class StoredPlan:
    """A plan as it was made; `page` is all that the grower was told. Its working is read apart."""

    day: date
    made_at: datetime
    inputs: str  # digest of every fact and setting that the plan rests on
    page: DayPage

    @property
    def runs(self) -> tuple[Run, ...]:
        return tuple(map(Run.from_page, self.page.get("runs", ())))


# --- the ledger of valve openings ----------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Share:
    """What one zone gets of one opening of its valve; the rates are those of the day it opens."""

    zone: str
    day: date  # local date the water counts for
    pulse: int | None  # of the planned run; None for a run by hand
    minutes: float  # asked for
    flow_lpm: float
    net_per_minute: float  # mm, once the line is full
    gross_per_minute: float  # mm
    fill_minutes: float = 0.0  # what filling the line still takes


@dataclass(frozen=True, slots=True)
class Opening:
    """One opening of one valve, written down before the command is sent."""

    uid: str
    valve: str  # model.Valve.key
    seconds: float  # to stay open
    shares: tuple[Share, ...]
    recorded_at: datetime
    boot: str  # which start of the computer: its monotonic clock means something only there
    monotonic_s: float  # when it was written down


@dataclass(frozen=True, slots=True)
class Unsettled:
    """An opening that nobody closed in the books: the program or the power went away meanwhile."""

    opening: Opening
    open_seconds: float | None  # at the last heartbeat; None: none was written, perhaps it never opened
    beat_at: datetime | None
    beats_lost: bool = False  # known from the trace alone: of its heartbeats nothing is known
