"""A weak well, two watering days a week, a dry summer: nobody is left out for the others' comfort."""

from __future__ import annotations

from dataclasses import dataclass, field
from datetime import date, timedelta
from pathlib import Path

from lived.gardens import WATERING_DAYS, WELL_GARDEN, Place
from lived.play import Shed, days_between

LONGEST_DAYS_DRY = 14


@dataclass
class Summer:
    watered: dict[str, list[date]] = field(default_factory=dict)
    stressed: dict[str, list[date]] = field(
        default_factory=dict
    )  # seen on a watering morning, before the water
    mornings: list[date] = field(default_factory=list)

    def left_out(self) -> list[str]:
        """Zones short of water and without any for longer than that, while another had some."""
        return [
            f"{zone} had no water from {day - timedelta(days=LONGEST_DAYS_DRY)} to {day}, {served} had"
            for day in self.mornings
            for zone in self.stressed
            if not self._between(self.watered[zone], day) and day in self.stressed[zone]
            for served in self.watered
            if self._between(self.watered[served], day)
        ]

    def _between(self, days: list[date], last: date) -> list[date]:
        return [day for day in days if last - timedelta(days=LONGEST_DAYS_DRY) <= day <= last]


def obedient(place: Place, folder: Path, first: date, last: date) -> Summer:
    """Looks on the watering days, waters as told, says so."""
    shed, summer = Shed(place, folder), Summer()
    for day in days_between(first, last):
        if day.weekday() not in WATERING_DAYS:
            continue
        shed.at(day, "03:50")
        shed.weather()
        assert shed("day").status in (0, 3)
        page = shed.today
        summer.mornings.append(day)
        for zone in page["zones"]:
            name = zone["zone"]
            stressed, watered = summer.stressed.setdefault(name, []), summer.watered.setdefault(name, [])
            if "raw_mm" in zone and zone["deficit_mm"] > zone["raw_mm"]:
                stressed.append(day)
            if zone["minutes"] > 0:
                watered.append(day)
        shed.at(day, "12:00")
        if page["runs"]:
            assert shed("note", "applied", "--as-planned").status in (0, 3)
    return summer


def test_no_zone_is_left_dry_for_the_others_comfort(tmp_path: Path) -> None:
    summer = obedient(WELL_GARDEN, tmp_path, date(2007, 6, 16), date(2007, 8, 31))
    summer.mornings = [day for day in summer.mornings if day >= date(2007, 7, 1)]
    assert any(summer.stressed.values()), "a well that feeds everybody would prove nothing"
    assert not (left_out := summer.left_out()), "\n".join(left_out)
