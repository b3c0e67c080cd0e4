"""What one event may give on sand, the rests in between, and a seedbed's waterings, over whole days.

The place and the record are those of the Creekside plot (Seattle 2015, tests/weather/README.md).
"""

from __future__ import annotations

from datetime import datetime, timedelta
from typing import Any

import pytest
from cli.conftest import Grower

GARDEN = """
garden: Sandy bed
location: {{latitude: 47.44, longitude: -122.31, elevation: 371 ft, timezone: America/Los_Angeles}}
display: metric
crop_coefficient: {coefficient}
weather:
  sources:
    - file: {{path: weather.csv}}
supply:
  flow: 60 L/min
  hours: {hours}
tapes:
  thin: {{flow: 15 L/min/100m}}
zones:
  bed:
    rows: {{count: 6, length: 24 m, spacing: 0.6 m}}
    tape: thin
    soil: sand
{zone}
    plantings: [{planting}]
    valve: {{gpio: 5}}
"""
CROPS = """
deep:
  stages:
    - {stage: initial, days: 10, kc: 0.5}
    - {stage: development, days: 10}
    - {stage: mid-season, days: 90, kc: 1.05}
    - {stage: late season, days: 20, kc_end: 0.9}
  root_depth: {start: 0.20 m, full: 1.20 m}
  depletion: 0.55
"""
HELD_MM_PER_M = 1000 * (0.12 - 0.045)  # sand, FAO-56 Table 19: mid of its range
WETTED = 0.40 / 0.6  # of coarse soil, own choice; rows 0.6 m apart
MOST_MM = 0.5 * HELD_MM_PER_M * 0.30 * WETTED  # of one pulse, model M7
NET_PER_MINUTE = 0.15 / 0.6 * 0.90


def bed(
    grower: Grower, *, zone: str = "", planting: str = "{crop: deep, planted: 2015-05-15}",
    hours: str = '{from: "04:00", until: "08:00"}', coefficient: str = "single",
) -> Grower:  # fmt: skip
    zone = "\n".join(f"    {line}" for line in zone.splitlines())
    text = GARDEN.format(zone=zone, planting=planting, hours=hours, coefficient=coefficient)
    grower.garden.write_text(text)
    (grower.folder / "crops.yaml").write_text(CROPS)
    return grower


def plan(grower: Grower, day: str) -> Any:
    said = grower("day", "--date", day, "--json")
    assert said.status in (0, 3), said.err
    return said.json


def times(page: Any) -> list[tuple[datetime, datetime]]:
    found = [
        (datetime.fromisoformat(run["start"]), datetime.fromisoformat(run["stop"])) for run in page["runs"]
    ]
    return sorted(found)


def texts(page: Any) -> str:
    return "\n".join(notice["text"] for notice in page["notices"])


def test_sand_in_four_hours_gets_the_pulses_that_fit_and_the_rest_tomorrow(grower: Grower) -> None:
    """28 mm lacking, 7.5 mm at a time, two hours of rest: two pulses in four hours, as many tomorrow."""
    bed(grower, zone="starting_deficit: 28 mm")
    page = plan(grower, "2015-07-01")
    runs = times(page)
    assert len(runs) == 2
    for run in page["runs"]:
        assert run["net_mm"] <= MOST_MM + NET_PER_MINUTE / 2
    assert runs[1][0] - runs[0][1] >= timedelta(hours=2)
    assert runs[0][0].hour >= 4
    assert runs[-1][1].strftime("%H:%M") == "08:00"  # finish: late
    given = sum(run["net_mm"] for run in page["runs"])
    assert given == pytest.approx(2 * MOST_MM, abs=2 * NET_PER_MINUTE)
    (unmet,) = page["unmet"]
    assert unmet["why"] == "the watering hours hold 2 of 4 pulses with 120 min of rest between them"
    assert unmet["net_mm"] == pytest.approx(28 - given, abs=NET_PER_MINUTE)
    assert f"left for the next morning: bed {unmet['net_mm']:.1f} mm" in texts(page)
    week = grower("week", "--date", "2015-07-01", "--json").json
    tomorrow = next(d for d in week["days"] if d["date"] == "2015-07-02")
    assert tomorrow["minutes"] > 0  # what is left, and today's use, is over the trigger again
    assert grower("note", "applied", "--as-planned", "--date", "2015-07-01").status == 0
    following = plan(grower, "2015-07-02")
    assert len(times(following)) == 2
    assert sum(run["minutes"] for run in following["runs"]) == pytest.approx(tomorrow["minutes"], abs=6)
    morning = grower("morning", "--date", "2015-07-02")
    assert "in 2" in morning.out


def test_the_grower_s_own_rest_and_longest_pulse_win(grower: Grower) -> None:
    bed(grower, zone="starting_deficit: 28 mm\npulse_rest: 10 min")
    page = plan(grower, "2015-07-01")
    assert len(page["runs"]) == 4
    assert page["unmet"] == []
    assert sum(run["net_mm"] for run in page["runs"]) == pytest.approx(28, abs=NET_PER_MINUTE)
    gaps = [after[0] - before[1] for before, after in zip(times(page), times(page)[1:], strict=False)]
    assert min(gaps) >= timedelta(minutes=10)
    bed(grower, zone="starting_deficit: 28 mm\nlongest_pulse: 70 min")
    # 124 minutes in two pulses and two hours of rest are four minutes too many
    assert [run["minutes"] for run in plan(grower, "2015-07-01")["runs"]] == [60, 60]


def test_a_crop_that_would_suffer_gets_longer_pulses_and_that_is_said(grower: Grower) -> None:
    """Past what it can spare, by far: rather some below the roots than a crop without water for days."""
    bed(grower, zone="starting_deficit: 50 mm", hours='{from: "04:00", until: "07:00"}')
    page = plan(grower, "2015-07-01")
    given = sum(run["net_mm"] for run in page["runs"])
    assert given > 2 * MOST_MM
    assert "in place of 6, lest the crop suffer" in texts(page)


# --- seedbed -------------------------------------------------------------------------------------

SOWN = "{crop: carrot, planted: 2015-06-29, by: seed, seed_depth: 10 mm}"
SHALLOW = "tape_depth: 0.02 m"


def test_a_seedbed_is_watered_over_the_daylight_of_the_hours(grower: Grower) -> None:
    bed(grower, zone=SHALLOW, planting=SOWN, coefficient="dual", hours='{from: "04:00", until: "14:00"}')
    grower.weeks("2015-06-30", "2015-07-02")
    page = plan(grower, "2015-07-02")
    wanted = int(grower("morning", "--date", "2015-07-02", "--json").json["zones"][0]["waterings"])
    assert wanted >= 2
    runs = times(page)
    assert len(runs) == wanted
    assert runs[0][0].strftime("%H:%M") >= "05:10"  # sunrise in Seattle, 1 July: 05:16 (almanac)
    assert runs[0][0].hour < 6
    assert runs[-1][1].strftime("%H:%M") >= "13:55"
    assert "cover the seed row" not in texts(page)
    assert sum(run["minutes"] for run in page["runs"]) >= 30


def test_where_the_hours_are_dark_the_seed_row_is_to_be_covered(grower: Grower) -> None:
    bed(grower, zone=SHALLOW, planting=SOWN, coefficient="dual", hours='{from: "22:00", until: "04:00"}')
    grower.weeks("2015-06-30", "2015-07-02")
    page = plan(grower, "2015-07-02")
    assert page["runs"]
    assert "cover the seed row until it shows" in texts(page)
    assert any(n["level"] == "look" and "cover the seed row" in n["text"] for n in page["notices"])
