"""From blocks that nobody complained about to the plain values that the rest of the program works with."""

from __future__ import annotations

import hashlib
import json
from collections.abc import Mapping
from dataclasses import replace
from typing import Any

from scheduler import tables
from scheduler.garden.blocks import (
    GardenBlock,
    HoursBlock,
    MonthBlock,
    SoilSensorBlock,
    SupplyBlock,
    ZoneBlock,
)
from scheduler.garden.checks.place import place_remark
from scheduler.garden.crop_values import number
from scheduler.garden.crops import CROPS_FILE, CropBook, normalized
from scheduler.garden.months import months_of
from scheduler.garden.planting_blocks import PlantingBlock
from scheduler.garden.plantings import feed_of, planting_of, rows_of
from scheduler.garden.source_blocks import SourceBlock
from scheduler.garden.valve_blocks import ValveBlock
from scheduler.model import (
    USUAL_TAPE_DEPTH_M,
    Garden,
    Hours,
    Location,
    Mainline,
    MonthRule,
    Planting,
    Soil,
    SoilSensor,
    SourceSpec,
    Supply,
    Tape,
    TextureGroup,
    Valve,
    WaterPrice,
    Zone,
)

_PULSE_REST: Mapping[TextureGroup, float] = {"coarse": 120.0, "medium": 60.0, "fine": 60.0}
"""Minutes (own choice)."""


class Builder:
    """Makes the garden of blocks that nobody complained about."""

    def __init__(self, garden: GardenBlock, book: CropBook, folder: str) -> None:
        self._block = garden
        self._book = book
        self._folder = folder
        self._notices: list[str] = []

    def garden(self) -> Garden:
        block, place = self._block, self._block.location
        location = Location(
            place.latitude, place.longitude, place.elevation, place.timezone, place.dry, place.coastal,
            place.wind_2m, place.rh_min, place.temperature_only,
        )  # fmt: skip
        if remark := place_remark(place.longitude, place.timezone):
            self._notices.append(remark)
        supply = self._supply(block.supply)
        tapes = {
            name: Tape(name, *(getattr(tape, key) for key in _TAPE_KEYS))
            for name, tape in block.tapes.items()
        }
        zones = _with_common_limits(
            [self._zone(name, zone, tapes) for name, zone in block.zones.items()],
            {
                name
                for name, zone in block.zones.items()
                if zone.valve and "cap" in zone.valve.model_fields_set
            },
        )
        sources = (block.weather.sources if block.weather else None) or ()
        return Garden(
            block.garden, location, block.display, supply, tapes, zones, tuple(map(source_of, sources)),
            block.plan_at, block.finish, block.crop_coefficient, _service(block), self._folder,
            tuple(self._notices),
        )  # fmt: skip

    def _supply(self, block: SupplyBlock) -> Supply:
        bucket, line, price = block.bucket, block.mainline, block.water_price
        supply = Supply(
            bucket.volume / bucket.time if bucket else number(block.flow),
            block.keep_back,
            block.pressure,
            block.static_pressure,
            days=block.days,
            daily_cap_l=block.daily_cap,
            mainline=Mainline(line.inside_diameter, line.length, line.feed, line.slope, line.takeoff_loss)
            if line
            else None,
            ec_ds_m=block.ec,
            by_month=tuple(_month_rule(name, month) for name, month in (block.by_month or {}).items()),
            monthly_cap_l=block.monthly_cap,
            not_together=(tuple(self._block.zones),)
            if block.not_together == "all"
            else block.not_together or (),
            injector_minutes=block.injector_minutes,
            water_price=WaterPrice(price.amount / price.per, price.currency) if price else None,
        )
        if block.hours:
            return replace(supply, hours=_hours(block.hours))
        hours = f"{supply.hours[0].begin:%H:%M} and {supply.hours[0].until:%H:%M}"
        self._notices.append(f"supply.hours is not given: water is planned between {hours}")
        return replace(supply, hours_given=False)

    def _zone(self, name: str, zone: ZoneBlock, tapes: Mapping[str, Tape]) -> Zone:
        plantings = [self._planting(name, planting, zone) for planting in zone.plantings or ()]
        soil = self._soil(name, zone)
        width = tables.wetted_width_m(soil.texture_group) if zone.wetted_width is None else zone.wetted_width
        return Zone(
            name, tapes[zone.tape], soil, rows_of(zone.rows, None),
            tuple(sorted(plantings, key=lambda planting: planting.planted)),
            valve_of(zone.valve, name), width, zone.tape_laid, zone.uniformity,
            zone.measured_flow, zone.refill_at, zone.leave_room, zone.shortest_run, zone.longest_run,
            zone.fill_time, self._starting_deficit(zone), zone.rain_capture, zone.runoff, zone.longest_pulse,
            _PULSE_REST[soil.texture_group] if zone.pulse_rest is None else zone.pulse_rest,
            _soil_sensor(zone.soil_sensor) if zone.soil_sensor else None,
            zone.priority,
            USUAL_TAPE_DEPTH_M if zone.tape_depth is None else zone.tape_depth,
            zone.wet_band,
            zone.surface_run,
            zone.soil_ec,
            feed_of(zone.feed),
        )  # fmt: skip

    def _starting_deficit(self, zone: ZoneBlock) -> float | None:
        """Not given: from the bed's surface where that is reckoned with, else a full soil."""
        unknown = None if self._block.crop_coefficient == "dual" else 0.0
        return unknown if zone.starting_deficit is None else zone.starting_deficit

    def _soil(self, name: str, zone: ZoneBlock) -> Soil:
        soil = zone.soil
        if soil.texture is not None:
            texture = tables.soils()[normalized(soil.texture)]
            return Soil(
                texture.name, texture.theta_fc, texture.theta_wp, texture.group, rew_mm=texture.rew_mm
            )
        like = tables.texture_like(number(soil.theta_fc))
        assumed = zone.wetted_width is None
        if assumed:
            self._notices.append(
                f"zones.{name}: own soil figures, but no wetted_width: the strip of {like.name} is assumed"
                " - dig after a run and measure"
            )
        return Soil(
            "own figures", number(soil.theta_fc), number(soil.theta_wp), like.group, assumed, like.rew_mm
        )

    def _planting(self, zone_name: str, block: PlantingBlock, zone: ZoneBlock) -> Planting:
        name = self._book.find(block.crop)
        assert name
        crop = self._book.crop(name)
        if block.mulch_cover is not None and block.mulch == "none":
            self._notices.append(f"zones.{zone_name}: mulch_cover counts for nothing where no mulch is given")
        if (block.by or crop.by) == "sets" and block.settle is not None and not block.settle.off:
            self._notices.append(
                f"zones.{zone_name}: settle counts for nothing: {crop.name} is grown from sets"
            )
        self._say_what_is_idle(name)
        return planting_of(block, crop, zone.rows, zone.measured_flow)

    def _say_what_is_idle(self, crop: str) -> None:
        """A crops.yaml of before may change what only the single coefficient reads."""
        idle = self._book.idle_figures(crop) if self._block.crop_coefficient == "dual" else []
        for key in idle:
            instead = {"kc": "kcb", "film_factor": "film_kcb"}[key]
            why = "counts for nothing with crop_coefficient: dual"
            told = f"{CROPS_FILE}: {key} of {crop} {why} - give {instead}"
            if told not in self._notices:
                self._notices.append(told)


def _hours(block: HoursBlock) -> tuple[Hours, ...]:
    """By their begin."""
    return tuple(sorted(Hours(window.from_, window.until) for window in block.windows))


def _month_rule(name: str, block: MonthBlock) -> MonthRule:
    return MonthRule(
        months_of(name),
        _hours(block.hours) if block.hours else None,
        block.days,
        block.daily_cap,
        block.monthly_cap,
    )


MAY_HOLD_SECRETS = ("http", "command")
"""Drivers with a login or a token among their settings: a valve's key stands in log, pages and database."""
_TAPE_KEYS = (
    "flow", "rated_at", "exponent", "emitter_spacing", "inside_diameter", "wall", "crop_cycles", "variation",
    "roughness", "pressure_limit",
)  # fmt: skip
"""In the order of model.Tape."""


def _soil_sensor(block: SoilSensorBlock) -> SoilSensor:
    own = block.model_dump(exclude={"depth", "mqtt"})
    if block.mqtt is None:
        return SoilSensor(**own, depth_m=block.depth)
    return SoilSensor(**own, depth_m=block.depth, topic=block.mqtt.topic, field=block.mqtt.field)


def _digest(text: str) -> str:
    return hashlib.sha256(text.encode()).hexdigest()[:16]


def valve_of(block: ValveBlock | None, owner: str) -> Valve:
    """Equal settings make equal keys, however they were written; cap and times are no part of the key."""
    named = block.driver() if block else None
    if block is None or named is None:
        return Valve("by_hand", f"by_hand:{owner}", {}, block.cap if block else 360.0)
    driver, settings = named[0], named[1].settings()
    told = json.dumps(settings, sort_keys=True)
    key = f"{driver}:{_digest(told) if driver in MAY_HOLD_SECRETS else told}"
    limit = {} if block.limit is None or block.gpio else {"limit_s": block.limit}  # a pin answers at once
    acts_within = 0.0 if block.gpio else block.acts_within  # what this computer does itself is done at once
    return Valve(driver, key, settings | limit, block.cap, acts_within)


def _with_common_limits(zones: list[Zone], with_cap: set[str]) -> tuple[Zone, ...]:
    """A valve has one cap and one limit: the smallest that any of its zones gives; of `acts_within` the
    longest.
    """
    caps: dict[str, float] = {}
    limits: dict[str, float] = {}
    act: dict[str, float] = {}
    for zone in zones:
        valve = zone.valve
        act[valve.key] = max(valve.acts_within_minutes, act.get(valve.key, 0.0))
        if zone.name in with_cap:
            caps[valve.key] = min(valve.cap_minutes, caps.get(valve.key, valve.cap_minutes))
        if "limit_s" in valve.settings:
            limit = float(valve.settings["limit_s"])
            limits[valve.key] = min(limit, limits.get(valve.key, limit))

    def common(valve: Valve) -> Valve:
        limit = {"limit_s": limits[valve.key]} if valve.key in limits else {}
        cap = caps.get(valve.key, valve.cap_minutes)
        return replace(
            valve,
            settings={**valve.settings, **limit},
            cap_minutes=cap,
            acts_within_minutes=act[valve.key],
        )

    return tuple(replace(zone, valve=common(zone.valve)) for zone in zones)


def source_of(block: SourceBlock) -> SourceSpec:
    """One source of weather with its settings as plain values."""
    if block.service:
        return SourceSpec(
            "service",
            block.service,
            block.model_dump(include={"contact", "url", "archive_url"}, exclude_none=True),
        )
    if block.file:
        return SourceSpec("file", f"file {block.file.path}", block.file.model_dump(exclude_none=True))
    assert block.mqtt
    return SourceSpec("mqtt", f"mqtt {block.mqtt.topic}", block.mqtt.model_dump(exclude_none=True))


def _service(block: GardenBlock) -> dict[str, Any]:
    """Only what is given; master_valve holds a model.Valve, all else is plain text and numbers."""
    service: dict[str, Any] = {"clock": block.clock, "flow_from": block.flow_from}
    if block.broker:
        service["broker"] = block.broker.model_dump(exclude_none=True)
    for key, part in (("notify", block.notify), ("meter", block.meter)):
        if part:
            service[key] = part.model_dump(exclude_none=True)
            if part.http:
                service[key]["http"] = part.http.call()
            if part.command:
                service[key]["command"] = list(part.command)
    if master := block.master_valve:
        service["master_valve"] = {
            "valve": valve_of(master, "master valve"),
            "opens_before_minutes": master.opens_before,
            "closes_after_minutes": master.closes_after,
        }
    if page := block.page:
        service["page"] = page.model_dump(exclude_none=True, by_alias=True)
    return {key: value for key, value in service.items() if value is not None}
