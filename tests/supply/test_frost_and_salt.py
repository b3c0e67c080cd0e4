"""Frosted crops, rain on salty ground, and the drain chore while water is still wanted."""

from __future__ import annotations

from dataclasses import replace
from datetime import date, timedelta

import numpy as np
import pytest
from supply.plots import plot

from scheduler.core.system.frost import frost_nights
from scheduler.core.system.salinity import light_rain_after_dry_spell, planted_soon
from scheduler.core.system.upkeep import chores_due, wants_water
from scheduler.model import Garden, Zone

GARDEN = plot()
MAY = date(2026, 5, 15)


def bearing(killed_below_c: float | None) -> tuple[Zone, ...]:
    """The plot's zones, with crops that bear so much cold."""
    return tuple(
        replace(
            zone,
            plantings=tuple(
                replace(p, crop=replace(p.crop, killed_below_c=killed_below_c)) for p in zone.plantings
            ),
        )
        for zone in GARDEN.zones
    )


def asked(day: date, tmin: dict[date, float], killed_below_c: float | None = -1.0) -> list[tuple[str, date]]:
    found = frost_nights(bearing(killed_below_c), day, tmin, GARDEN.location, GARDEN.supply)
    return [(one.zone, one.morning) for one in found]


def test_a_night_below_what_a_crop_bears_is_asked_about() -> None:
    """Tender crops -1 C, half-hardy -4, hardy -8 (own choice): exactly that is still borne."""
    assert asked(MAY, {MAY: -1.1}) == [("beds", MAY), ("side", MAY)]
    assert asked(MAY, {MAY: -1.0}) == []
    assert asked(MAY, {MAY: -3.0}, -4.0) == []
    assert asked(MAY, {MAY: -3.0}, None) == []
    assert asked(MAY, {MAY: float("nan")}) == []
    assert asked(MAY, {}) == []


def test_the_night_before_is_asked_about_when_it_came_colder_than_forecast() -> None:
    eve = MAY - timedelta(days=1)
    assert asked(MAY, {eve: -2.0, MAY: 4.0}) == [("beds", eve), ("side", eve)]
    assert asked(MAY, {eve: -2.0, MAY: -3.0}) == [("beds", MAY), ("side", MAY)]
    assert asked(MAY + timedelta(days=1), {eve: -2.0}) == []


def test_only_what_was_out_that_night() -> None:
    planted = date(2026, 5, 10)  # the squash
    assert asked(planted, {planted: -2.0}) == [("beds", planted)]
    assert asked(planted + timedelta(days=1), {planted: -2.0}) == [("beds", planted)]
    assert asked(date(2026, 12, 1), {date(2026, 12, 1): -9.0}, -4.0) == []  # all pulled


@pytest.mark.parametrize(
    ("before", "today", "told"),
    [
        ([0.0] * 10, 1.0, True),
        ([0.0] * 10, 12.7, True),
        ([0.0] * 10, 0.9, False),  # wets nothing
        ([0.0] * 10, 12.8, False),  # washes it down by itself
        ([0.0] * 9 + [2.0], 5.0, True),
        ([0.0] * 9 + [2.1], 5.0, False),
        ([9.0] + [0.0] * 10, 5.0, True),
        ([0.0, float("nan")] * 5, 5.0, True),
        ([0.0] * 9, 5.0, False),  # who knows
        ([0.0] * 10, float("nan"), False),
    ],
)
def test_light_rain_after_a_dry_spell(before: list[float], today: float, told: bool) -> None:
    assert light_rain_after_dry_spell(np.array(before), today) is told


def test_what_is_planted_soon() -> None:
    day = date(2026, 5, 10)
    for ahead, soon in ((0, True), (3, True), (4, False), (-1, False)):
        found = [
            planting.crop.name for _, planting in planted_soon(GARDEN.zones, day - timedelta(days=ahead))
        ]
        assert found == (["summer squash"] if soon else [])


# --- draining ------------------------------------------------------------------------------------


def test_a_zone_wants_water_when_it_comes_to_its_trigger_in_ten_days() -> None:
    def wants(deficit: float, use: float, rain: float = 0.0, trigger: float = 10.0) -> bool:
        days = [np.full((7, 1), mm) for mm in (use, rain, trigger)]
        found = wants_water(np.array([deficit]), use=days[0], rain_eff=days[1], trigger=days[2])
        return bool(found[0])

    assert wants(10.0, 0.0)
    assert wants(0.0, 1.0)  # on the tenth morning
    assert not wants(0.0, 0.99)
    assert not wants(0.0, 1.0, rain=0.5)  # seven days of it
    assert not wants(30.0, 5.0, trigger=float("inf"))  # nothing stands, or it is drying off


def test_no_draining_while_water_is_wanted() -> None:
    def kinds(garden: Garden, *, wanted: bool) -> list[str]:
        day = date(2026, 10, 20)
        cold = {day + timedelta(days=1): -4.0}
        found = chores_due(garden, day, noted={}, watered={}, tmin_ahead_c=cold, water_wanted=wanted)
        return [chore.kind for chore in found if chore.kind == "drain"]

    assert kinds(GARDEN, wanted=False) == ["drain"]
    assert kinds(GARDEN, wanted=True) == []
