"""The first two weeks of a sown bed and of set-out plants, and what goes on beside them: watered as planned.

Place and weather of the Creekside plot's real record, a dry July (Seattle 2015, tests/weather/README.md).
What is expected follows from the model's rules and the figures written into this garden.
"""

from __future__ import annotations

import json
from datetime import date, datetime, timedelta
from typing import Any
from zoneinfo import ZoneInfo

import pytest
from cli.conftest import Grower

MOST_DRY, EVAPORABLE = 4.5, 19.0
"""mm of the top 0.10 m of loam: half of REW (FAO-56 Table 19) for a seed at 12 mm, and TEW (eq 73)."""
GARDEN = """
garden: Six beds
location: {latitude: 47.44, longitude: -122.31, elevation: 371 ft, timezone: America/Los_Angeles}
display: metric
crop_coefficient: dual
weather:
  sources:
    - file: {path: weather.csv}
supply: {flow: 100 L/min, pressure: 83 kPa, hours: {from: "04:00", until: "20:00"}}
tapes:
  thin: {flow: 5 L/min/100m}
zones:
  carrots:
    rows: {count: 8, length: 12 m, spacing: 0.5 m}
    tape: thin
    tape_depth: 5 cm
    soil: {theta_fc: 0.25, theta_wp: 0.12}
    plantings: [{crop: carrot, planted: 2015-07-02, by: seed, seed_depth: 12 mm}]
    valve: {by_hand: true}
  tomatoes:
    rows: {count: 4, length: 12 m, spacing: 1.2 m}
    tape: thin
    soil: {theta_fc: 0.25, theta_wp: 0.12}
    plantings: [{crop: tomato, planted: 2015-07-02, by: transplants, settle: {days: 10, every: 2 days}}]
    valve: {by_hand: true}
  salad:
    rows: {count: 8, length: 12 m, spacing: 0.75 m}
    tape: thin
    soil: {theta_fc: 0.25, theta_wp: 0.12}
    plantings:
      - {crop: lettuce, planted: 2015-06-01, pulled: 2015-07-03, by: transplants}
      - {crop: lettuce, planted: 2015-07-14, by: transplants, settle: {days: 1}, rows: {spacing: 0.4 m}}
    valve: {by_hand: true}
  onions:
    rows: {count: 8, length: 12 m, spacing: 0.5 m}
    tape: thin
    soil: {theta_fc: 0.25, theta_wp: 0.12}
    plantings: [{crop: onion, planted: 2015-04-01, by: sets, dry_off: 10 days, harvest: 2015-07-20}]
    valve: {by_hand: true}
  beans:
    rows: {count: 8, length: 12 m, spacing: 0.5 m}
    tape: thin
    soil: {theta_fc: 0.25, theta_wp: 0.12}
    plantings:
      - {crop: bush bean, planted: 2015-04-20, days: [15, 25, 25, 10], hold_last_stage: true, heat: off}
    valve: {by_hand: true}
"""


@pytest.fixture
def plot(grower: Grower, monkeypatch: pytest.MonkeyPatch) -> Grower:
    grower.garden.write_text(GARDEN)
    grower.now = [datetime(2015, 7, 1)]  # type: ignore[attr-defined]  # the site's time
    clock = grower.now  # type: ignore[attr-defined]
    monkeypatch.setattr("scheduler.clock.site_now", lambda zone: clock[0].replace(tzinfo=ZoneInfo(zone)))
    return grower


Notes = dict[str, list[tuple[str, ...]]]


def live(grower: Grower, first: str, last: str, notes: Notes) -> dict[str, Any]:
    """Every morning planned, every evening answered as planned; by date: zone -> what was said and run."""
    day, found = date.fromisoformat(first), {}
    while day <= date.fromisoformat(last):
        clock = grower.now  # type: ignore[attr-defined]
        clock[0] = datetime(day.year, day.month, day.day, 3)
        said = grower("day", "--json")
        assert said.status in (0, 3), said.err
        page = said.json
        zones = {zone["zone"]: dict(zone, run=0.0, pulses=0) for zone in page["zones"]}
        for run in json.loads((grower.data / "schedule.json").read_text())["runs"]:
            zones[run["zone"]]["run"] += run["minutes"]
            zones[run["zone"]]["pulses"] += 1
        found[day.isoformat()] = zones
        clock[0] = datetime(day.year, day.month, day.day, 21)
        assert grower("note", "applied", "--as-planned").status in (0, 2)
        for note in notes.get(day.isoformat(), []):
            assert grower("note", *note).status == 0
        day += timedelta(days=1)
    return found


def test_two_weeks_of_july(plot: Grower) -> None:
    days = live(plot, "2015-07-01", "2015-07-16", {"2015-07-11": [("emerged", "carrots")]})

    def of(zone: str, first: str, last: str) -> list[dict[str, Any]]:
        return [zones[zone] for day, zones in days.items() if first <= day <= last]

    sown = of("carrots", "2015-07-02", "2015-07-11")
    assert all(zone["seedbed"] for zone in sown)
    assert sown[0]["run"] > 0
    for zone in sown:
        if zone["surface_mm"] > MOST_DRY:
            assert zone["run"] >= 30, zone
        assert zone["run"] == 0 or zone["waterings"] >= 1
    assert max(zone["surface_mm"] for zone in sown[1:]) < 0.6 * EVAPORABLE, "it never dries before it is up"
    assert not any("seedbed" in zone for zone in of("carrots", "2015-07-12", "2015-07-16"))

    set_out = of("tomatoes", "2015-07-02", "2015-07-11")
    assert set_out[0]["deficit_mm"] == pytest.approx(0.5 * EVAPORABLE, abs=0.1)  # of the strip, half the bed
    litre_a_metre = 4 * 12 / (48 * 0.05)
    assert all(zone["run"] >= litre_a_metre for zone in set_out[::2])

    assert {zone["state"] for zone in of("salad", "2015-07-03", "2015-07-13")} == {"no crop"}
    new = days["2015-07-14"]["salad"]
    assert new["deficit_mm"] == pytest.approx(EVAPORABLE, abs=0.2)  # rows elsewhere: the dry row middle
    assert new["run"] > 0

    assert any(zone["run"] > 0 for zone in of("onions", "2015-07-02", "2015-07-09"))
    assert not any(zone["run"] for zone in of("onions", "2015-07-10", "2015-07-16"))

    kept = of("beans", "2015-07-04", "2015-07-16")  # day 76 and on of a table of 75
    assert {zone["stage"] for zone in kept} == {"late season"}
    assert any(zone["run"] > 0 for zone in kept)


def test_rain_in_the_gap_wets_the_bed_of_the_next_planting(plot: Grower) -> None:
    garden = plot.garden.read_text()
    head, rest = garden.split("  carrots:")
    salad = rest[rest.index("  salad:") : rest.index("  onions:")]
    plot.garden.write_text(head + salad)
    plot.edit_weather("2015-07-12", rain_mm="40")
    days = live(plot, "2015-07-02", "2015-07-14", {})
    assert days["2015-07-14"]["salad"]["deficit_mm"] < 0.5 * EVAPORABLE


def test_sprinkling_stands_in_for_a_tape_that_lies_too_deep(plot: Grower) -> None:
    """Each morning asks for what the layer lacks; what was sprinkled wets it, and nothing below."""
    garden = plot.garden.read_text()
    head, rest = garden.split("  carrots:")
    plot.garden.write_text(head + "  carrots:" + rest[: rest.index("  tomatoes:")])
    plot.edit("tape_depth: 5 cm", "tape_depth: 20 cm")
    clock = plot.now  # type: ignore[attr-defined]
    wanted, lacks = [], []
    for day in range(2, 8):
        clock[0] = datetime(2015, 7, day, 3)
        (zone,) = plot("day", "--json").json["zones"]
        wanted.append(zone.get("sprinkle_mm", 0.0))
        lacks.append(zone["deficit_mm"])
        clock[0] = datetime(2015, 7, day, 9)
        if wanted[-1]:
            assert plot("note", "sprinkled", "carrots", f"{wanted[-1]:.1f}mm").status == 0
    assert wanted[0] == pytest.approx(EVAPORABLE, abs=0.1)
    assert all(MOST_DRY < mm < 0.6 * EVAPORABLE for mm in wanted[1:])
    assert lacks == sorted(lacks), "the root zone gets nothing of it"
