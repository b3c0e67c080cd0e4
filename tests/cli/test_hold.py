"""The end of a hold is a date; water runs when the rules allow it from then on, and that is what is said."""

from __future__ import annotations

import json
from datetime import datetime
from zoneinfo import ZoneInfo

import pytest
from cli.conftest import Grower

HERE = ZoneInfo("America/Los_Angeles")
HOURS = '  hours: {from: "04:00", until: "10:00"}\n'


class Clock:
    """The grower's clock."""

    def __init__(self, monkeypatch: pytest.MonkeyPatch) -> None:
        self.now = datetime(2015, 7, 8, 12, tzinfo=HERE)
        monkeypatch.setattr("scheduler.clock.site_now", lambda _: self.now)

    def at(self, text: str) -> None:
        self.now = datetime.fromisoformat(text).replace(tzinfo=HERE)


@pytest.fixture
def clock(monkeypatch: pytest.MonkeyPatch) -> Clock:
    return Clock(monkeypatch)


def zone(grower: Grower, name: str) -> dict[str, object]:
    page = json.loads((grower.data / "today.json").read_text())
    found: dict[str, object] = next(zone for zone in page["zones"] if zone["zone"] == name)
    return found


def test_where_every_day_is_allowed_the_end_is_that_morning(grower: Grower, clock: Clock) -> None:
    said = grower("hold", "squash", "until", "2015-07-10")
    assert said.status == 0
    assert "squash kept dry until 2015-07-10; water may run from Fri 2015-07-10 04:00" in said.out


def test_two_days_a_week(grower: Grower, clock: Clock) -> None:
    """Wed 8 July 2015: held until Friday, yet Monday is the first day that is allowed."""
    grower.edit("  days: all\n", "  days: [mon, wed]\n")
    clock.at("2015-07-08T03:00")
    assert grower("day").status in (0, 3)
    said = grower("hold", "tomatoes", "until", "2015-07-10")
    assert "water may run from Mon 2015-07-13 04:00" in said.out
    told = zone(grower, "tomatoes")
    assert told["state"] == "on hold"
    assert (told["held_until"], told["water_from"]) == ("2015-07-10", "2015-07-13T04:00:00-07:00")
    assert "held_until" not in zone(grower, "beans")
    for morning, held in (("2015-07-09T03:00", True), ("2015-07-10T03:00", False)):
        clock.at(morning)
        assert grower("day").status in (0, 3)
        assert ("held_until" in zone(grower, "tomatoes")) == held
    clock.at("2015-07-13T03:00")
    grower("day")
    assert zone(grower, "tomatoes")["state"] == "runs"


def test_a_month_without_a_watering_day(grower: Grower, clock: Clock) -> None:
    grower.edit(
        HOURS, HOURS + '  by_month: {jul: {days: [sun]}, aug: {hours: {from: "20:00", until: "23:00"}}}\n'
    )
    said = grower("hold", "beans", "until", "2015-07-27")
    assert "water may run from Sat 2015-08-01 20:00" in said.out


def test_a_hold_is_ended_by_a_date_that_has_passed(grower: Grower, clock: Clock) -> None:
    grower("hold", "beans", "until", "2015-07-20")
    said = grower("hold", "beans", "until", "2015-07-08")
    assert "beans is not on hold; water may run from Wed 2015-07-08 04:00" in said.out


def test_zones_on_one_valve_are_dry_together(grower: Grower, clock: Clock) -> None:
    text = grower.garden.read_text()
    grower.garden.write_text(text.replace("valve: {by_hand: true}", 'valve: {command: ["true"]}', 2))
    clock.at("2015-07-08T03:00")
    grower("day")
    said = grower("hold", "tomatoes", "until", "2015-07-20")
    assert "tomatoes, beans kept dry until 2015-07-20" in said.out
    assert [zone(grower, name)["state"] for name in ("tomatoes", "beans")] == ["on hold", "on hold"]
    assert zone(grower, "beans")["held_until"] == "2015-07-20"
