"""`rowwater study` as a grower and an adviser run it; each season of it is that of `rowwater season`."""

from __future__ import annotations

import csv
import io
import json
import random
import sqlite3
import sys
import xml.etree.ElementTree as ET
from collections import Counter
from collections.abc import Iterable, Sequence
from datetime import date, timedelta
from pathlib import Path
from typing import Any

import pytest
from cli.conftest import Grower
from pyarrow import parquet

YEARS = range(2012, 2016)
TEXT = """\
garden: Creekside plot
location: {latitude: 47.44, longitude: -122.31, elevation: 371 ft, timezone: America/Los_Angeles}
display: us
supply: {flow: FLOW, pressure: 12 psi, hours: {from: "04:00", until: "UNTIL"}, days: DAYS, ec: 1.2 dS/m}
tapes: {thin: {flow: 0.40 gpm/100ft, rated_at: 12 psi}, wide: {flow: 0.25 gpm/100ft, rated_at: 12 psi}}
zones:
  beans:
    rows: {count: 8, length: 80 ft, spacing: 3 ft}
    tape: TAPE
    tape_depth: 2 in
    soil: sandy loam
    refill_at: REFILL
    plantings:
      - {crop: bush bean, planted: YEAR-06-10, by: seed, pulled: YEAR-08-05}
  lettuce:
    rows: {count: 6, length: 60 ft, spacing: 18 in}
    tape: thin
    soil: sandy loam
    starting_deficit: 6 mm
    plantings:
      - {crop: lettuce, planted: YEAR-06-05, pulled: YEAR-07-20}
"""
AS_IT_IS = {"FLOW": "6 gpm", "UNTIL": "08:00", "DAYS": "all", "TAPE": "thin", "REFILL": "0.5", "YEAR": "2015"}
KEYS = {
    "FLOW": "supply.flow",
    "UNTIL": "supply.hours.until",
    "DAYS": "supply.days",
    "TAPE": "zones.beans.tape",
    "REFILL": "zones.*.refill_at",
}
VALUES = {
    "FLOW": ["2 gpm", "4 gpm", "20 L/min"],
    "UNTIL": ['"05:00"', '"06:30"'],
    "DAYS": ["even", "[mon, thu]"],
    "TAPE": ["thin", "wide"],
    "REFILL": ["0.3", "0.8"],
}


def text_of(**values: str) -> str:
    text = TEXT
    for name, value in (AS_IT_IS | values).items():
        text = text.replace(name, value.strip('"'))
    if "REFILL" in values:  # `zones.*` sets it in both
        text = text.replace(
            "    starting_deficit", f"    refill_at: {values['REFILL']}\n    starting_deficit"
        )
    return text


@pytest.fixture
def short(grower: Grower) -> Grower:
    """In a garden of two zones whose season is two months."""
    grower.garden.write_text(text_of())
    return grower


def study(grower: Grower, *args: str) -> Any:
    return grower("study", "--weather", "weather.csv", *args)


def rows_of(text: str) -> list[dict[str, str]]:
    return list(csv.DictReader(io.StringIO(text)))


def season_alone(grower: Grower, values: dict[str, str], year: int, *how: str) -> dict[str, Any]:
    """What `season` prints for a file written by hand for that year."""
    text = text_of(**values, YEAR=str(year))
    last = f"{year}-08-04"
    if "--foresight" in how:  # 20 days will do: each morning plans a week
        text = text.replace(f"{year}-08-05", f"{year}-06-25").replace(f"{year}-07-20", f"{year}-06-25")
        last = f"{year}-06-24"
    (grower.folder / "alone.yaml").write_text(text)
    span = ("--from", f"{year}-06-05", "--to", last)
    said = grower("season", "--config", "alone.yaml", "--weather", "weather.csv", *span, *how, "--json")
    assert said.status in (0, 3), said.err
    page: dict[str, Any] = said.json
    return page


def figures_of(page: dict[str, Any]) -> dict[str, float | None]:
    """The study's figures by their definitions, from the page of `season`."""
    zones = page["zones"].values()
    area = {"beans": 8 * 80 * 3 * 0.3048**2, "lettuce": 6 * 60 * 1.5 * 0.3048**2}
    morning: dict[str, float] = {}
    for day in page["days"]:
        morning[day["date"]] = morning.get(day["date"], 0.0) + day["minutes"]
    asked = [one["short_use_mm"] / one["etc_mm"] for one in page["plantings"]]
    shares = [(area[one["zone"]], one["yield"]) for one in page["plantings"] if one["yield"] is not None]
    known = [zone["short_days"] for zone in zones if "short_days" in zone]
    whole = sum(share for share, _ in shares)
    return {
        "liters": sum(zone["liters"] for zone in zones),
        "stress_days": sum(zone["stress_days"] for zone in zones),
        "drained_l": sum(area[name] * zone["percolation_mm"] for name, zone in page["zones"].items()),
        "longest_minutes": max(morning.values()),
        "short_days": sum(known) if known else None,
        "short_l": sum(area[one["zone"]] * one["short_use_mm"] for one in page["plantings"]),
        "lost": 1 - sum(share * left for share, left in shares) / whole,
        "short_share": max(asked),
    }


def hold(row: dict[str, str], page: dict[str, Any]) -> None:
    """To the last digit that `season` prints; what is worked out of several printed figures nearly so."""
    expected = figures_of(page)
    for name in ("liters", "stress_days", "longest_minutes", "short_days"):
        value = expected[name]
        assert row[name] == ("" if value is None else str(round(value, 6))), (row, name, value)
    for name, near in (("drained_l", 1e-3), ("short_l", 1e-3), ("lost", 2e-6), ("short_share", 2e-6)):
        assert float(row[name]) == pytest.approx(expected[name], abs=near), (row, name)


def kept_zones(grower: Grower) -> list[dict[str, list[float]]]:
    with sqlite3.connect(grower.data / "study.db") as store:
        return [json.loads(text)["zones"] for (text,) in store.execute("SELECT figures FROM season")]


def vary(values: dict[str, Sequence[str]]) -> list[str]:
    return [word for name, some in values.items() for word in ("--vary", f"{KEYS[name]}={','.join(some)}")]


def picked(count: int, seed: int) -> list[dict[str, str]]:
    """Random variants."""
    draw = random.Random(seed)
    return [{name: draw.choice(some) for name, some in VALUES.items()} for _ in range(count)]


def named(grower: Grower, chosen: Sequence[dict[str, str]]) -> None:
    """study.yaml with these variants, v0, v1 ..."""
    lines = ["variants:"]
    for n, values in enumerate(chosen):
        told = ", ".join(f"{KEYS[name]}: {value}" for name, value in values.items())
        lines.append(f"  v{n}: {{{told}}}")
    (grower.folder / "study.yaml").write_text("\n".join(lines) + "\n")


@pytest.mark.parametrize(
    ("how", "count", "years"),
    [([], 7, YEARS), (["--unlimited"], 5, YEARS), (["--foresight", "perfect"], 2, [2013])],
)
def test_fifty_random_variant_years_are_those_of_season(
    short: Grower, how: list[str], count: int, years: Sequence[int]
) -> None:
    """Whatever stands on the command line: a variant-year is `season` on a file written for it by hand."""
    if "perfect" in how:  # 20 days will do: each morning plans a week
        short.edit("2015-08-05", "2015-06-25")
        short.edit("2015-07-20", "2015-06-25")
    chosen = picked(count, seed=count)
    named(short, chosen)
    said = study(short, "study.yaml", "--years", f"{years[0]}-{years[-1]}", *how, "--csv")
    assert said.status == 0, said.err
    rows = {(row["variant"], int(row["year"])): row for row in rows_of(said.out)}
    for n, values in enumerate(chosen):
        for year in years:
            page = season_alone(short, values, year, *how)
            hold(rows[f"v{n}", year], page)
            zones = {
                name: [zone["liters"], zone["percolation_mm"], zone["stress_days"], zone["longest_minutes"],
                       zone.get("short_days")]
                for name, zone in page["zones"].items()
            }  # fmt: skip
            assert zones in kept_zones(short)
    assert len(rows) == (count + 1) * len(years)


# --- the answer ----------------------------------------------------------------------------------

GRID = ("--vary", "supply.flow=1,4,6gpm", "--vary", "supply.days=all,[mon]")


def test_the_answer_follows_from_the_seasons(short: Grower) -> None:
    """Medians, nine of ten, carried years and the smallest supply, worked out here from the rows of --csv."""
    rows = rows_of(study(short, *GRID, "--csv").out)
    page = study(short, *GRID, "--json").json["gardens"][0]
    assert page["years"] == [2012, 2013, 2014, 2015]
    assert [one["variant"] for one in page["variants"]] == list(dict.fromkeys(row["variant"] for row in rows))
    for one in page["variants"]:
        mine = [row for row in rows if row["variant"] == one["variant"]]
        for name in (
            "liters",
            "stress_days",
            "drained_l",
            "longest_minutes",
            "short_days",
            "short_l",
            "lost",
        ):
            values = sorted(float(row[name]) for row in mine)
            assert one[name]["median"] == pytest.approx((values[1] + values[2]) / 2, abs=1e-6)
            assert (
                one[name]["nine_of_ten"] == values[3]
            )  # of four years only the worst is not exceeded in 9 of 10
        carried = [int(row["year"]) for row in mine if float(row["short_share"]) <= 0.05]
        assert one["carried"] == len(carried)
        assert one["not_carried"] == [year for year in YEARS if year not in carried]
    able = {one["variant"]: one["capacity"] for one in page["variants"] if one["carried"] == 4}
    least = min(able, key=lambda name: (able[name]["flow_lpm"], able[name]["days_a_week"]))
    assert page["enough"]["variants"] == [least]
    assert least in page["enough"]["text"]
    assert "4 of 4 years" in page["enough"]["text"]
    assert page["variants"][2]["capacity"]["days_a_week"] == 1
    text = study(short, *GRID).out
    assert "The smallest supply that carries the garden in 90 % of the years" in text


def test_no_winner_is_named_where_nothing_is_sure(short: Grower) -> None:
    page = study(short, "--vary", "supply.flow=6,1gpm", "--json").json["gardens"][0]
    same = [one for one in page["differences"] if one["variant"] == "supply.flow=6gpm"]
    assert {one["figure"] for one in same} == {"liters", "stress_days", "lost"}
    assert all((one["mean"], one["lower"]) == (0, None) for one in same)
    drier = {one["figure"]: one for one in page["differences"] if one["variant"] == "supply.flow=1gpm"}
    assert drier["liters"]["lower"] == "supply.flow=1gpm"
    assert drier["lost"]["lower"] == "as it is"
    for one in page["differences"]:
        assert one["low"] <= one["mean"] <= one["high"]
        assert (one["lower"] is None) == (one["low"] <= 0 <= one["high"])


def test_of_many_variants_those_that_are_enough_are_shown(short: Grower) -> None:
    """Variants that hardly water are beaten by none, for they take the least: they do not fill the page."""
    flows = ",".join(f"{n / 10:g}" for n in range(1, 50)) + "gpm"
    said = study(short, "--vary", f"supply.flow={flows}", "--years", "1", "--unlimited")
    page = study(short, "--vary", f"supply.flow={flows}", "--years", "1", "--unlimited", "--json").json
    (least,) = page["gardens"][0]["enough"]["variants"]
    table = said.out.split("\nvariant", 1)[1]
    assert "50 variants x 1 year (2015)" in said.out
    assert f"* {least}" in table
    assert "10 more: see --json or --csv." in said.out
    assert "-: nobody" in said.out
    text = study(short, "--vary", "supply.flow=6,1gpm").out
    assert "supply.flow=6gpm: water the same; stress days the same; yield lost the same" in text.replace(
        "\n    ", " "
    )


def test_nothing_varied_asks_of_the_garden_as_it_is(short: Grower) -> None:
    said = study(short)
    assert said.status == 0
    assert "1 variant x 4 years (2012 to 2015), season 06-05 to 08-04" in said.out
    assert "4 of 4 years" in said.out


def test_the_years_on_record_serve_where_no_file_is_named(short: Grower) -> None:
    said = short("study")
    assert said.status == 2
    assert "no weather is on record" in said.err
    assert "--weather FILE" in said.err


def test_a_dry_run_counts_and_measures(short: Grower) -> None:
    page = study(short, *GRID, "--dry-run", "--json").json
    run = page["dry_run"]
    assert run["seasons"] == 7 * 4
    assert run["seconds"] == pytest.approx(28 * run["seconds_a_season"], rel=1e-3)
    assert run["seconds_a_season"] > 0
    assert page["gardens"] == []
    assert "28 seasons, about" in study(short, *GRID, "--dry-run").out
    assert not (short.data / "study.db").exists()


# --- wrong, and impossible -----------------------------------------------------------------------


@pytest.mark.parametrize(
    ("typed", "told"),
    [
        ("supply.flwo=3gpm", '--vary 1: supply.flwo: unknown key "flwo" - did you mean "flow"?'),
        ("suply.flow=3gpm", '--vary 1: suply.flow: unknown key "suply" - did you mean "supply"?'),
        ("zones.bean.refill_at=0.4", 'no "bean" in zones - did you mean "beans"?'),
        ("supply.flow=3gpm,4gmp", '--vary 1, value 2: supply.flow: "4gmp" is not a flow'),
        ("supply.flow=3,4", '--vary 1, value 1: supply.flow: "3" has no unit - for example "5.2 gpm"'),
        ("zones.*.refill_at=0.4,4", '--vary 1, value 2: zones.beans.refill_at: "4" is not a fraction'),
        ("supply.days=all,[mon, thi]", 'value 2: supply.days: "thi" is not a weekday'),
        ("zones.beans.plantings[2].crop=kale", "zones.beans.plantings has 1, counted from [1]"),
        ("supply.flow.most=3gpm", "supply.flow is one value"),
        ("flow=3gpm", '--vary 1: flow: unknown key - did you mean "supply.flow"?'),
        ("refill_at=0.4", 'refill_at: unknown key - did you mean "zones.*.refill_at"?'),
        ("supply.flow=[3", "value 1: supply.flow: a bracket opens here"),
    ],
)
def test_a_wrong_key_or_value_is_told_before_anything_runs(short: Grower, typed: str, told: str) -> None:
    said = study(short, "--vary", typed)
    assert said.status == 2
    assert told in said.err
    assert not said.out
    assert not (short.data / "study.db").exists() or not kept_zones(short)


def test_a_key_that_is_varied_twice_is_told(short: Grower) -> None:
    """The values of the first would be lost without a word."""
    said = study(short, "--vary", "supply.flow=3gpm", "--vary", "supply.flow=4gpm")
    assert (said.status, said.out) == (2, "")
    assert "--vary 2: supply.flow: is varied already (--vary 1)" in said.err
    (short.folder / "study.yaml").write_text("vary:\n  supply.flow: [3 gpm]\n")
    said = study(short, "study.yaml", "--vary", "supply.flow=4gpm")
    assert "--vary 1: supply.flow: is varied already (study.yaml:2)" in said.err


def test_a_wrong_study_file_is_told_with_its_line(short: Grower) -> None:
    file = short.folder / "study.yaml"
    for text, told in (
        ("vary:\n  supply.flow: [3 gpm, 4 gmp]\n", 'study.yaml:2: supply.flow: "4 gmp" is not a flow'),
        ("vary:\n  supply.flwo:\n    - 3 gpm\n", 'study.yaml:3: supply.flwo: unknown key "flwo"'),
        ("vari:\n  supply.flow: [3 gpm]\n", 'study.yaml:1: vari: unknown key - did you mean "vary"?'),
        ("variants:\n  small:\n    supply.flow: 3\n", 'study.yaml:3: supply.flow: "3" has no unit'),
        ("foresight: full\n", "study.yaml:1: foresight"),
        ("", "the file is empty"),
    ):
        file.write_text(text)
        said = study(short, "study.yaml")
        assert said.status == 2
        assert told in said.err, (text, said.err)
    assert "no such file" in study(short, "stud.yaml").err.casefold()


def test_a_file_and_the_command_line_together(short: Grower) -> None:
    file = short.folder / "study.yaml"
    file.write_text(
        "vary: {supply.flow: [4 gpm, 6 gpm]}\n"
        "variants:\n  small pump: {supply.flow: 1 gpm, supply.days: [mon]}\n"
        "years: 2014-2015\n"
    )
    page = study(
        short, "study.yaml", "--vary", 'supply.hours.until="06:00"', "--years", "2015", "--json"
    ).json
    (garden,) = page["gardens"]
    assert garden["years"] == [2015]
    assert [one["variant"] for one in garden["variants"]] == [
        "as it is", "small pump", 'supply.flow=4 gpm, supply.hours.until="06:00"',
        'supply.flow=6 gpm, supply.hours.until="06:00"',
    ]  # fmt: skip
    assert garden["variants"][1]["values"] == {"supply.flow": "1 gpm", "supply.days": "[mon]"}
    assert [axis["key"] for axis in page["vary"]] == ["supply.flow", "supply.hours.until"]


def test_a_variant_that_makes_no_garden_is_skipped_and_counted(short: Grower) -> None:
    said = study(
        short, "--vary", 'supply.hours.until="08:00","04:00"', "--vary", "zones.*.tape=thin,broad", "--json"
    )
    assert said.status == 3
    (garden,) = said.json["gardens"]
    assert len(garden["variants"]) == 2  # as it is, and one of four
    assert [one["variant"] for one in garden["impossible"]] == [
        'supply.hours.until="08:00", zones.*.tape=broad', 'supply.hours.until="04:00", zones.*.tape=thin',
        'supply.hours.until="04:00", zones.*.tape=broad',
    ]  # fmt: skip
    assert garden["impossible"][0]["complaints"][0] == (
        '--vary 2, value 2: zones.beans.tape: "broad" is not one of the tapes: thin, wide'
    )
    text = study(short, "--vary", "zones.*.tape=thin,broad")
    assert text.status == 3
    assert "Skipped, for they make no garden: 1 of the variants." in text.out


def test_a_year_with_gaps_is_left_out_by_name(short: Grower) -> None:
    for day in range(10, 18):
        short.edit_weather(f"2013-06-{day}", rain_mm="")
    said = study(short, "--vary", "supply.flow=4gpm", "--json")
    assert said.status == 3
    (garden,) = said.json["gardens"]
    assert garden["years"] == [2012, 2014, 2015]
    assert garden["left_out"] == [{"year": 2013, "why": "rain missing on 8 of 61 days, more than 10 %"}]
    assert "2013: rain missing" in study(short).out
    assert study(short, "--gaps", "20%", "--json").json["gardens"][0]["years"] == [2012, 2013, 2014, 2015]
    beyond = study(short, "--years", "2014-2016", "--json")
    assert [one["year"] for one in beyond.json["gardens"][0]["left_out"]] == [2016]
    nothing = study(short, "--years", "1990")
    assert nothing.status == 3
    assert "No year could be run." in nothing.out


# --- with foresight ------------------------------------------------------------------------------


def forecasts(grower: Grower, issued: Sequence[date]) -> None:
    """forecast.csv: seven days each, warmer the further ahead, and the rain of the day after."""
    header, *rows = (grower.folder / "weather.csv").read_text().splitlines()
    by_day = {row.split(",")[0]: dict(zip(header.split(","), row.split(","), strict=True)) for row in rows}
    lines = ["issued,date,tmin_c,tmax_c,rain_mm,rain_chance_pct"]
    for issue in issued:
        for lead in range(7):
            days = [(issue + timedelta(days=n)).isoformat() for n in (lead, lead + 1)]
            now, after = (by_day[day] for day in days)
            told = (now["tmin_c"], float(now["tmax_c"]) + lead, after["rain_mm"], 90 - 10 * lead)
            lines.append(f"{issue},{days[0]},{','.join(map(str, told))}")
    (grower.folder / "forecast.csv").write_text("\n".join(lines) + "\n")


def june(year: int, days: Iterable[int]) -> list[date]:
    return [date(year, 6, day) for day in days]


def test_a_season_on_the_forecasts_of_then_is_that_of_season(short: Grower) -> None:
    """20 days; a morning without an issue goes by the newest before it. Years without forecasts are named."""
    short.edit("2015-08-05", "2015-06-25")
    short.edit("2015-07-20", "2015-06-25")
    whole = june(2013, range(5, 25))
    holes = june(2014, [1, *range(5, 9), *range(12, 25)])
    forecasts(short, [*whole, *holes, *june(2015, range(1, 7))])
    how = ["--foresight", "forecast", "--forecast", "forecast.csv"]
    vary = ["--vary", "supply.flow=2,6gpm"]
    said = study(short, *how, *vary, "--csv")
    assert said.status == 3
    rows = {(row["variant"], int(row["year"])): row for row in rows_of(said.out)}
    assert {year for _, year in rows} == {2013, 2014}
    for year in (2013, 2014):
        for flow in ("2 gpm", "6 gpm"):
            alone = season_alone(short, {"FLOW": flow}, year, *how)
            assert alone["foresight"]["mode"] == "forecast"
            hold(rows[f"supply.flow={flow.replace(' ', '')}", year], alone)
    (garden,) = study(short, *how, *vary, "--json").json["gardens"]
    assert garden["left_out"] == [
        {"year": 2012, "why": "no forecast was issued for it"},
        {"year": 2015, "why": "forecasts missing on 12 of 20 mornings, more than 10 %"},
    ]
    perfect = rows_of(study(short, "--foresight", "perfect", *vary, "--years", "2013-2014", "--csv").out)
    assert [row["liters"] for row in perfect] != [row["liters"] for row in rows.values()]
    text = study(short, *how).out
    assert "2012: no forecast was issued for it" in text
    assert "foresight forecast" in text


def test_forecasts_that_are_not_there_are_told(short: Grower) -> None:
    for words in (["--foresight", "forecast"], ["--forecast", "weather.csv"]):
        said = study(short, *words)
        assert said.status == 2
        assert "--foresight forecast and --forecast FILE go together" in said.err
        assert "`issued`, the date on which the row was forecast" in said.err
    how = ("--foresight", "forecast", "--forecast")
    assert "weather.csv: needs a column issued" in study(short, *how, "weather.csv").err
    assert "no such file" in study(short, *how, "none.csv").err.casefold()
    (short.folder / "empty.csv").write_text("issued,date,tmin_c,tmax_c,rain_mm\n")
    assert "empty.csv: has a header but no rows" in study(short, *how, "empty.csv").err
    forecasts(short, june(2014, [1]))
    said = study(short, *how, "forecast.csv", "--gaps", "100%", "--years", "2012-2013")
    assert said.status == 3
    assert "2012, 2013: no forecast was issued for it" in said.out
    assert "No year could be run." in said.out


# --- kept, and gone on with ----------------------------------------------------------------------


def test_what_is_kept_is_not_run_again(short: Grower, monkeypatch: pytest.MonkeyPatch) -> None:
    from scheduler.study import study as engine

    ran: list[int] = []
    real = engine.run

    def counted(piece: Any, record: Any) -> Any:
        ran.append(len(piece.gardens))
        if sum(ran) > 9 and len(ran) < 100:
            raise KeyboardInterrupt
        return real(piece, record)

    whole = study(short, *GRID, "--keep", "other.db", "--json").out
    monkeypatch.setattr(engine, "run", counted)
    said = study(short, *GRID, "--json")
    assert said.status == 1
    assert "finished seasons are kept" in said.err
    assert "go on with: rowwater" in said.err
    before = len(kept_zones(short))
    assert 0 < before <= 9
    ran[:] = [0] * 100
    said = study(short, *GRID, "--json")
    assert said.out == whole  # byte for byte
    assert sum(ran) == 6 * 4 - before  # "supply.flow=6gpm, supply.days=all" is the garden as it is
    ran[:] = [0] * 100
    assert study(short, *GRID, "--json").out == whole
    short.edit("refill_at: 0.5", "refill_at: 0.4")
    study(short, *GRID, "--json")
    assert sum(ran) == 6 * 4  # another garden
    assert study(short, *GRID, "--json", "--years", "2015").status == 0
    assert sum(ran) == 6 * 4


def test_a_file_that_cannot_be_kept_is_told(short: Grower) -> None:
    (short.folder / "no.db").mkdir()
    said = study(short, "--keep", "no.db")
    assert said.status == 1
    assert "--keep FILE" in said.err
    (short.folder / "text.db").write_text("not a database, but long enough to be read as one" * 50)
    assert study(short, "--keep", "text.db").status == 1


def test_the_same_seed_is_the_same_sample(short: Grower) -> None:
    many = (
        "--vary",
        "supply.flow=1,2,3,4,5,6gpm",
        "--vary",
        "zones.*.refill_at=0.3,0.4,0.5,0.6",
        "--years",
        "1",
    )
    one = study(short, *many, "--sample", "6", "--seed", "4", "--json")
    assert one.json["sample"] == {"count": 6, "combinations": 24, "seed": 4}
    assert len(one.json["gardens"][0]["variants"]) == 7
    assert one.out == study(short, *many, "--sample", "6", "--seed", "4", "--json").out
    all_of_them = study(short, *many, "--sample", "25", "--dry-run")
    assert "rowwater: --sample 25: all 24 combinations are run" in all_of_them.err
    assert "25 seasons, about" in all_of_them.out  # and the garden as it is
    other = study(short, *many, "--sample", "6", "--seed", "5", "--json").json
    assert other["gardens"][0]["variants"] != one.json["gardens"][0]["variants"]


# --- many gardens --------------------------------------------------------------------------------


def test_a_folder_of_gardens_is_one_line_each_and_the_bad_are_told(short: Grower) -> None:
    farms = short.folder / "farms"
    for name, text in (
        ("ash", text_of().replace("Creekside plot", "Ash bed")),
        ("birch", text_of(FLOW="1 gpm").replace("Creekside plot", "Birch bed")),
        ("cedar", text_of().replace("tape: thin", "tape: thim")),
        ("elm", text_of().replace("60 ft", "sixty")),
    ):
        (farms / name).mkdir(parents=True)
        (farms / name / "garden.yaml").write_text(text)
    rows = (short.folder / "weather.csv").read_text().splitlines()
    (farms / "birch" / "weather.csv").write_text("\n".join(rows[:1] + rows[367:]) + "\n")  # from 2013 on
    said = study(short, "--gardens", "farms", "--json")
    assert said.status == 3
    page = said.json
    assert [garden["garden"] for garden in page["gardens"]] == ["Ash bed", "Birch bed"]
    assert [garden["years"] for garden in page["gardens"]] == [[2012, 2013, 2014, 2015], [2013, 2014, 2015]]
    assert [Path(bad["file"]).parent.name for bad in page["bad_gardens"]] == ["cedar", "elm"]
    assert page["bad_gardens"][1]["complaints"] == [
        'elm/garden.yaml:16: zones.lettuce.rows.length: "sixty" is not a length - for example "80 ft"'
    ]
    alone = study(short, "--json").json["gardens"][0]
    assert page["gardens"][0]["variants"] == alone["variants"]
    text = study(short, "--gardens", "farms").out
    for told in ("Ash bed", "Birch bed", "cedar/garden.yaml:9: zones.beans.tape", "is left out"):
        assert told in text
    assert text.count("4 of 4") >= 1
    rows_out = rows_of(study(short, "--gardens", "farms", "--csv").out)
    assert [row["garden"] for row in rows_out] == ["Ash bed"] * 4 + ["Birch bed"] * 3
    assert study(short, "--gardens", "nowhere").status == 2
    assert "--weather" in short("study", "--gardens", "farms").err


# --- pictures and files --------------------------------------------------------------------------

SVG = "{http://www.w3.org/2000/svg}"


def test_a_box_for_each_variant_and_a_map_of_two_keys(short: Grower) -> None:
    said = study(short, *GRID, "--unlimited", "--json", "--plot", "study.svg")
    root = ET.parse(short.folder / "study.svg").getroot()
    kinds = Counter(kind for one in root.iter() for kind in one.attrib.get("class", "").split())
    (garden,) = said.json["gardens"]
    assert kinds["asked"] == len(garden["variants"]) + 1  # water, and the legend
    assert kinds["doubt"] == len(garden["variants"])  # yield lost
    assert kinds["guessed"] == 6 + 1  # pairs of values, and the legend
    enough = [one for one in garden["variants"] if one["values"] and one["carried"] == one["years"]]
    assert kinds["known"] == len(enough) + 1
    words = " ".join(one.text or "" for one in root.iter())
    assert garden["enough"]["text"] in words
    assert all(one["variant"] in words for one in garden["variants"])
    boxes = [one for one in root.iter(f"{SVG}rect") if one.attrib["class"] == "asked"][1:]
    lines = sorted(
        float(one.attrib["x1"]) for one in root.iter(f"{SVG}line") if one.attrib["class"] == "level"
    )
    assert lines[0] == 12  # zero
    first = garden["variants"][0]["liters"]
    left, width = float(boxes[0].attrib["x"]) - 12, float(boxes[0].attrib["width"])
    share = (first["upper_quartile"] - first["lower_quartile"]) / first["lower_quartile"]
    assert width / left == pytest.approx(share, abs=0.01)


def test_a_picture_that_cannot_be_written_does_not_lose_the_answer(short: Grower) -> None:
    said = study(short, "--unlimited", "--years", "1", "--plot", "nowhere/study.svg")
    assert said.status == 1
    assert "1 variant x 1 year (2015)" in said.out
    assert "nowhere/study.svg could not be written" in said.err


def test_parquet_holds_the_rows_of_csv(short: Grower) -> None:
    said = study(short, *GRID, "--unlimited", "--csv", "--parquet", "study.parquet")
    table = parquet.read_table(short.folder / "study.parquet")
    rows = rows_of(said.out)
    assert table.column_names == list(rows[0])
    for written, row in zip(table.to_pylist(), rows, strict=True):
        assert {key: "" if value is None else str(value) for key, value in written.items()} == row
    alone = study(short, *GRID, "--unlimited", "--json", "--parquet", "again.parquet")
    assert alone.json["gardens"]
    assert parquet.read_table(short.folder / "again.parquet") == table
    assert study(short, "--unlimited", "--parquet", "nowhere/study.parquet").status == 1
    assert [path.name for path in short.folder.glob(".*")] == []


def test_without_the_extra_it_is_told_and_the_rest_goes_on(
    short: Grower, monkeypatch: pytest.MonkeyPatch
) -> None:
    for name in ("distributed", "scipy.stats", "pyarrow", "pyarrow.parquet"):
        monkeypatch.setitem(sys.modules, name, None)
    said = study(short, "--vary", "supply.flow=1,6gpm", "--years", "2", "--workers", "2")
    assert said.status == 0
    assert "without Dask one season after another is run - pip install 'rowwater[study]'" in said.err
    assert "without scipy nothing is said of differences" in said.err
    assert "Against the garden as it is" not in said.out
    for words, told in (
        (("--sample", "1", "--vary", "supply.flow=1,6gpm"), "--sample needs scipy"),
        (("--parquet", "x.parquet"), "--parquet needs pyarrow"),
        (("--cluster", "tcp://127.0.0.1:9"), "--cluster needs Dask"),
    ):
        refused = study(short, *words)
        assert refused.status in (1, 2)
        assert told in refused.err
        assert "rowwater[study]" in refused.err
