"""`rowwater season` as a grower runs it: the open garden day by day, notices, the files it prints."""

from __future__ import annotations

import csv
import io
import json
import shutil
from datetime import date, timedelta
from pathlib import Path

import pytest
from cli.conftest import Grower

OPEN = Path(__file__).parents[1] / "reference" / "open_garden2"
ONE = Path(__file__).parent / "one_coefficient"  # printed by the version before evaporation was kept apart
OPEN_SPAN = ("--from", "2015-04-20", "--to", "2015-08-20", "--foresight", "none", "--unlimited")
OF_SURFACE = {
    "kcb", "cover", "evaporation_mm", "use_mm", "surface_mm", "middle_mm", "seedbed", "sprinkle_mm",
}  # fmt: skip


@pytest.fixture
def opened(grower: Grower) -> Grower:
    """In the open garden, whose record was computed by other people's program (tests/reference)."""
    for name in ("garden.yaml", "crops.yaml", "weather.csv"):
        shutil.copy(OPEN / name, grower.folder / name)
    return grower


def test_the_open_garden_day_by_day(opened: Grower) -> None:
    said = opened("season", "--weather", "weather.csv", *OPEN_SPAN, "--json")
    assert said.status == 0
    expected, page = json.loads((OPEN / "expected.json").read_text()), said.json
    assert len(page["days"]) == len(expected["days"]) == 197
    for row, day in zip(expected["days"], page["days"], strict=True):
        assert set(day) == set(row) | {"trigger_mm"}  # theirs has no point where water is due
        for name, value in row.items():
            near = value if isinstance(value, str | bool) else pytest.approx(value, abs=2e-6)
            assert day[name] == near, (row["date"], row["zone"], name)
    for name, totals in expected["zones"].items():
        assert {key: page["zones"][name][key] for key in totals} == pytest.approx(totals, abs=1e-4)
    for row, planting in zip(expected["plantings"], page["plantings"], strict=True):
        assert {key: planting[key] for key in row} == row


def test_within_hours_and_with_foresight_it_is_the_same_balance(opened: Grower) -> None:
    free = opened("season", "--weather", "weather.csv", *OPEN_SPAN, "--json").json
    span = ("--from", "2015-04-20", "--to", "2015-08-20")
    within = opened("season", "--weather", "weather.csv", *span, "--json").json
    assert within["zones"]["sown"]["short_days"] == 0
    assert within["days"] == free["days"]  # here hours and flow reach for every run
    ahead = opened("season", "--weather", "weather.csv", *span, "--foresight", "perfect", "--json").json
    assert ahead["foresight"]["mornings"]
    for row in ahead["days"]:  # FAO-56 eq 85
        change = row["deficit_end_mm"] - row["deficit_start_mm"]
        flows = row["evaporation_mm"] + row["use_mm"] + row["percolation_mm"]
        assert change == pytest.approx(flows - row["net_mm"] - row["rain_eff_mm"], abs=1e-5)
    for name, totals in ahead["zones"].items():
        assert totals["liters"] <= free["zones"][name]["liters"] * 1.02
        assert totals["stress_days"] == 0


def test_one_coefficient_keeps_no_surface(opened: Grower) -> None:
    opened.edit("display: us", "display: us\ncrop_coefficient: single")
    page = opened("season", "--weather", "weather.csv", *OPEN_SPAN, "--json").json
    for row in page["days"]:
        assert not set(row) & OF_SURFACE
        assert {"short_use_mm", "pulses", "dry_off", "ece_ds_m"} <= set(row)
    assert all(zone["evaporation_mm"] == zone["sprinkle_days"] == 0 for zone in page["zones"].values())
    opened.edit("  ec: 1.2 dS/m\n", "")
    page = opened("season", "--weather", "weather.csv", *OPEN_SPAN, "--json").json
    assert not any("ece_ds_m" in row for row in page["days"])
    assert {one["ece_ds_m"] for one in page["plantings"]} == {None}
    assert {one["yield_salt"] for one in page["plantings"]} == {None}


def test_one_coefficient_waters_as_the_version_before_that_had_nothing_else(grower: Grower) -> None:
    """Its rules said: no settling in, stages by days, water ends with the table."""
    shutil.copy(ONE / "garden.yaml", grower.garden)
    page = grower("season", "--weather", "weather.csv", "--unlimited", "--json").json
    expected = json.loads((ONE / "expected.json").read_text())
    assert (page["from"], page["to"]) == (expected["from"], expected["to"])
    for name, totals in expected["zones"].items():
        assert {key: page["zones"][name][key] for key in totals} == pytest.approx(totals, abs=1e-5)
    days = {(row["date"], row["zone"]): row for row in page["days"]}
    assert len(page["days"]) > 500
    for row in expected["days"]:
        day = days[row["date"], row["zone"]]
        for key, value in row.items():
            assert day[key] == (value if isinstance(value, str) else pytest.approx(value, abs=2e-6)), (
                row,
                key,
            )


def test_csv_has_every_field_of_json(opened: Grower) -> None:
    days = opened("season", "--weather", "weather.csv", *OPEN_SPAN, "--json").json["days"]
    rows = list(
        csv.DictReader(io.StringIO(opened("season", "--weather", "weather.csv", *OPEN_SPAN, "--csv").out))
    )
    assert len(rows) == len(days)
    for row, day in zip(rows, days, strict=True):
        assert {name: text for name, text in row.items() if text} == {k: str(v) for k, v in day.items()}


# --- what is told --------------------------------------------------------------------------------

GARDEN = """\
garden: Creekside plot
location: {latitude: 47.44, longitude: -122.31, elevation: 371 ft, timezone: America/Los_Angeles}
display: metric
weather: {sources: [{file: {path: weather.csv}}]}
supply: {flow: 30, hours: {from: "04:00", until: "10:00"}}
tapes: {thin: {flow: 0.08}}
zones:
  bed:
    rows: {count: 4, length: 20, spacing: 0.9}
    tape: thin
    soil: loam
    PLACE
    plantings:
      - {crop: CROP}
    valve: {by_hand: true}
"""
CROPS = """\
quick:
  stages:
    - {stage: initial, days: 20, kc: 0.50}
    - {stage: development, days: 20}
    - {stage: mid-season, days: 20, kc: 1.05}
    - {stage: late season, days: 20, kc_end: 0.90}
  root_depth: {start: 0.2 m, full: 0.5 m}
  depletion: 0.45
"""


def season(
    grower: Grower, crop: str, *args: str, place: str = "", heat: str = ""
) -> tuple[int, list[str], dict]:
    """Status, notices and page of a season with one bed, 1 May to 30 September 2015."""
    grower.garden.write_text(GARDEN.replace("CROP", crop).replace("PLACE", place or "priority: normal"))
    (grower.folder / "crops.yaml").write_text(CROPS + heat)
    span = args or ("--from", "2015-05-01", "--to", "2015-09-30")
    said = grower("season", "--weather", "weather.csv", *span, "--json")
    assert said.status in (0, 3), said.err
    return said.status, [notice["text"] for notice in said.json["notices"]], said.json


def test_a_crop_past_its_last_stage_is_watered_on_and_asked_about_once(grower: Grower) -> None:
    status, told, page = season(grower, "quick, planted: 2015-05-01, hold_last_stage: true")
    assert status == 0
    late = [row for row in page["days"] if row["date"] > "2015-07-19"]  # day 80 is 19 July
    assert len(late) == 73
    assert any(row["minutes"] for row in late)
    (one,) = [text for text in told if "still growing" in text]
    assert one.startswith(
        "bed: quick of 2015-05-01 still growing past its last stage on 73 days, from 2015-07-20 on"
    )
    assert "`note pulled`" in one
    _, told, _ = season(grower, "quick, planted: 2015-05-01, pulled: 2015-08-01, hold_last_stage: true")
    (one,) = [text for text in told if "still growing" in text]
    assert one.endswith("on 12 days, from 2015-07-20 on: watered as in its last stage; pulled 2015-08-01")
    _, told, _ = season(grower, "quick, planted: 2015-05-01, pulled: 2015-07-20, hold_last_stage: true")
    assert not [text for text in told if "still growing" in text]


def test_many_years_past_the_last_stage_are_one_line(grower: Grower) -> None:
    plantings = "}\n      - {crop: ".join(
        f"quick, planted: {year}-05-01, pulled: {year}-09-01, hold_last_stage: true"
        for year in range(2012, 2016)
    )
    span = ("--from", "2012-05-01", "--to", "2015-09-30")
    _, told, _ = season(grower, plantings, *span)
    (one,) = [text for text in told if "still growing" in text]
    assert one.startswith(
        "bed: quick (4 plantings) still growing past its last stage on 172 days, the latest from"
    )


def test_a_crop_that_its_table_ends_loses_no_water_silently(grower: Grower) -> None:
    crop = "quick, planted: 2015-05-01, hold_last_stage: false"
    status, told, page = season(grower, crop)
    assert status == 3
    assert max(row["date"] for row in page["days"]) == "2015-07-19"
    (one,) = [text for text in told if "no more water" in text]
    assert "from 2015-07-20 on" in one
    for last, days in (("2015-07-16", 0), ("2015-07-17", 1), ("2015-07-18", 1)):
        status, told, _ = season(grower, crop, "--from", "2015-05-01", "--to", last)
        assert status == 0
        assert len([text for text in told if "gets no more water from 2015-07-20 on" in text]) == days
    assert season(grower, crop, "--from", "2015-05-01", "--to", "2015-07-19")[0] == 3
    status, told, _ = season(grower, "quick, planted: 2015-05-01, pulled: 2015-07-20, hold_last_stage: false")
    assert status == 0
    assert not [text for text in told if "no more water" in text]


def test_seed_that_the_tape_does_not_reach_is_to_be_sprinkled(grower: Grower) -> None:
    crop = "quick, planted: 2015-05-01, by: seed, seed_depth: 20 mm, hold_last_stage: true"
    _, told, page = season(grower, crop, place="tape_depth: 0.2 m")  # water rises 0.17 m in loam
    days = [row for row in page["days"] if row["sprinkle_mm"] > 0]
    assert page["zones"]["bed"]["sprinkle_days"] == len(days) > 0
    assert all(row["seedbed"] for row in days)
    (one,) = [text for text in told if "sprinkle" in text]
    assert f"on {len(days)} days" in one
    _, told, page = season(grower, crop, place="tape_depth: 0.02 m")
    assert page["zones"]["bed"]["sprinkle_days"] == 0
    assert not [text for text in told if "sprinkle" in text]


@pytest.mark.parametrize(
    ("crop", "told"),
    [
        ("lettuce, planted: 2015-07-02, by: seed", True),  # 33 C at the record's place
        ("lettuce, planted: 2015-07-02, by: transplants", False),
        ("lettuce, planted: 2015-05-02, by: seed", False),
        ("quick, planted: 2015-07-02, by: seed", False),
    ],
)
def test_lettuce_sown_in_the_heat(grower: Grower, crop: str, told: bool) -> None:
    _, notices, _ = season(grower, f"{crop}, hold_last_stage: true")
    assert bool([text for text in notices if "sow at dusk, water twice, shade" in text]) == told


def test_stages_go_by_warmth_where_three_years_are_stored_else_by_days_and_say_so(grower: Grower) -> None:
    heat = "  heat: {base: 7, upper: 30}\n"
    _, told, page = season(grower, "quick, planted: 2015-05-01, hold_last_stage: true", heat=heat)
    assert not [text for text in told if "heat units" in text]
    sums = [row["heat_c"] for row in page["days"]]
    assert sums == sorted(sums)
    assert sums[0] > 0
    stages = [row["stage"] for row in page["days"]]
    by_days = season(grower, "quick, planted: 2015-05-01, hold_last_stage: true")[2]
    assert stages != [row["stage"] for row in by_days["days"]]  # 2015 was a warm year there
    assert not any("heat_c" in row for row in by_days["days"])
    earlier = ("--from", "2014-05-01", "--to", "2014-09-30")  # two summers lie before
    _, told, page = season(grower, "quick, planted: 2014-05-01, hold_last_stage: true", *earlier, heat=heat)
    (one,) = [text for text in told if "heat units" in text]
    assert "quick" in one
    assert "fewer than 3" in one
    assert not any("heat_c" in row for row in page["days"])


# --- with foresight ------------------------------------------------------------------------------


def forecasts(grower: Grower, first: date, mornings: int) -> None:
    """forecast.csv: on each morning the weather that really came, for that day and the six after."""
    header, *rows = (grower.folder / "weather.csv").read_text().splitlines()
    by_day = {row.split(",")[0]: row for row in rows}
    lines = ["issued," + header]
    for k in range(mornings):
        issued = first + timedelta(days=k)
        lines += [f"{issued},{by_day[(issued + timedelta(days=ahead)).isoformat()]}" for ahead in range(7)]
    (grower.folder / "forecast.csv").write_text("\n".join(lines) + "\n")


@pytest.mark.parametrize("foresight", [["perfect"], ["forecast", "--forecast", "forecast.csv"]])
def test_a_sown_row_never_dries_before_it_is_up_whatever_is_foreseen(
    grower: Grower, foresight: list[str]
) -> None:
    crop = "quick, planted: 2015-06-01, by: seed, seed_depth: 20 mm, hold_last_stage: true"
    forecasts(grower, date(2015, 6, 1), 14)
    span = ("--from", "2015-06-01", "--to", "2015-06-14", "--foresight", *foresight)
    _, _, page = season(grower, crop, *span, place="tape_depth: 0.03 m")
    days = page["days"]
    assert all(row["seedbed"] for row in days)  # 14 days, for a crop without figures of its own
    assert days[0]["minutes"] >= 30  # surface_run of loam
    assert sum(row["minutes"] > 0 for row in days) >= 4
    for row in days:
        assert (
            row["surface_mm"] <= 9 + 0.3 * row["et0_mm"]
        )  # REW of loam (FAO-56 Table 19), and part of a day
    assert sum(page["foresight"]["mornings"].values()) == 14


def test_transplants_are_watered_on_their_day_and_settled_in_with_foresight(grower: Grower) -> None:
    crop = "quick, planted: 2015-06-01, settle: {days: 6, every: 2 days, run: 12}, hold_last_stage: true"
    span = ("--from", "2015-06-01", "--to", "2015-06-08", "--foresight", "perfect")
    _, _, page = season(grower, crop, *span)
    days = page["days"]
    assert days[0]["net_mm"] >= days[0]["deficit_start_mm"] - 0.2  # the whole deficit, to the minute
    assert days[0]["net_mm"] > 0
    assert [row["minutes"] >= 12 for row in days[:5:2]] == [True] * 3  # no 5 mm of rain fell before


@pytest.mark.parametrize("foresight", ["none", "perfect"])
def test_a_crop_that_cures_gets_no_water_whatever_it_suffers(grower: Grower, foresight: str) -> None:
    crop = "quick, planted: 2015-05-01, harvest: 2015-07-10, dry_off: 14 days, pulled: 2015-07-10"
    span = ("--from", "2015-06-10", "--to", "2015-07-10", "--foresight", foresight)
    _, _, page = season(grower, crop, *span)
    drying = [row for row in page["days"] if row["dry_off"]]
    assert [row["date"] for row in drying][:: len(drying) - 1] == ["2015-06-26", "2015-07-09"]
    assert not any(row["minutes"] for row in drying)
    assert any(row["ks"] < 1 for row in drying)  # a week of 30 C without rain
    assert page["zones"]["bed"]["stress_days"] == 0
    assert sum(row["short_use_mm"] for row in drying) == 0
    assert any(row["minutes"] for row in page["days"] if not row["dry_off"])
