"""A planting: its rows, crop and dates, and the crops that follow each other in a zone."""

from __future__ import annotations

from datetime import date
from itertools import pairwise

from scheduler.garden.blocks import ZoneBlock
from scheduler.garden.complaints import keys_of
from scheduler.garden.crops import CropBook
from scheduler.garden.planting_blocks import PlantingBlock, RowsBlock, ShelterBlock
from scheduler.garden.plantings import observed_days
from scheduler.garden.sheet import Sheet


def check_planting(sheet: Sheet, zone: ZoneBlock, planting: PlantingBlock, book: CropBook) -> None:
    """Complains about one planting by itself."""
    _check_rows(sheet, zone, planting)
    _check_dates(sheet, planting)
    _check_observed(sheet, planting)
    if planting.shelter is not None:
        _check_shelter(sheet, planting.shelter)
    if book.find(planting.crop) is None and not book.broken:
        sheet.complain((*planting.at, "crop"), book.unknown(planting.crop))


def check_succession(sheet: Sheet, zone: ZoneBlock) -> None:
    """Complains where one crop does not come after the other."""
    for one, following in pairwise(sorted(zone.plantings or (), key=lambda planting: planting.planted)):
        planted = (*following.at, "planted")
        if one.planted == following.planted:
            other = f"the other: line {sheet.line(one.at)}"
            sheet.complain(planted, f"{one.planted} is the date of two plantings ({other})")
            continue
        then = f"{following.planted} (line {sheet.line(planted)})"
        for key, day in (("pulled", one.pulled), ("harvest", one.harvest)):
            if day and day > following.planted:
                sheet.complain((*one.at, key), f"{day} is after the next is planted, {then}")


def _check_rows(sheet: Sheet, zone: ZoneBlock, planting: PlantingBlock) -> None:
    given = {*sheet.keys_at((*zone.at, "rows")), *sheet.keys_at((*planting.at, "rows"))}
    lacking = [key for key in ("count", "length", "spacing") if key not in given]
    if lacking and not given - keys_of(RowsBlock).keys():  # a misspelt key says enough
        text = f"missing {', '.join(lacking)} - give it here or in the rows of the zone"
        sheet.complain((*planting.at, "rows"), text)


def _check_dates(sheet: Sheet, planting: PlantingBlock) -> None:
    planted, until = planting.planted, planting.shelter.until if planting.shelter else None
    for key, day in (("pulled", planting.pulled), ("harvest", planting.harvest), ("shelter", until)):
        if day and day <= planted:
            at = (*planting.at, key) if key != "shelter" else (*planting.at, key, "until")
            sheet.complain(at, f"{day} is not after {planted}" + _year_meant(planted, day))
    if planting.pulled and planting.harvest and planted < planting.pulled < planting.harvest:
        text = f"{planting.harvest} is after it is pulled, {planting.pulled}"
        sheet.complain((*planting.at, "harvest"), text)


def _check_observed(sheet: Sheet, planting: PlantingBlock) -> None:
    """The stages begin one after the other, while the crop stands."""
    if planting.observed is None:
        return
    at, before, of = planting.observed.at, planting.planted, "planting"
    for stage, day in observed_days(planting.observed).items():
        if day <= before:
            sheet.complain((*at, stage), f"{day} is not after that of {of}, {before}")
        elif planting.pulled and day >= planting.pulled:
            sheet.complain((*at, stage), f"{day} is not before it is pulled, {planting.pulled}")
        before, of = max(before, day), stage


def _check_shelter(sheet: Sheet, shelter: ShelterBlock) -> None:
    given = [kind for kind in shelter.one_of if getattr(shelter, kind.replace(" ", "_")) is not None]
    if len(given) > 1:
        sheet.complain(shelter.at, f"{' and '.join(given)} are given - only one of them can hold")
    elif not given and sheet.keys_at(shelter.at).keys() <= {"until"}:  # a misspelt key says enough
        sheet.complain(shelter.at, f"missing: one of {', '.join(shelter.one_of)}")


def _year_meant(planted: date, later: date) -> str:
    """A hint at the year, where a plain slip of it is likely."""
    if later.year != planted.year:
        return " - is one of the years wrong?"
    days = (later - planted).days % 365
    return f" - did you mean {later.year + 1}-{later:%m-%d}?" if 0 < days <= 300 else ""
