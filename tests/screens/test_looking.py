"""Zone, week, weather, water and check: what the commands print, on screens; and awkward gardens."""

from __future__ import annotations

import copy
from collections.abc import Callable
from datetime import datetime, timedelta
from typing import Any
from zoneinfo import ZoneInfo

import pytest
from screens.looked_at import Screen, fields, frame, said

from scheduler.html.screens.check import check
from scheduler.html.screens.water import water
from scheduler.html.screens.weather import weather
from scheduler.html.screens.week import week
from scheduler.html.screens.zone import zone
from scheduler.phrases.days import weekday
from scheduler.show import show_depth, show_pressure, show_volume

NOW = datetime(2015, 7, 9, 6, 30, tzinfo=ZoneInfo("America/Los_Angeles"))
Draw = Callable[..., Screen]
NAMES = ("week", "weather", "water", "check", "zone")


def look(pages: Any, name: str, **more: Any) -> Screen:
    """The screen of that name, as one sees it who may water."""
    seen = frame(here=f"/{name}", now=NOW, **more)
    values = {
        "week": lambda: week(pages["week"], seen),
        "weather": lambda: weather(pages["weather"], seen),
        "water": lambda: water(pages["log"], seen),
        "check": lambda: check(pages["check"], seen),
        "zone": lambda: zone({"today": pages["today"], "why": pages["why"]}, seen),
    }
    return Screen(values[name]())


def columns(table: Any) -> list[list[str]]:
    return [[said(cell) for cell in row] for row in table.iter("tr") if row.find("td") is not None]


def table_with(shown: Screen, head: str) -> list[list[str]]:
    found = [table for table in shown.all("table") if head in [said(th) for th in table.iter("th")]]
    return columns(found[0])


@pytest.mark.parametrize("name", NAMES)
def test_a_screen_of_the_example_is_sound_and_has_its_picture(shown: Any, name: str) -> None:
    seen = look(shown, name)
    assert seen.all("svg")
    for picture in seen.all("svg"):
        assert picture.get("role") == "img"
        assert said(next(picture.iter("title")))
        assert said(next(picture.iter("desc")))
    assert [a.get("href") for a in seen.all("a") if a.get("aria-current")] in ([f"/{name}"], [])
    assert len(seen.forms("/do/stop-all")) == 1


@pytest.mark.parametrize("name", NAMES)
@pytest.mark.parametrize("may", ["look", "note", "water"])
def test_who_may_only_look_finds_no_control(shown: Any, name: str, may: str) -> None:
    actions = look(shown, name, may=may).actions()
    assert ("/do/stop-all" in actions) == (may != "look")
    assert not any(action.startswith("/confirm") for action in actions)  # opened by hand
    assert ("/do/hold" in actions) == (name == "zone" and may != "look")


def test_the_zone_says_why_and_its_season_in_numbers(shown: Any) -> None:
    seen, why = look(shown, "zone"), shown["why"]
    assert all(text in seen.words() for text in why["plain"])
    days, ahead = (table_with(seen, head) for head in ("lacked", "minutes"))
    season = why["root_zone"]
    assert [row[0] for row in days] == [day["date"] for day in season["days"]]
    assert [row[1] for row in days] == [show_depth(day["deficit_mm"], "us") for day in season["days"]]
    assert [row[3] for row in ahead] == [show_depth(day["deficit_mm"], "us") for day in season["ahead"]]
    (et0,) = (one for s in why["sections"] for one in s["lines"] if one["symbol"] == "ET0" and one["value"])
    assert f"ET0 = {et0['value']:.4f}".rstrip("0") in seen.words()


def test_a_zone_with_a_valve_can_be_watered_and_kept_dry(shown: Any) -> None:
    pages = copy.deepcopy(shown)
    (line,) = (one for one in pages["today"]["zones"] if one["zone"] == "tomatoes")
    line["by_hand"], line["held_until"] = False, "2015-07-12"
    seen = look(pages, "zone")
    (ask,) = seen.forms("/confirm/water/tomatoes")
    assert ask.get("method") == "get"
    end, keep = seen.forms("/do/hold")
    assert fields(end)["until"] == "2015-07-09"
    assert fields(keep)["until"] == "2015-07-10"
    assert not look(pages, "zone", may="note").forms("/confirm/water/tomatoes")


def test_the_week_says_what_each_zone_gets_and_lacks(shown: Any) -> None:
    seen, page = look(shown, "week"), shown["week"]
    rows = table_with(seen, "minutes")
    assert [(row[0], row[1], row[2]) for row in rows] == [
        (day["date"], day["zone"], f"{day['minutes']:.0f}") for day in page["days"]
    ]
    assert [row[4] for row in rows] == [show_depth(day["deficit_mm"], "us") for day in page["days"]]
    assert "This week is" not in seen.words()
    old = Screen(week(page, frame(now=NOW + timedelta(days=2))))
    assert "This week is 2 days old." in old.words()


def test_the_weather_says_who_said_what(shown: Any) -> None:
    seen, page = look(shown, "weather"), shown["weather"]
    days = [one for one in seen.all("li") if one.find("p/strong") is not None]
    assert [said(one.find("p/strong")) for one in days] == [weekday(day["date"]) for day in page["days"]]
    assert "file weather.csv (station): low, high, rain" in said(days[0])
    assert f"ET0 {show_depth(page['days'][0]['et0_mm'], 'us')}" in said(days[0])


def test_the_log_is_that_of_the_command(shown: Any) -> None:
    seen, page = look(shown, "water"), shown["log"]
    rows = {row[0]: row[3] for row in table_with(seen, "net depth")}
    assert rows == {zone: show_volume(total["liters"], "us") for zone, total in page["zones"].items()}
    assert "not answered" in seen.words()  # today's, by hand
    given = sum(line["liters"] or 0.0 for line in page["days"])
    assert page["month"]["liters"] == pytest.approx(given, abs=0.01)
    assert show_volume(given, "us") in [said(dd) for dd in seen.all("dd")]


def test_a_cap_stands_beside_the_month(shown: Any) -> None:
    pages = copy.deepcopy(shown)
    pages["log"]["month"] |= {
        "daily_cap_l": 3785.411784,
        "monthly_cap_l": 37854.11784,
        "metered_l": 378.5411784,
    }
    words = look(pages, "water").words()
    assert "of 10,000 gal (month's cap)" in words
    assert "of 1,000 gal (daily cap)" in words
    assert "100 gal of it was metered or measured" in words


def test_the_rows_are_those_of_the_check(shown: Any) -> None:
    page = shown["check"]
    rows = table_with(look(shown, "check"), "far end")
    lines = [row for one in page["zones"].values() for row in one["rows"]]
    assert [row[4] for row in rows] == [show_pressure(row["far_kpa"], "us") for row in lines]


# --- awkward gardens -----------------------------------------------------------------------------

NASTY = "<b>&\"' \u05d2\u05df"


def renamed(pages: Any, old: str, new: str) -> Any:
    """The same with another name for a zone, wherever it stands."""
    if isinstance(pages, dict):
        return {renamed(key, old, new): renamed(value, old, new) for key, value in pages.items()}
    if isinstance(pages, list):
        return [renamed(one, old, new) for one in pages]
    return pages.replace(old, new) if isinstance(pages, str) else pages


@pytest.mark.parametrize("name", NAMES)
def test_a_name_is_text_on_every_screen(shown: Any, name: str) -> None:
    seen = look(renamed(shown, "tomatoes", NASTY), name)
    assert not seen.all("b")
    if name != "weather":
        assert NASTY in seen.words()


@pytest.mark.parametrize("name", NAMES)
def test_what_nobody_knows_is_no_fault(shown: Any, name: str) -> None:
    look(without_numbers(shown), name)


def without_numbers(pages: Any) -> Any:
    """Every value that may be missing is."""
    made = copy.deepcopy(pages)
    for day in made["week"]["weather"]:
        day |= {"rain_mm": None, "rain_chance": None, "et0_mm": None}
    for day in [*made["week"]["days"], *made["why"]["root_zone"]["ahead"]]:
        day |= {"rain_mm": None, "rain_chance": None, "et0_mm": None, "trigger_mm": None}
    for day in made["weather"]["days"]:
        day |= {
            "et0_mm": None,
            "et0_method": None,
            "values": {},
            "used": {"rso_mj_m2": None},
            "estimated": {},
        }
    for line in made["log"]["days"]:
        line |= {"minutes": None, "liters": None, "gross_mm": None, "net_mm": None, "outcome": "not answered"}
    for flow in made["check"]["zones"].values():
        flow |= {"lowest_kpa": None, "peak_minutes": None, "inlet_kpa": None, "rows": []}
    made["check"] |= {"hottest_week": None, "hottest_week_minutes": None, "hours_minutes": None}
    del made["why"]["root_zone"]
    return made


def test_nothing_planted_nothing_given(shown: Any) -> None:
    pages = copy.deepcopy(shown)
    pages["week"] |= {"days": [], "unmet": [], "notices": []}
    pages["log"] |= {"days": [], "zones": {}}
    pages["check"] |= {"zones": {}, "sections": [], "section_flows_lpm": [], "problems": []}
    pages["why"] |= {"plain": [], "sections": [], "history": []}
    pages["why"]["root_zone"] |= {"days": [], "ahead": [], "morning": None}
    (line,) = (one for one in pages["today"]["zones"] if one["zone"] == "tomatoes")
    for key in set(line) - {"zone", "by_hand", "deficit_sd_mm", "state", "reason", "deficit_mm", "minutes"}:
        del line[key]
    assert "No crop stands this week." in look(pages, "week").words()
    assert "Nothing planned or given." in look(pages, "water").words()
    assert "Nothing stands in the way." in look(pages, "check").words()
    assert "No crop has stood here yet" in look(pages, "zone").words()
