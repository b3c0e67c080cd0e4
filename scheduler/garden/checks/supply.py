"""The supply: bucket or flow, hours, months with rules of their own, zones kept apart."""

from __future__ import annotations

from collections.abc import Sequence

from scheduler.garden.blocks import GardenBlock, HoursBlock, SupplyBlock
from scheduler.garden.build import valve_of
from scheduler.garden.checks.shared import exactly_one, unknown
from scheduler.garden.months import MONTHS, months_of
from scheduler.garden.nodes import At
from scheduler.garden.sheet import Sheet
from scheduler.units import shown


def check_supply(sheet: Sheet, garden: GardenBlock) -> None:
    """Complains about the supply; says nothing of one that was wrong itself."""
    supply = garden.supply
    if not supply.at:
        return  # a stand-in
    exactly_one(sheet, supply.at, supply.one_of, "missing: the timed bucket, or the flow itself")
    if supply.bucket and not 1e-3 <= supply.bucket.volume / supply.bucket.time <= 1e5:
        text = f"{supply.bucket.volume:g} L in {supply.bucket.time:g} min cannot be right"
        sheet.complain((*supply.at, "bucket"), text)
    for hours in (supply.hours, *(month.hours for month in (supply.by_month or {}).values())):
        if hours:
            _check_hours(sheet, hours)
    _check_months(sheet, supply)
    if supply.not_together not in (None, "all"):
        for group in supply.not_together:
            _check_group(sheet, garden, (*supply.at, "not_together"), group)


def _check_hours(sheet: Sheet, hours: HoursBlock) -> None:
    """One window, or two of which none reaches into the other, over midnight neither."""
    for window in hours.windows:
        if window.until == window.from_:
            text = (
                f"{window.until:%H:%M} is from as well: a window is longer than 0 and shorter than 24 hours"
            )
            sheet.complain((*window.at, "until"), text)
            return
    if len(hours.windows) == 1:
        return
    first, second = sorted(hours.windows, key=lambda window: window.from_)
    over = second.until < second.from_
    if first.until < first.from_ and over:
        sheet.complain((*second.at, "until"), "both windows pass midnight: they overlap")
    elif first.until < first.from_ or second.from_ < first.until or (over and first.from_ < second.until):
        sheet.complain(
            (*second.at, "from"), f"overlaps the window {first.from_:%H:%M} to {first.until:%H:%M}"
        )
    elif second.from_ == first.until or second.until == first.from_:
        sheet.complain((*second.at, "from"), "one window begins where the other ends: write them as one")


def _check_months(sheet: Sheet, supply: SupplyBlock) -> None:
    named: dict[int, str] = {}
    for name in sheet.keys_at((*supply.at, "by_month")):
        at = (*supply.at, "by_month", name)
        try:
            months = months_of(name)
        except ValueError as error:
            sheet.complain(at, str(error))
            continue
        if name in (supply.by_month or {}) and not sheet.keys_at(at):
            sheet.complain(at, "says nothing - give hours, days, daily_cap or monthly_cap")
        if twice := sorted(months & named.keys()):
            month = MONTHS[twice[0] - 1]
            sheet.complain(at, f"{month} also stands under {shown(named[twice[0]])}")
        named |= dict.fromkeys(months, name)


def _check_group(sheet: Sheet, garden: GardenBlock, at: At, group: Sequence[str]) -> None:
    """Zones of which no two run at one time."""
    described = sheet.keys_at(("zones",))
    for name in dict.fromkeys(group):
        if name not in described:
            unknown(sheet, at, name, "one of the zones", described)
    valves = {name: valve_of(garden.zones[name].valve, name).key for name in group if name in garden.zones}
    if len(valves) > 1 and len(set(valves.values())) < len(valves):
        sheet.complain(at, f"{', '.join(valves)}: two of them hang on one valve")
    elif len(set(group)) < 2:
        sheet.complain(at, f"{group[0]} is named twice: a group has at least two zones")
