"""The morning on one screen: what runs is always there, whole words and names, at three widths.

The mornings are those of the Creekside plot on its weather record; no outside figures are checked here.
"""

from __future__ import annotations

import copy
import json
from collections.abc import Callable
from datetime import date
from typing import Any

import click
import pytest

from scheduler.cli.text.morning import SCREEN_LINES, morning_text

from .conftest import Grower

WIDTHS = (40, 80, 120)
Golden = Callable[[str, str], None]


def shown(page: Any, width: int, *, everything: bool = False) -> list[str]:
    today = date.fromisoformat(page["date"])
    return click.unstyle(morning_text(page, today=today, width=width, everything=everything)).splitlines()


def page_of(grower: Grower, day: str) -> Any:
    said = grower("day", "--date", day, "--json")
    assert said.status in (0, 3), said
    return json.loads((grower.data / "today.json").read_text())


def check(golden: Golden, name: str, page: Any) -> None:
    for width in WIDTHS:
        lines = shown(page, width)
        assert max(map(len, lines)) <= width
        golden(f"mornings/{name}-{width}.txt", "\n".join(lines) + "\n")


def test_first_day(grower: Grower, golden: Golden) -> None:
    check(golden, "first-day", page_of(grower, "2015-07-01"))


def test_no_weather(grower: Grower, golden: Golden) -> None:
    for day in ("2015-06-30", "2015-07-01"):
        grower.edit_weather(day, tmin_c="", tmax_c="", rain_mm="")
    check(golden, "no-weather", page_of(grower, "2015-07-01"))


def test_a_day_that_the_rules_close_is_no_alarm(grower: Grower, golden: Golden) -> None:
    grower.edit("days: all", "days: [sun]")
    page_of(grower, "2015-07-01")  # the balance begins
    page = page_of(grower, "2015-07-09")  # a Thursday, after dry days
    assert not page["runs"]
    assert "not a watering day" in {zone["state"] for zone in page["zones"]}
    assert not any("not a watering day" in n["text"] for n in page["notices"] if n["level"] != "info")
    assert "does not fit" not in {zone["state"] for zone in page["zones"]}
    check(golden, "rule-day", page)


def test_twelve_zones_that_run_are_all_shown(grower: Grower, golden: Golden) -> None:
    page_of(grower, "2015-07-01")  # the balance begins
    page = page_of(grower, "2015-07-09")
    zone = next(line for line in page["zones"] if line["minutes"])
    run = next(run for run in page["runs"] if run["zone"] == zone["zone"])
    names = [f"tomatoes of bed {n}" for n in range(1, 13)]
    page["zones"] = [{**copy.deepcopy(zone), "zone": name} for name in names]
    page["runs"] = [{**run, "zone": name} for name in names[:11]]
    page["zones"][11].update(state="not due", minutes=0.0)
    page["notices"] = [{"level": "info", "text": f"remark {n}"} for n in range(20)]
    page["notices"].append({"level": "problem", "text": "beans suffer"})
    for width in WIDTHS:
        text = " ".join(" ".join(shown(page, width)).split())
        assert all(f"{name} " in text for name in names[:11])
        assert "beans suffer" in text
        assert "more remarks: rowwater morning --all" in text
    assert len(shown(page, 80)) <= SCREEN_LINES
    everything = "\n".join(shown(page, 80, everything=True))
    assert all(f"remark {n}" in everything for n in range(20))
    assert names[11] in everything
    check(golden, "twelve-zones", page)


@pytest.mark.parametrize("width", WIDTHS)
def test_a_chance_is_not_said_of_what_is_over(grower: Grower, width: int) -> None:
    page = page_of(grower, "2015-07-01")
    for day in ("yesterday", "today"):
        page["weather"][day]["rain_chance_pct"] = 65.0
    text = " ".join(" ".join(shown(page, width)).split())
    yesterday, today = text.split("Today", 1)
    assert "chance" not in yesterday
    assert "(65% chance)" in today
