"""A zone: its name, tape, soil, sensor, run times and valve."""

from __future__ import annotations

from scheduler import tables
from scheduler.garden.blocks import (
    SoilBlock,
    SoilSensorBlock,
    ZoneBlock,
)
from scheduler.garden.checks.hardware import check_valve
from scheduler.garden.checks.plantings import check_planting, check_succession
from scheduler.garden.checks.shared import exactly_one, unknown
from scheduler.garden.crops import CropBook, normalized
from scheduler.garden.nodes import At
from scheduler.garden.sheet import Sheet
from scheduler.units import shown


def check_zone(sheet: Sheet, book: CropBook, name: str, zone: ZoneBlock) -> None:
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
    _check_wet_band(sheet, zone)
    if zone.valve:
        check_valve(sheet, zone.valve)
    for planting in zone.plantings or ():
        if sheet.flooded:
            return
        check_planting(sheet, zone, planting, book)
    check_succession(sheet, zone)


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


def _check_wet_band(sheet: Sheet, zone: ZoneBlock) -> None:
    """What one tape wets cannot be wider than a row."""
    given = [zone.rows, *(planting.rows for planting in zone.plantings or ())]
    spacings = [(rows.spacing, rows.at) for rows in given if rows and rows.spacing is not None]
    if zone.wet_band is None or not spacings:
        return
    narrowest, at = min(spacings)
    if zone.wet_band > narrowest:
        band, row = (
            shown(sheet.keys_at(here)[key].value) for here, key in ((zone.at, "wet_band"), (at, "spacing"))
        )
        text = f"{band} is wider than a row, {row} - it is the width over one tape"
        sheet.complain((*zone.at, "wet_band"), text)
