"""The service in hours that pass midnight: one plan, one date, each run opened once."""

from __future__ import annotations

from dataclasses import replace
from datetime import date, datetime, time, timedelta
from zoneinfo import ZoneInfo

import pytest

from scheduler.service.requests import Request
from tests.service.plot import PLOT
from tests.service.world import World

EVENING = {"hours": (time(22), time(4)), "plan_at": time(21)}
TWO = {"hours": (time(4), time(6)), "evening": (time(22), time(2)), "plan_at": time(3)}
WHOLE = {name: minutes for name, (_, _, minutes) in PLOT.zones.items()}
DAY = date(2026, 6, 1)
HOUR = 3600.0
TO_00_10 = 4 * HOUR + 600


def world_of(start: datetime, seed: int = 1, **plot: object) -> World:
    return World(seed, replace(PLOT, **plot), start=start, beat_s=60.0)  # type: ignore[arg-type]


def given_on(world: World, day: date) -> dict[str, float]:
    given: dict[str, float] = {}
    for record in world.disk.applied:
        if record.day == day:
            given[record.zone] = given.get(record.zone, 0.0) + record.minutes
    return given


@pytest.mark.parametrize("plot", [EVENING, TWO], ids=["evening", "two windows"])
@pytest.mark.parametrize(
    ("site", "day"),
    [
        ("America/New_York", DAY),
        ("America/New_York", date(2026, 3, 7)),  # a night of 23 hours
        ("America/New_York", date(2026, 10, 31)),  # of 25
    ],
)
def test_each_date_has_its_water_once(plot: dict[str, object], site: str, day: date) -> None:
    zone = ZoneInfo(site)
    world = world_of(datetime(day.year, day.month, day.day, 2, 30, tzinfo=zone), zone=zone, **plot)
    world.run(3 * 24 * HOUR)
    for k in (0, 1):
        given = given_on(world, day + timedelta(days=k))
        assert given == pytest.approx(WHOLE, abs=0.2), day + timedelta(days=k)
    assert max(world.opened_identities.values()) == 1


@pytest.mark.parametrize("seed", [1, 2, 3])
def test_a_kill_ten_past_midnight_is_made_good_the_same_night(seed: int) -> None:
    world = world_of(datetime(2026, 6, 1, 20, tzinfo=PLOT.zone), seed, finish="late", **EVENING)
    world.run(TO_00_10)
    world.die("kill -9")
    world.run(world.now + 6 * HOUR)
    assert given_on(world, DAY) == pytest.approx(WHOLE, abs=1.2)
    assert not given_on(world, DAY + timedelta(days=1))  # nothing of the next date before its own hours
    assert max(world.opened_identities.values()) == 1


def test_no_water_outside_two_windows() -> None:
    world = world_of(datetime(2026, 6, 1, 2, 30, tzinfo=PLOT.zone), **TWO)
    world.run(2 * 24 * HOUR)
    opened = [record for record in world.disk.applied if record.opened_at and record.minutes]
    assert opened
    for record in opened:
        for at in (record.opened_at, record.closed_at):
            assert at is not None
            local = at.astimezone(PLOT.zone)
            assert local.hour in (4, 5, 22, 23, 0, 1) or (local.hour, local.minute) in ((6, 0), (2, 0)), (
                record
            )


@pytest.mark.parametrize(
    ("plot", "again"),
    [(EVENING, "Tue 2026-06-02 22:00"), (TWO, "Tue 2026-06-02 04:00")],
    ids=["evening", "two windows"],
)
def test_a_stop_after_midnight_ends_that_night_and_no_other(plot: dict[str, object], again: str) -> None:
    world = world_of(datetime(2026, 6, 1, 2, 30, tzinfo=PLOT.zone), finish="late", usable_lpm=12.5, **plot)
    said: list[str] = []
    world.run(22.5 * HOUR)  # 01:00
    world.wishes.append(Request("stop", None, 0.0, lambda _status, text: said.append(text)))
    world.run(world.now + 300)  # answered, and booked
    stopped = given_on(world, DAY)
    assert f"kept dry until the next watering hours, {again} (" in said[0]
    world.run(26 * HOUR)
    lines = [line.text for line in world.runner.notices.in_order() if "did not happen" in line.text]
    skipped = [text for text in lines if " 2026-05-31 " not in text]  # that night was half over
    assert skipped
    assert all(text.endswith("did not happen: it was kept dry") for text in skipped)
    world.run(2 * 24 * HOUR + 2 * HOUR)
    assert {zone: minutes for zone, minutes in given_on(world, DAY).items() if minutes} == stopped
    assert sum(stopped.values()) < sum(WHOLE.values()) - 10
    assert given_on(world, DAY + timedelta(days=1)) == pytest.approx(WHOLE, abs=0.2)


def test_a_stop_does_not_shorten_a_hold() -> None:
    world = world_of(datetime(2026, 6, 1, 2, 30, tzinfo=PLOT.zone), **EVENING)
    world.disk.held["beans"] = date(2026, 6, 20)
    world.run(22 * HOUR)
    world.wishes.append(Request("stop", None, 0.0, lambda _status, _text: None))
    world.run(2 * 24 * HOUR + 2 * HOUR)
    assert world.disk.held["beans"] == date(2026, 6, 20)
    given = given_on(world, DAY + timedelta(days=1))
    assert given.keys() == WHOLE.keys() - {"beans"}
