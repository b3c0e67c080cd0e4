"""The whole of garden.yaml: every check, in the order in which their complaints stand on one line."""

from __future__ import annotations

from scheduler.garden.blocks import GardenBlock
from scheduler.garden.checks.hardware import check_hardware, check_one_use_each
from scheduler.garden.checks.place import check_place
from scheduler.garden.checks.plausible import check_plausible
from scheduler.garden.checks.sources import check_sources
from scheduler.garden.checks.supply import check_supply
from scheduler.garden.checks.zones import check_zone
from scheduler.garden.crops import CropBook
from scheduler.garden.sheet import Sheet


def check_garden(sheet: Sheet, garden: GardenBlock, book: CropBook) -> None:
    """Complains on the sheet about what takes more than one value to judge."""
    check_place(sheet, garden)
    check_plausible(sheet, garden)
    check_supply(sheet, garden)
    for key in ("tapes", "zones"):
        if key in sheet.keys_at() and not sheet.keys_at((key,)) and not getattr(garden, key):
            sheet.complain((key,), f"at least one of the {key} must be described")
    for name, zone in garden.zones.items():
        if sheet.flooded:
            return
        check_zone(sheet, book, name, zone)
    check_sources(sheet, garden)
    check_hardware(sheet, garden)
    check_one_use_each(sheet, garden)
