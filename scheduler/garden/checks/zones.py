"""A zone: its name, tape, soil, sensor, run times and valve, and the crops that follow each other in it."""

from __future__ import annotations

from datetime import date
from itertools import pairwise

from scheduler import tables
from scheduler.garden.blocks import (
    GardenBlock,
    PlantingBlock,
    RowsBlock,
    SoilBlock,
    SoilSensorBlock,
    ZoneBlock,
)
from scheduler.garden.checks.hardware import check_valve
from scheduler.garden.checks.shared import exactly_one, unknown
from scheduler.garden.complaints import keys_of
from scheduler.garden.crops import CropBook, normalized
from scheduler.garden.nodes import At
from scheduler.garden.sheet import Sheet


def check_zone(sheet: Sheet, garden: GardenBlock, book: CropBook, name: str, zone: ZoneBlock) -> None:
    """Complains about one zone and what grows in it."""
    if not name.strip() or len(name) > 60:
        sheet.complain(zone.at, "a zone needs a name of 1 to 60 letters")
    tapes = sheet.keys_at(("tapes",))
    if zone.tape not in tapes:
        unknown(sheet, (*zone.at, "tape"), zone.tape, "one of the tapes", tapes)
    _check_soil(sheet, (*zone.at, "soil"), zone.soil)
    if zone.soil_sensor is not None:
        _check_soil_sensor(sheet, zone.soil_sensor)
    _check_run_times(sheet, zone)
    if zone.valve:
        check_valve(sheet, zone.valve)
    for planting in zone.plantings or ():
        if sheet.flooded:
            return
        _check_planting(sheet, zone, planting)
        _check_crop(sheet, garden, book, planting)
    _check_succession(sheet, zone)


def _check_soil(sheet: Sheet, at: At, soil: SoilBlock) -> None:
    own = [key for key in ("theta_fc", "theta_wp") if key in sheet.keys_at(at)]
    if soil.texture is not None and own:
        sheet.complain(at, "a texture and figures of your own are given - only one of them can hold")
    elif soil.texture is not None:
        if normalized(soil.texture) not in tables.soils():
            unknown(sheet, at, soil.texture, "a texture of the soil table", tables.soils())
    elif len(own) < 2 and "texture" not in sheet.keys_at(at):
        sheet.complain(at, "missing: a texture, or both theta_fc and theta_wp")
    elif soil.theta_fc is not None and soil.theta_wp is not None and soil.theta_wp >= soil.theta_fc:
        text = f"{soil.theta_wp:g} must be less than theta_fc, {soil.theta_fc:g}"
        sheet.complain((*at, "theta_wp"), text)


def _check_soil_sensor(sheet: Sheet, sensor: SoilSensorBlock) -> None:
    if not exactly_one(sheet, sensor.at, sensor.one_of, "missing: a file with its column, or mqtt"):
        return
    if sensor.file is not None and sensor.column is None:
        sheet.complain(sensor.at, "missing: column, the heading of its readings in the file")
    elif sensor.file is None and "column" in sheet.keys_at(sensor.at):
        sheet.complain((*sensor.at, "column"), "is of a file: messages have a field")


def _check_run_times(sheet: Sheet, zone: ZoneBlock) -> None:
    longest = zone.longest_run
    if longest is None:
        return
    for key, minutes, most in (
        ("shortest_run", zone.shortest_run, longest),
        ("fill_time", zone.fill_time, longest - 1),
    ):
        if minutes > most:
            text = f"{minutes:g} min leaves nothing of longest_run, {longest:g} min"
            sheet.complain((*zone.at, key), text)


def _check_planting(sheet: Sheet, zone: ZoneBlock, planting: PlantingBlock) -> None:
    given = {*sheet.keys_at((*zone.at, "rows")), *sheet.keys_at((*planting.at, "rows"))}
    lacking = [key for key in ("count", "length", "spacing") if key not in given]
    if lacking and not given - keys_of(RowsBlock).keys():  # a misspelt key says enough
        text = f"missing {', '.join(lacking)} - give it here or in the rows of the zone"
        sheet.complain((*planting.at, "rows"), text)
    if planting.pulled and planting.pulled <= planting.planted:
        text = f"{planting.pulled} is not after {planting.planted}"
        sheet.complain((*planting.at, "pulled"), text + _year_meant(planting.planted, planting.pulled))


def _year_meant(planted: date, pulled: date) -> str:
    """A hint at the year, where a plain slip of it is likely."""
    if pulled.year != planted.year:
        return " - is one of the years wrong?"
    days = (pulled - planted).days % 365
    return f" - did you mean {pulled.year + 1}-{pulled:%m-%d}?" if 0 < days <= 300 else ""


def _check_crop(sheet: Sheet, garden: GardenBlock, book: CropBook, planting: PlantingBlock) -> None:
    name, at = book.find(planting.crop), (*planting.at, "crop")
    if name is None:
        if not book.broken:
            sheet.complain(at, book.unknown(planting.crop))
        return
    water = garden.supply.ec
    bears = book.crop(name).ec_threshold_ds_m if water and book.sound(name) else None
    if water and bears and water >= 5 * bears - water:  # leaching requirement of 1 or more (FAO-29)
        too_salty = f"no leaching is enough with water of {water:g} dS/m (supply.ec)"
        sheet.complain(at, f"{name} bears {bears:g} dS/m: {too_salty}")


def _check_succession(sheet: Sheet, zone: ZoneBlock) -> None:
    """One crop after the other."""
    for one, following in pairwise(sorted(zone.plantings or (), key=lambda planting: planting.planted)):
        planted = (*following.at, "planted")
        if one.planted == following.planted:
            other = f"the other: line {sheet.line(one.at)}"
            sheet.complain(planted, f"{one.planted} is the date of two plantings ({other})")
        elif one.pulled and one.pulled > following.planted:
            then = f"{following.planted} (line {sheet.line(planted)})"
            sheet.complain((*one.at, "pulled"), f"{one.pulled} is after the next is planted, {then}")
