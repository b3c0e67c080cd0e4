"""What the morning says of a planting between sowing and lifting: each once, after what provokes it.

One bed at the place and in the years of the Creekside plot's real record (Seattle 2012 to 2015,
tests/weather/README.md).  Dates follow from the model's rules and the stage days written below; no outside
numbers but those named.
"""

from __future__ import annotations

import json
import re
import sqlite3
import zlib
from collections.abc import Callable
from contextlib import closing
from datetime import date, datetime, timedelta
from typing import Any
from zoneinfo import ZoneInfo

import pytest
from cli.conftest import Grower, Said

Bed = Callable[..., Grower]

GARDEN = """
garden: One bed
location: {{latitude: 47.44, longitude: -122.31, elevation: 371 ft, timezone: America/Los_Angeles}}
display: {display}
crop_coefficient: dual
weather:
  sources:
    - file: {{path: weather.csv}}
supply:
  flow: 30 L/min
  pressure: 83 kPa
  hours: {{from: "04:00", until: "10:00"}}
{supply}
tapes:
  thin: {{flow: 5 L/min/100m}}
zones:
  bed:
    rows: {{count: 6, length: 24 m, spacing: 0.6 m}}
    tape: thin
    soil: {soil}
{zone}
    plantings:
{plantings}
    valve: {{by_hand: true}}
"""
CROPS = """
pod:
  stages:
    - {stage: initial, days: 20, kc: 0.50}
    - {stage: development, days: 30}
    - {stage: mid-season, days: 30, kc: 1.05}
    - {stage: late season, days: 20, kc_end: 0.90}
  root_depth: {start: 0.20 m, full: 0.50 m}
  depletion: 0.45
  ec_threshold: 1.0
  ec_slope: 19
warm:
  stages:
    - {stage: initial, days: 20, kc: 0.50}
    - {stage: development, days: 25}
    - {stage: mid-season, days: 25, kc: 1.05}
    - {stage: late season, days: 10, kc_end: 0.90}
  root_depth: {start: 0.20 m, full: 0.50 m}
  depletion: 0.45
  heat: {base: 10, upper: 30}
"""


NOW = [datetime(2015, 7, 1)]
"""The site's time, as the clock says it."""


@pytest.fixture
def bed(grower: Grower, monkeypatch: pytest.MonkeyPatch) -> Bed:
    """A garden of one bed: its plantings, and lines of supply and zone."""

    monkeypatch.setattr("scheduler.clock.site_now", lambda zone: NOW[0].replace(tzinfo=ZoneInfo(zone)))

    def write(
        *plantings: str, soil: str = "loam", zone: str = "", supply: str = "", display: str = "metric"
    ) -> Grower:
        grower.garden.write_text(
            GARDEN.format(
                soil=soil,
                display=display,
                zone=indented(zone, 4),
                supply=indented(supply, 2),
                plantings="\n".join(f"      - {{{planting}}}" for planting in plantings),
            )  # fmt: skip
        )
        (grower.folder / "crops.yaml").write_text(CROPS)
        return grower

    return write


def indented(lines: str, by: int) -> str:
    return "\n".join(" " * by + line for line in lines.splitlines())


def morning(grower: Grower, day: str) -> Any:
    """The page of a day's plan, made at 3 o'clock; the text of it fits 40 and 80 columns."""
    said = at(f"{day}T03:00", grower, "day", "--json")
    page = said.json
    assert said.status == (3 if any(n["level"] != "info" for n in page["notices"]) else 0)
    return page


def at(moment: str, grower: Grower, *command: str) -> Said:
    """Typed at this time of the site; it must not be refused."""
    NOW[0] = datetime.fromisoformat(moment)
    said = grower(*command)
    assert said.status in (0, 3), said.err
    return said


def told(page: Any, *kinds: str) -> list[str]:
    """What is said of the bed itself."""
    return [n["text"] for n in page["notices"] if n.get("kind") in (kinds or KINDS) and "bed: " in n["text"]]


KINDS = ("crop", "task", "answer", "salt", "frost")


def mornings_that_say(grower: Grower, first: str, last: str, words: str) -> dict[str, str]:
    """Day -> level of every morning of the span whose notices have these words."""
    day, found = date.fromisoformat(first), {}
    while day <= date.fromisoformat(last):
        for notice in morning(grower, day.isoformat())["notices"]:
            if words in notice["text"]:
                found[day.isoformat()[5:]] = notice["level"]
        day += timedelta(days=1)
    return found


# --- the end of the table ------------------------------------------------------------------------


def test_past_its_table_it_is_watered_on_and_asked_about_each_week(bed: Bed) -> None:
    """100 days from 1 May: the last is 8 August."""
    grower = bed("crop: pod, planted: 2015-05-01, hold_last_stage: true")
    said = mornings_that_say(grower, "2015-08-08", "2015-08-17", "still grows")
    assert said == {"08-09": "info", "08-16": "info"}
    zone = morning(grower, "2015-08-18")["zones"][0]
    assert (zone["crop"], zone["stage"], zone["day"]) == ("pod", "late season", 110)
    assert zone["state"] != "no crop"
    at("2015-08-18T10:00", grower, "note", "pulled", "bed")
    assert mornings_that_say(grower, "2015-08-22", "2015-08-24", "still grows") == {}


def test_told_not_to_hold_it_says_so_three_days_before(bed: Bed) -> None:
    grower = bed("crop: pod, planted: 2015-05-01, hold_last_stage: false")
    said = mornings_that_say(grower, "2015-08-05", "2015-08-10", "by its table")
    assert said == {"08-06": "info", "08-07": "info", "08-08": "look"}
    assert morning(grower, "2015-08-09")["zones"][0]["state"] == "no crop"


def test_an_end_that_pulling_brings_first_is_not_told(bed: Bed) -> None:
    grower = bed("crop: pod, planted: 2015-05-01, pulled: 2015-08-08, hold_last_stage: false")
    assert mornings_that_say(grower, "2015-08-06", "2015-08-09", "by its table") == {}


# --- lifting -------------------------------------------------------------------------------------


def test_the_harvest_is_asked_for_weekly_until_it_is_written(bed: Bed) -> None:
    """10 of the late season's 20 days left: the first dry one is day 91, 30 July, 21 days after 9 July."""
    grower = bed("crop: pod, planted: 2015-05-01, dry_off: 10 days, hold_last_stage: true")
    assert mornings_that_say(grower, "2015-07-08", "2015-07-17", "when is the harvest") == {
        "07-09": "info", "07-16": "info",
    }  # fmt: skip
    (asked,) = (t for t in told(morning(grower, "2015-07-23")) if "harvest" in t)
    assert "harvest: 2015-08-09" in asked
    assert "Thu 30 Jul" in asked
    grower.edit("dry_off: 10 days", "dry_off: 10 days, harvest: 2015-08-20")
    assert mornings_that_say(grower, "2015-07-29", "2015-08-02", "when is the harvest") == {}


def test_drying_off_is_told_on_its_first_day_and_stays_dry(bed: Bed) -> None:
    grower = bed(
        "crop: pod, planted: 2015-05-01, dry_off: 10 days, harvest: 2015-08-15, hold_last_stage: true"
    )
    assert mornings_that_say(grower, "2015-08-04", "2015-08-07", "dries off") == {"08-05": "info"}
    for day in ("2015-08-08", "2015-08-14"):
        zone = morning(grower, day)["zones"][0]
        assert (zone["state"], zone["minutes"], zone["dry_off"]) == ("drying off", 0, True)
        assert "trigger_mm" not in zone
        assert zone["reason"].startswith("since Wed")
    lacks, spares, today = grower("why", "bed", "--json").json["plain"]
    assert "dries off" in spares
    assert today.startswith("It rests today")
    assert "inf" not in grower("why", "bed").out.lower().replace("information", "")


def test_noted_on_its_day_it_dries_off_from_then_on(bed: Bed) -> None:
    grower = bed("crop: pod, planted: 2015-05-01, hold_last_stage: true")
    assert morning(grower, "2015-08-04")["zones"][0]["state"] != "drying off"
    at("2015-08-05T08:00", grower, "note", "dry-off", "bed")
    page = morning(grower, "2015-08-06")
    assert page["zones"][0]["state"] == "drying off"
    assert any("rowwater note pulled bed" in text for text in told(page)) == (
        "dries off" in " ".join(told(page))
    )


# --- the seedbed ---------------------------------------------------------------------------------


def test_a_seed_that_the_tape_cannot_reach_is_sprinkled_and_noted(bed: Bed) -> None:
    """A tape 0.20 m deep: in medium soil water rises 0.17 m (own choice), so nothing shows on top."""
    grower = bed("crop: pod, planted: 2015-07-01, by: seed, seed_depth: 12 mm", zone="tape_depth: 20 cm")
    page = morning(grower, "2015-07-01")
    zone = page["zones"][0]
    (task,) = told(page, "task")
    assert re.search(r"sprinkle ([\d.]+) mm over the seed rows", task)
    assert task.endswith(f"rowwater note sprinkled bed {zone['sprinkle_mm']:.1f}mm")
    at("2015-07-01T09:00", grower, "note", "sprinkled", "bed", f"{zone['sprinkle_mm']:.1f}mm")
    after = at("2015-07-01T09:01", grower, "morning", "--json").json
    assert told(after, "task") == []
    assert after["zones"][0]["surface_mm"] < 0.1
    page = morning(grower, "2015-07-02")
    assert 0 < page["zones"][0]["sprinkle_mm"] < zone["sprinkle_mm"] / 2, "a day's loss, not all of it again"
    (evening,) = (
        line["value"]
        for line in section(grower, "The soil's surface")
        if line["what"] == "top layer over the tape, in the evening"
    )
    assert evening == pytest.approx(page["zones"][0]["surface_mm"], abs=1e-3)


def test_in_inches_too(bed: Bed) -> None:
    grower = bed(
        "crop: pod, planted: 2015-07-01, by: seed", zone="tape_depth: 8 in", display="us",
    )  # fmt: skip
    (task,) = told(morning(grower, "2015-07-01"), "task")
    amount = re.search(r"sprinkle ([\d.]+) in over", task)
    assert amount
    assert task.endswith(f"rowwater note sprinkled bed {amount[1]}in")


def test_not_up_it_is_told_on_the_first_day_and_weekly_until_it_shows(bed: Bed) -> None:
    grower = bed("crop: pod, planted: 2015-07-01, by: seed")
    said = mornings_that_say(grower, "2015-07-01", "2015-07-09", "is not up yet")
    assert said == {"07-01": "info", "07-08": "info"}
    zone = morning(grower, "2015-07-10")["zones"][0]
    assert zone["seedbed"]
    at("2015-07-10T11:00", grower, "note", "emerged", "bed")
    assert "seedbed" not in morning(grower, "2015-07-11")["zones"][0]
    assert mornings_that_say(grower, "2015-07-15", "2015-07-15", "is not up yet") == {}


def test_on_the_eve_of_planting_a_dry_bed_is_told(bed: Bed) -> None:
    """No rain of note fell in the weeks before (weather.csv): the top layer lacks more than REW."""
    grower = bed("crop: pod, planted: 2015-07-03")
    assert told(morning(grower, "2015-07-01"), "task") == []
    (task,) = told(morning(grower, "2015-07-02"), "task")
    assert "the bed is dry to 10 cm" in task
    assert "rowwater note applied bed" in task
    command = task.partition("(rowwater ")[2].rstrip(")").split()
    at("2015-07-02T11:00", grower, *command)
    assert told(at("2015-07-02T11:01", grower, "morning", "--json").json, "task") == []
    page = morning(grower, "2015-07-03")
    assert told(page, "task") == []
    assert page["zones"][0]["surface_mm"] < 1, "the water of the eve is in the bed"
    assert page["zones"][0]["wanted_minutes"] < 60


def test_without_water_on_the_eve_planting_day_fills_the_bed(bed: Bed) -> None:
    grower = bed("crop: pod, planted: 2015-07-03")
    morning(grower, "2015-07-02")
    zone = morning(grower, "2015-07-03")["zones"][0]
    assert zone["surface_mm"] > 9, "REW of loam: FAO-56, Table 19"
    assert zone["wanted_minutes"] > 120
    assert zone["reason"] in ("planting day", "of 4 h 7 min, all that fits")


def test_lettuce_sown_on_a_hot_day(bed: Bed) -> None:
    """weather.csv: 2 July 2015 has 34 degC, 15 May less than 30."""
    grower = bed(
        "crop: lettuce, planted: 2015-07-02, by: seed", "crop: spinach, planted: 2015-05-15, by: seed"
    )
    said = mornings_that_say(grower, "2015-07-01", "2015-07-03", "sow it at dusk")
    assert said == {"07-01": "look", "07-02": "look"}
    assert mornings_that_say(grower, "2015-05-14", "2015-05-15", "sow it at dusk") == {}


# --- stages --------------------------------------------------------------------------------------


def test_a_stage_seen_moves_the_rest_with_from_and_to(bed: Bed) -> None:
    """Days: ends 20, 50, 80, 100.  Mid-season seen on day 41: the day before is 40 = 0.8 x 50; the stages to
    come keep 0.9 of their days (model M11): 30 -> 27, 20 -> 18, so they end on days 67 and 85.
    """
    grower = bed("crop: pod, planted: 2015-06-01, hold_last_stage: true")
    morning(grower, "2015-07-10")
    assert morning(grower, "2015-07-11")["zones"][0]["stage"] == "development"
    at("2015-07-11T08:00", grower, "note", "stage", "bed", "mid-season")
    page = at("2015-07-11T08:01", grower, "morning", "--json").json
    (text,) = told(page, "answer")
    assert "mid-season since Sat 11 Jul as you saw it" in text
    assert "Mon 20 Jul -> Fri 10 Jul" in text
    assert "Wed 19 Aug -> Thu 6 Aug" in text
    assert "Tue 8 Sep -> Mon 24 Aug" in text
    assert page["zones"][0]["stage"] == "mid-season"
    assert page["zones"][0]["observed"] == {"mid-season": "2015-07-11"}
    assert told(morning(grower, "2015-07-12"), "answer") == []


def test_a_stage_written_in_the_garden_is_told_the_same_way(bed: Bed) -> None:
    grower = bed("crop: pod, planted: 2015-06-01, hold_last_stage: true")
    morning(grower, "2015-07-11")
    grower.edit("hold_last_stage: true", "hold_last_stage: true, observed: {mid-season: 2015-07-11}")
    (text,) = (t for t in told(morning(grower, "2015-07-12"), "answer") if "as you saw it" in t)
    assert "Mon 20 Jul -> Fri 10 Jul" in text
    assert told(morning(grower, "2015-07-13"), "answer") == []


def test_stages_by_warmth_tell_the_years_they_were_set_by(bed: Bed) -> None:
    """The table's 20/25/25/10 days on this record, from 15 May of 2012 to 2014: worked_model2.yaml,
    calibration (worked out once, apart).
    """
    grower = bed("crop: warm, planted: 2015-05-15, hold_last_stage: true")
    page = morning(grower, "2015-07-01")
    lines = section(grower, "The crop's stages")
    by_year = [line["what"] for line in lines if line["what"].startswith("the table's days in")]
    assert by_year == ["the table's days in 2012", "the table's days in 2013", "the table's days in 2014"]
    (ends,) = (line["numbers"] for line in lines if line["what"] == "ends by heat")
    assert ends == "92.0, 249.7, 487.5, 582.2".replace("92.0", "92")
    (so_far,) = (line for line in section(grower, "This morning") if line["symbol"] == "x")
    assert so_far["unit"] == "degC d"
    assert page["zones"][0]["stage_ends"][0] < "2015-06-04", "a warm spring: earlier than 20 days from 15 May"
    grower = bed("crop: warm, planted: 2015-05-15, heat: off, hold_last_stage: true")
    morning(grower, "2015-07-01")
    assert "heat: off" in section(grower, "The crop's stages")[1]["what"]


def section(grower: Grower, title: str) -> list[dict[str, Any]]:
    """The lines of a section of the newest working."""
    sections = grower("why", "bed", "--json").json["sections"]
    return [line for s in sections if s["title"].startswith(title) for line in s["lines"]]


# --- salt and short days -------------------------------------------------------------------------


def test_water_too_salty_for_any_leaching_says_what_yield_to_expect(bed: Bed) -> None:
    """Full yield to 1.0 dS/m, none from 1 + 100 / 19 = 6.26 on (Maas and Hoffman 1977): at 8 dS/m the drip's
    requirement 8 / 12.5 is above its bound of a half.
    """
    grower = bed("crop: pod, planted: 2015-07-01", supply="ec: 8 dS/m")
    assert mornings_that_say(grower, "2015-07-01", "2015-07-02", "of a full yield") == {"07-01": "info"}
    grower = bed("crop: pod, planted: 2015-07-01", supply="ec: 1.5 dS/m")
    assert mornings_that_say(grower, "2015-07-03", "2015-07-03", "of a full yield") == {}


def test_a_day_that_a_little_soil_cannot_serve_is_told_the_next_morning(bed: Bed) -> None:
    """On sand; the 42 degC are invented, to make such a day."""
    grower = bed("crop: pod, planted: 2015-05-01, hold_last_stage: true", soil="sand")
    grower.edit_weather("2015-07-02", tmax_c="42.0", wind_m_s="9.0")
    morning(grower, "2015-07-01")
    at("2015-07-01T12:00", grower, "note", "applied", "bed", "200min")
    morning(grower, "2015-07-02")
    at("2015-07-02T12:00", grower, "note", "applied", "bed", "200min")
    said = mornings_that_say(grower, "2015-07-03", "2015-07-03", "of what it wanted")
    assert said == {"07-03": "info"}


# --- what is taken for granted -------------------------------------------------------------------


def test_the_first_two_mornings_ask_how_deep_the_tape_lies(bed: Bed) -> None:
    grower = bed("crop: pod, planted: 2015-06-01")
    assert list(mornings_that_say(grower, "2015-07-01", "2015-07-03", "tape_depth: 10 cm")) == [
        "07-01",
        "07-02",
    ]
    grower = bed("crop: pod, planted: 2015-06-01", zone="tape_depth: 12 cm")
    assert mornings_that_say(grower, "2015-07-01", "2015-07-02", "tape_depth") == {}


def test_a_garden_of_the_version_before_is_told_once_what_has_another_meaning(bed: Bed) -> None:
    """Its last page knows of no stage ends."""
    grower = bed("crop: pod, planted: 2015-06-01")
    for day in ("2015-07-01", "2015-07-02", "2015-07-03"):
        assert "new in this version" not in str(morning(grower, day)["notices"])
    forget_stage_ends(grower)
    said = mornings_that_say(grower, "2015-07-04", "2015-07-06", "new in this version")
    assert said == {"07-04": "info"}


def forget_stage_ends(grower: Grower) -> None:
    """The newest plan once more, its page as it was before there was such a thing."""
    with closing(sqlite3.connect(grower.data / "rowwater.db")) as database:
        columns = "day, made_at, inputs, page, working"
        *rest, packed, working = database.execute(
            f"select {columns} from plans order by id desc limit 1"
        ).fetchone()
        page = json.loads(zlib.decompress(packed))
        for zone in page["zones"]:
            del zone["stage_ends"]
        old = zlib.compress(json.dumps(page).encode())
        database.execute(f"insert into plans ({columns}) values (?, ?, ?, ?, ?)", (*rest, old, working))
        database.commit()


# --- the working ---------------------------------------------------------------------------------

NUMBER = re.compile(r"^[\d\s.,()x/+^*-]+$")


def redone(numbers: str) -> float | None:
    """What a line's numbers come to, where they are sums that a person could do."""
    text = re.sub(r"\b(min|max|sqrt)\(", "(", numbers)
    if not NUMBER.match(text) or not any(sign in numbers for sign in "x/+-"):
        return None
    names = {"min": min, "max": max, "sqrt": lambda x: x**0.5}
    return float(eval(numbers.replace(" x ", " * ").replace("^", "**"), {"__builtins__": {}}, names))


@pytest.mark.parametrize(
    ("planting", "zone", "supply", "day"),
    [
        ("crop: pod, planted: 2015-07-01, by: seed", "", "", "2015-07-04"),
        ("crop: pod, planted: 2015-06-01, mulch: film, mulch_cover: 60%", "", "ec: 1.5 dS/m", "2015-07-04"),
        ("crop: pod, planted: 2015-05-01, mulch: straw, cover: 60%", "tape_depth: 0", "", "2015-07-30"),
        ("crop: pod, planted: 2015-06-01, shelter: {tunnel: 0.7}", "wet_band: 20 cm", "", "2015-07-04"),
        ("crop: pod, planted: 2015-07-01, by: seed", "tape_depth: 20 cm", "", "2015-07-04"),
    ],
    ids=["sown", "film and salt", "straw and thin cover", "tunnel", "deep tape"],
)  # fmt: skip
def test_every_line_of_the_working_can_be_redone(
    bed: Bed, planting: str, zone: str, supply: str, day: str
) -> None:
    grower = bed(planting, zone=zone, supply=supply)
    first = date.fromisoformat(day) - timedelta(days=3)
    for k in range(3):
        morning(grower, (first + timedelta(days=k)).isoformat())
        at(f"{first + timedelta(days=k)}T13:00", grower, "note", "applied", "bed", "90min")
    morning(grower, day)
    lines = [line for s in grower("why", "bed", "--json").json["sections"] for line in s["lines"]]
    checked = 0
    for line in lines:
        exact = line["value"] is not None and "rounded" not in line["formula"]
        value = redone(line["numbers"]) if exact else None
        if value is not None:
            checked += 1
            assert value == pytest.approx(line["value"], rel=2e-3, abs=2e-3), line
    symbols = {line["symbol"] for line in lines}
    assert symbols >= {
        "u2", "RHmin", "Kcb", "Kc_max", "h", "fc", "few_i", "few_p", "b", "TEW", "REW", "De_i", "De_p",
        "Kr_i", "Kr_p", "W", "Ke_i", "Ke_p", "S", "E", "T", "U", "p",
    }  # fmt: skip
    assert checked > 25
