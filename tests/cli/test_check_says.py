"""`check` names the period of its hottest week, and remarks on plantings whose year is hardly meant."""

from __future__ import annotations

from datetime import date

import pytest
from cli.conftest import Grower

from scheduler.core.system.summer import has_summer

FAR_OFF = "no crop stands here"


def test_the_hottest_week_is_named(grower: Grower) -> None:
    # mean of the record's own ET0 is told in --json; that week's days are what it was taken from
    asked = ("check", "--date", "2015-07-09", "--offline", "--weather", "weather.csv")
    said = grower(*asked)
    assert said.status == 0
    assert "hottest week, 30 Jun to 6 Jul 2015: " in said.out
    assert "needed to judge" not in said.out
    week = grower(*asked, "--json").json["hottest_week"]
    assert (week["first"], week["last"], week["summer_on_record"]) == ("2015-06-30", "2015-07-06", True)
    assert 4 < week["et0_mm"] < 8


def test_sixteen_days_of_march_are_no_summer(grower: Grower) -> None:
    head, *rows = (grower.folder / "weather.csv").read_text().splitlines()
    march = [row for row in rows if "2015-03-01" <= row < "2015-03-17"]
    assert len(march) == 16
    (grower.folder / "march.csv").write_text("\n".join([head, *march]) + "\n")
    asked = ("check", "--date", "2015-03-17", "--offline", "--weather", "march.csv")
    said = grower(*asked)
    assert " Mar 2015: " in said.out
    assert "the record has no summer" in said.out
    assert grower(*asked, "--json").json["hottest_week"]["summer_on_record"] is False
    (grower.folder / "march.csv").write_text("\n".join([head, *march[:3]]) + "\n")
    assert "hottest week not known" in grower(*asked).out
    assert grower(*asked, "--json").json["hottest_week"] is None


@pytest.mark.parametrize(
    ("first", "latitude", "enough"),
    [
        (date(2026, 6, 10), 47.4, True),
        (date(2026, 12, 20), -34.0, True),  # one summer over New Year
        (date(2026, 12, 20), 47.4, False),
        (date(2026, 4, 10), 12.0, False),  # between the tropics most of a year is needed
    ],
)
def test_four_weeks_of_summer_are_one(first: date, latitude: float, enough: bool) -> None:
    days = [date.fromordinal(first.toordinal() + k) for k in range(28)]
    assert has_summer(days, latitude) is enough
    year = [date.fromordinal(first.toordinal() + k) for k in range(365)]
    assert has_summer(year, latitude)


def test_a_planting_a_year_off_is_remarked_on(grower: Grower) -> None:
    asked = ("check", "--date", "2015-07-09", "--offline")
    assert FAR_OFF not in grower(*asked).out
    grower.edit("planted: 2015-05-25", "planted: 2014-05-25")
    grower.edit("pulled: 2015-09-30", "pulled: 2014-09-30")
    (told,) = [one for one in grower(*asked, "--json").json["problems"] if FAR_OFF in one["text"]]
    assert (told["zone"], told["level"]) == ("squash", "look")
    assert "2014-05-25, lies 410 days back - is its year right?" in told["text"]
    said = grower(*asked)
    assert said.status == 0  # a remark: it may be a zone left empty
    # the planting noted is this year's
    assert grower("day", "--date", "2015-07-09").status in (0, 3)
    assert grower("note", "planted", "squash", "summer squash", "--date", "2015-07-01").status in (0, 3)
    assert FAR_OFF not in grower(*asked).out


def test_a_planting_a_year_ahead_too(grower: Grower) -> None:
    grower.edit("planted: 2015-05-25", "planted: 2016-05-25")
    grower.edit("pulled: 2015-09-30", "pulled: 2016-09-30")
    assert "2016-05-25, lies 321 days" in " ".join(
        grower("check", "--date", "2015-07-09", "--offline").out.split()
    )
