"""The blocks of garden.yaml as pydantic models, one per block, values in the house units.

Each setting's help and one example live here: starter file, JSON Schema and the table of settings are made
from them.  What takes more than one value to judge is checked in `checks`.
"""

from __future__ import annotations

from typing import Annotated, Any, ClassVar, Literal, get_args

from pydantic import PrivateAttr, model_validator

from scheduler.garden.block import Block
from scheduler.garden.planting_blocks import FeedBlock, PlantingBlock, RowsBlock
from scheduler.garden.reads import choice, key, quantity
from scheduler.garden.source_blocks import WeatherBlock
from scheduler.garden.values import (
    Date,
    Depth,
    Diameter,
    FilePath,
    FillingTime,
    Flag,
    Flow,
    Fraction,
    HostNames,
    Length,
    Listen,
    Minutes,
    Name,
    NotTogether,
    Pressure,
    Salinity,
    Slope,
    SoilSalinity,
    SomeFraction,
    SomeMinutes,
    TapeDepth,
    TimeOfDay,
    TimeZone,
    Volume,
    WaterContent,
    WetBand,
    WhichDays,
)
from scheduler.garden.valve_blocks import (
    BrokerBlock,
    MasterValveBlock,
    MeterBlock,
    NotifyBlock,
    ValveBlock,
)
from scheduler.model import DEFAULT_COEFFICIENT, CropCoefficient, Display, Priority, SoilUnit, WateringDays

# fmt: off


class LocationBlock(Block):
    latitude: Annotated[float, quantity("number", least=-90, most=90)] = key(
        "Degrees north of the equator; south is negative.", "35.61")
    longitude: Annotated[float, quantity("number", least=-180, most=180)] = key(
        "Degrees east of Greenwich; west is negative.", "-82.44")
    elevation: Annotated[float, quantity("length", least=-500, most=6000)] = key(
        "Height above the sea.", "2130 ft")
    timezone: TimeZone = key("Name of the time zone, as area/city.", "America/New_York")
    dry: Flag = key(
        "A dry climate: where no humidity is known, the dew point is taken 2 C below the night's low.",
        "true", False)
    coastal: Flag = key("Near a coast: it changes the sunshine estimated from temperatures.", "true", False)
    wind_2m: Annotated[float, quantity("speed", least=0, most=50)] | None = key(
        "Mean wind of the season, 2 m above ground; with rh_min it fits crop coefficients to the climate.",
        "4.5 mph", None)
    rh_min: Annotated[float, quantity("percent", least=0, most=100)] | None = key(
        "Mean of the season's daily lowest relative humidity, in percent.", "55%", None)
    temperature_only: Annotated[
        Literal["penman-monteith", "hargreaves"], choice("penman-monteith", "hargreaves")
    ] = key("Formula where only temperatures are known: penman-monteith or hargreaves.", "hargreaves",
            "penman-monteith")


class BucketBlock(Block):
    volume: Volume = key("What the bucket holds.", "5 gal")
    time: FillingTime = key("How long it takes to fill.", "58 s")


class WaterPriceBlock(Block):
    amount: Annotated[float, quantity("number", least=0, most=1e6)] = key(
        "What that much water costs.", "5.20")
    per: Annotated[float, quantity("volume", above=0)] = key("How much water that is.", "1000 gal")
    currency: Name = key("As the report shall write it.", "$", "")


class HoursBlock(Block):
    from_: TimeOfDay = key("No water before.", '"04:00"', alias="from")
    until: TimeOfDay = key("All water off by then; at or before `from`, on the next day.", '"10:00"')
    or_two: ClassVar[bool] = True
    _second: HoursBlock | None = PrivateAttr(default=None)

    @property
    def windows(self) -> tuple[HoursBlock, ...]:
        """One window, or both of a list of two."""
        return (self,) if self._second is None else (self, self._second)

    @model_validator(mode="wrap")
    @classmethod
    def _one_or_two(cls, value: Any, handler: Any) -> Any:
        if not isinstance(value, list):
            return handler(value)
        if not 1 <= len(value) <= 2:
            found = f"{len(value)} windows" if value else "an empty list"
            raise ValueError(
                f"{found} - one or two a day are possible, for example "
                '[{from: "04:00", until: "08:00"}, {from: "20:00", until: "22:00"}]'
            )
        blocks = [handler(item) for item in value]
        for block, item in zip(blocks, value, strict=True):
            block._at = getattr(item, "at", ())
        blocks[0]._second = blocks[1] if len(blocks) == 2 else None
        return blocks[0]


class MainlineBlock(Block):
    inside_diameter: Diameter = key("Inside diameter.", "0.70 in")
    length: Length = key("Length.", "100 ft")
    feed: Annotated[Literal["end", "middle"], choice("end", "middle")] = key(
        "Where the hose joins it: at one end, or in the middle.", "middle", "end")
    slope: Slope = key("Rise away from the feed: +2% uphill, -1% downhill.", "+1%", 0.0)
    takeoff_loss: Annotated[float, quantity("number", least=0, most=100)] = key(
        "Loss at each take-off: K on the velocity head in the tape's first segment.", "0.9", 0.0)


class MonthBlock(Block):
    hours: HoursBlock | None = key(
        "When water may run in these months.", '{from: "21:00", until: "02:00"}', None)
    days: WhichDays | None = key("Days on which water may run in these months.", "[tue, fri]", None)
    daily_cap: Volume | None = key("The most water in one day of these months.", "800 gal", None)
    monthly_cap: Volume | None = key("The most water in each of these months.", "12000 gal", None)


class SupplyBlock(Block):
    one_of: ClassVar[tuple[str, ...]] = ("bucket", "flow")
    bucket: BucketBlock | None = key(
        "The timed bucket, filled where the tape will be fed.", "{volume: 5 gal, time: 58 s}", None)
    flow: Flow | None = key("The flow itself, instead of the bucket.", "5.2 gpm", None)
    keep_back: Annotated[float, quantity("fraction", least=0, below=1)] = key(
        "Share of the flow that stays free for other taps.", "10%", 0.0)
    pressure: Pressure | None = key("Pressure behind the regulator, where the tape starts.", "12 psi", None)
    static_pressure: Pressure | None = key("Pressure before the regulator, no water running.", "45 psi", None)
    hours: HoursBlock | None = key(
        "When water may run: one window, or a list of two; a window may pass midnight.",
        '{from: "04:00", until: "10:00"}', None)
    days: WhichDays = key(
        "Days on which water may run: all, even, odd, or a list of weekdays.",
        "[mon, wed, sat]", WateringDays())
    daily_cap: Volume | None = key("The most water in one day.", "1500 gal", None)
    monthly_cap: Volume | None = key("The most water in one calendar month.", "20000 gal", None)
    by_month: dict[str, MonthBlock] | None = key(
        "What holds instead in some months: june, jun-aug, nov-feb. What is left out stays as it is.",
        "{jun-aug: {days: [tue, fri], daily_cap: 800 gal}}", None)
    not_together: NotTogether | None = key(
        "Zones of which no two run at one time: all, or groups such as [[tomatoes, beans]].", "all", None)
    mainline: MainlineBlock | None = key(
        "The supply line along the garden's edge.",
        "{inside_diameter: 0.70 in, length: 100 ft, feed: end}", None)
    ec: Salinity | None = key(
        "Salinity of the water; it adds leaching where the crop's limit is known.", "1.1 dS/m", None)
    injector_minutes: Annotated[float, quantity("duration", above=0, most=600)] | None = key(
        "How long the feed tank takes until it is empty.", "20 min", None)
    water_price: WaterPriceBlock | None = key(
        "What the water costs; the report reckons with it.",
        "{amount: 5.20, per: 1000 gal, currency: $}", None)


class TapeBlock(Block):
    flow: Annotated[float, quantity("tape flow", above=0)] = key(
        "Flow per length at the rated pressure, as printed on the reel.", "0.40 gpm/100ft")
    rated_at: Pressure | None = key("The pressure at which the tape gives that flow.", "12 psi", None)
    exponent: Annotated[float, quantity("number", least=0, most=1)] = key(
        "How flow follows pressure: 0.5 for plain tape, near 0 for pressure-compensating tape.", "0.5", 0.5)
    emitter_spacing: Length | None = key("From emitter to emitter.", "12 in", None)
    inside_diameter: Diameter | None = key("Inside diameter.", "0.636 in", None)
    wall: Length | None = key("Thickness of the wall.", "8 mil", None)
    crop_cycles: Annotated[float, quantity("number", above=0, most=100)] | None = key(
        "How many crops the tape lasts.", "2", None)
    variation: Annotated[float, quantity("fraction", least=0, most=0.5)] = key(
        "How much emitters differ as made (coefficient of variation).", "0.05", 0.05)
    roughness: Annotated[float, quantity("length", least=0, most=0.001)] = key(
        "Roughness of the inside.", "0.0015 mm", 1.5e-6)
    pressure_limit: Pressure | None = key("The most pressure that the maker allows.", "15 psi", None)


class SoilBlock(Block):
    short_for: ClassVar[str | None] = "texture"
    texture: Name | None = key("A texture of the soil table.", "sandy loam", None)
    theta_fc: WaterContent | None = key("Water held at field capacity, by volume.", "0.23", None)
    theta_wp: WaterContent | None = key("Water left at wilting point, by volume.", "0.11", None)


class SoilTopicBlock(Block):
    topic: Name = key("The topic of its messages; the service hears them.", "shed/soil/north")
    field: Name | None = key("Where the reading stands in a message that is more than a number.",
                             "soil.tension", None)


class SoilSensorBlock(Block):
    one_of: ClassVar[tuple[str, ...]] = ("file", "mqtt")
    file: FilePath | None = key("The CSV file that the sensor's logger writes.", "soil.csv", None)
    mqtt: SoilTopicBlock | None = key(
        "In place of a file: messages by way of the broker.", "{topic: shed/soil/north}", None)
    column: Name | None = key("Heading of the file's column that holds its readings.", "North bed", None)
    unit: Annotated[str, choice(*get_args(SoilUnit))] = key(
        "What they are in: tension, or water by volume (% or m3/m3).", "cb")
    time: Name = key("Heading of the column with date and time.", "Time", "Time")
    depth: Length | None = key("How deep the sensor sits.", "8 in", None)
    instrument: Annotated[Literal["tensiometer", "block"], choice("tensiometer", "block")] = key(
        "tensiometer (to 85 cb), or block for a granular matrix sensor (to 200 cb).", "block", "tensiometer")


class ZoneBlock(Block):
    rows: RowsBlock | None = key(
        "The rows that the valve feeds.", "{count: 6, length: 80 ft, spacing: 5 ft}", None)
    tape: Name = key("One of the tapes above.", "thin")
    tape_laid: Date | None = key("Day the tape was laid.", "2026-04-10", None)
    soil: SoilBlock = key(
        "A texture, or figures of your own: {theta_fc: 0.23, theta_wp: 0.11}.", "sandy loam")
    wetted_width: Length | None = key(
        "Width of the strip that one tape wets: dig after a run and measure. Without it: the usual one.",
        "24 in", None)
    tape_depth: TapeDepth | None = key(
        "How deep the tape lies, 0 = on the surface. Without it: 4 in (10 cm).", "4 in", None)
    wet_band: WetBand | None = key(
        "Width seen wet on top over one tape after a run. Without it: reckoned from the tape's depth.",
        "8 in", None)
    surface_run: Annotated[float, quantity("duration", above=0, most=600)] | None = key(
        "Time until the soil over a seed is dark: time it once (else 30, on fine soil 45).", "40 min", None)
    uniformity: SomeFraction | None = key("How evenly the tape waters, as measured.", "0.88", None)
    measured_flow: Flow | None = key("Flow of the zone's own rows as measured.", "1.9 gpm", None)
    refill_at: SomeFraction = key(
        "Water when this share of the easily used water is gone; drip waters little and often.", "0.5", 0.5)
    leave_room: Depth = key("Depth left unfilled, for rain.", "0.1 in", 0.0)
    shortest_run: Minutes = key("Below this nothing runs and the need waits.", "5 min", 5.0)
    longest_run: Annotated[float, quantity("duration", least=1)] | None = key(
        "The most a day.", "90 min", None)
    fill_time: Minutes = key("Time in which the lines fill before they drip.", "2 min", 0.0)
    starting_deficit: Depth | None = key(
        "Water missing from the root zone when the record begins.", "0.2 in", None)
    rain_capture: Fraction | None = key(
        "Share of the rain that reaches the soil (else film 0.3, others 1).", "0.3", None)
    runoff: Fraction = key("Share of the rain that runs off.", "10%", 0.0)
    longest_pulse: SomeMinutes | None = key(
        "A longer run is split into pulses of at most this.", "30 min", None)
    pulse_rest: Annotated[float, quantity("duration", least=0, most=1440)] | None = key(
        "Rest between pulses (else 60, on coarse soil 120).", "60 min", None)
    soil_ec: SoilSalinity = key("Salinity of the soil (its saturation extract) when the record begins.",
                                "1.0 dS/m", 1.0)
    feed: FeedBlock | None = key(
        "Feeding through the tape: weekly, or on days; the plan says when to inject and when to flush.",
        "{days: [mon]}", None)
    soil_sensor: SoilSensorBlock | None = key(
        "Readings that correct the zone's deficit each morning.",
        "{file: soil.csv, column: North bed, unit: cb, depth: 8 in}", None)
    priority: Annotated[Priority, choice(*get_args(Priority))] = key(
        "Who comes first when the water does not reach: a high zone counts double, a low one half.",
        "high", "normal")
    plantings: list[PlantingBlock] | None = key(
        "What grows here, crop after crop.", "[{crop: tomato, planted: 2026-04-20}]", None)
    valve: ValveBlock | None = key(
        "What opens the zone: one of gpio, command, http, mqtt, by_hand. Without it you do, by hand.",
        "{gpio: 17}", None)


class PageBlock(Block):
    short_for: ClassVar[str | None] = "listen"
    listen: Listen = key(
        "Address and port of this computer that it answers on; 127.0.0.1: this computer alone.",
        '"192.168.1.20:8008"', "127.0.0.1:8008")
    names: HostNames | None = key(
        "Names that phones may call it by, beside that address.", "[shed.local]", None)
    certificate: FilePath | None = key(
        "Certificate (PEM) for https, with its chain; without it neighbours on the network can read along.",
        "/etc/rowwater/page.crt", None)
    key_: FilePath | None = key("The certificate's private key (PEM).", "/etc/rowwater/page.key", None,
                                alias="key")


class GardenBlock(Block):
    """garden.yaml."""

    garden: Name = key("Name of the garden.", "Creekside plot")
    location: LocationBlock = key(
        "Where it is.",
        "{latitude: 35.61, longitude: -82.44, elevation: 2130 ft, timezone: America/New_York}")
    display: Annotated[Display, choice(*get_args(Display))] = key(
        "What people see: us or metric. Under us, lengths, depths, flows, volumes, pressures and speeds need "
        "their unit; under metric a bare number is in m, mm, L/min, L, kPa, m/s.", "us", "us")
    weather: WeatherBlock | None = key(
        "Where weather comes from.", "{sources: [{service: open-meteo}]}", None)
    supply: SupplyBlock = key("The water.", "{bucket: {volume: 5 gal, time: 58 s}}")
    tapes: dict[str, TapeBlock] = key("The drip tapes in use, by name.", "{thin: {flow: 0.40 gpm/100ft}}")
    zones: dict[str, ZoneBlock] = key(
        "The zones, by name: a zone is what one valve feeds.", "{tomatoes: {tape: thin, soil: sandy loam}}")
    crop_coefficient: Annotated[CropCoefficient, choice(*get_args(CropCoefficient))] = key(
        "dual: what the soil evaporates is kept apart from what the crop uses; single: one Kc for both.",
        "single", DEFAULT_COEFFICIENT)
    plan_at: TimeOfDay | None = key("When the day's plan is made.", '"03:30"', None)
    finish: Annotated[Literal["early", "late"], choice("early", "late")] = key(
        "Within the hours, water as early or as late as they allow.", "early", "late")
    clock: Annotated[Literal["rtc"], choice("rtc")] | None = key(
        "rtc: a clock with a battery keeps the time while there is no network.", "rtc", None)
    notify: NotifyBlock | None = key(
        "Who is told when something needs an eye.", "{command: [/usr/local/bin/tell]}", None)
    broker: BrokerBlock | None = key("The message broker.", "{host: localhost}", None)
    meter: MeterBlock | None = key("The water meter.", "{gpio: 27, liters_per_pulse: 0.5}", None)
    flow_from: Annotated[Literal["meter", "tape"], choice("meter", "tape")] | None = key(
        "Liters from the meter, or from minutes and the tape's flow.", "tape", None)
    master_valve: MasterValveBlock | None = key(
        "A valve before all others.", "{gpio: 22, opens_before: 5 s}", None)
    page: PageBlock | None = key(
        "The page for phones in the house's own network; off unless this stands here.",
        '{listen: "192.168.1.20:8008", names: [shed.local]}', None)
