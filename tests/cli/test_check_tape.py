"""`check` says what a tape wets where it lies, the most of one event, and what other places save."""

from __future__ import annotations

from datetime import date

import pytest
from cli.conftest import Grower

ASKED = ("check", "--date", "2015-07-09", "--offline")
WITH_YEAR = (*ASKED, "--weather", "weather.csv")


def zones(grower: Grower, *asked: str) -> dict[str, dict[str, object]]:
    found: dict[str, dict[str, object]] = grower(*asked, "--json").json["zones"]
    return found


def test_what_the_tape_wets_and_the_most_of_one_event(grower: Grower) -> None:
    """Widths and depths are those of the worked numbers: surface-band, pulses (in L per metre of row)."""
    grower.edit("soil: loam\n", "soil: clay\n")  # squash: two tapes over 6 ft wet it all the same
    grower.edit("length: 80 ft, spacing: 6 ft, tapes: 2", "length: 80 ft, spacing: 6 ft, tapes: 1")
    grower.edit("length: 80 ft, spacing: 5 ft, tapes: 2", "length: 80 ft, spacing: 5 ft, tapes: 1")
    found = zones(grower, *ASKED)
    tomatoes, squash = found["tomatoes"], found["squash"]
    assert tomatoes["wet_band_m"] == pytest.approx(0.191 * 1.524, abs=0.001)  # sandy loam, 0.10 m deep
    assert (tomatoes["wets_seed"], tomatoes["wet_band_seen"], tomatoes["tape_depth_m"]) == (True, False, 0.1)
    assert squash["event_net_mm"] == pytest.approx(16.8 / 1.8288, abs=0.05 / 1.8288)
    grower.edit("soil: clay\n", "soil: sand\n")
    sandy = zones(grower, *ASKED)["squash"]
    assert sandy["event_net_mm"] == pytest.approx(4.5 / 1.524 * 1.524 / 1.8288, abs=0.05 / 1.524)
    assert (sandy["wets_seed"], sandy["wet_band_m"]) == (False, 0)  # water rises 0.10 m in sand


def test_minutes_of_an_event_give_its_depth(grower: Grower) -> None:
    for name, zone in zones(grower, *ASKED).items():
        flow, area = (float(str(zone[key])) for key in ("flow_lpm", "planted_m2"))
        given = float(str(zone["event_minutes"])) * flow * float(str(zone["uniformity"])) / area
        one_minute = flow / area
        assert 0 <= float(str(zone["event_net_mm"])) - given < one_minute, name


def test_feed_travels_in_the_zones_own_rows(grower: Grower) -> None:
    found = zones(grower, *ASKED)
    # by hand: A s / q (1 + .. + 1/80), A of 0.636 in, s 12 in, q of 0.40 gpm/100 ft: 62.47 / 15.14 x 4.9655
    assert found["beans"]["feed_travel_minutes"] == pytest.approx(20.5, abs=0.05)
    assert found["lettuce"]["feed_travel_minutes"] == pytest.approx(62.47 / 15.14 * 4.2785, abs=0.05)
    in_fall = zones(grower, "check", "--date", "2015-10-01", "--offline")  # other rows of the same length
    assert in_fall["beans"]["crop"] == "broccoli"
    assert in_fall["beans"]["feed_travel_minutes"] == found["beans"]["feed_travel_minutes"]
    grower.edit("inside_diameter: 0.636 in, ", "")
    assert zones(grower, *ASKED)["beans"]["feed_travel_minutes"] is None
    assert "?" in grower(*ASKED).out


def test_savings_want_a_year_of_weather(grower: Grower) -> None:
    said = grower(*ASKED)
    wanted = "what deeper tape or straw would save is worked out on a year of weather from 5 Apr to 30 Oct"
    assert wanted in " ".join(said.out.split())
    assert all(
        zone["season_water"] is None and not zone["savings"] for zone in zones(grower, *ASKED).values()
    )


def test_savings_on_the_year_given(grower: Grower) -> None:
    found = zones(grower, *WITH_YEAR)
    for name, zone in found.items():
        season, saved = zone["season_water"], zone["savings"]
        assert isinstance(season, dict)
        assert isinstance(saved, list)
        depths = {one["tape_depth_m"]: one["liters"] for one in saved if one["mulch"] is None}
        assert depths[0.0] < 0 < depths[0.15], name
        straw = [one for one in saved if one["mulch"] == "straw"]
        assert len(straw) == (0 if name == "squash" else 1)  # it lies under straw already
        assert all(0 < one["liters"] < season["liters"] for one in straw)
    season = found["tomatoes"]["season_water"]
    assert isinstance(season, dict)
    assert (season["first"], season["last"]) == ("2015-05-01", "2015-09-11")
    said = grower(*WITH_YEAR).out
    assert "tomatoes, 1 May to 11 Sep 2015, " in said
    assert "worked out on a year" not in said


def test_a_planting_of_another_year_is_tried_on_the_latest_one_known(grower: Grower) -> None:
    # the record ends with 2015
    grower.edit("planted: 2015-05-25", "planted: 2019-05-25")
    grower.edit("pulled: 2015-09-30", "pulled: 2019-09-30")
    squash = zones(grower, *WITH_YEAR)["squash"]["season_water"]
    assert isinstance(squash, dict)
    assert (squash["first"], squash["last"]) == ("2015-05-25", "2015-09-29")


def test_stored_weather_serves_as_well_as_a_file(grower: Grower) -> None:
    grower("day", "--date", "2015-10-31")
    stored = zones(grower, "check", "--date", "2015-07-09", "--offline")
    given = zones(grower, *WITH_YEAR)
    assert stored["beans"]["season_water"] == given["beans"]["season_water"]


@pytest.mark.parametrize("display", ["us", "metric"])
@pytest.mark.parametrize("width", ["40", "80"])
def test_the_tape_in_words(grower: Grower, monkeypatch: pytest.MonkeyPatch, display: str, width: str) -> None:
    monkeypatch.setenv("COLUMNS", width)
    grower.edit("display: us", f"display: {display}")
    said = grower(*WITH_YEAR).out
    lines = said[said.index("Supply") :].splitlines()
    assert max(map(len, lines)) <= int(width)
    whole = " ".join(said.split())
    expected = "4 in deep" if display == "us" else "10 cm deep"
    for words in (expected, "wets seed", "feed travels", "most at once", "under straw", "20 min"):
        assert words in whole, words
    assert date(2015, 5, 1).strftime("%b") in whole


@pytest.mark.parametrize("change", [None, ("tape_depth", 0.15), ("mulch", "straw")])
def test_savings_are_those_of_the_season_command(grower: Grower, change: tuple[str, object] | None) -> None:
    """A season simulated of the garden as changed takes what `check` says that the change makes of it."""
    grower.edit("display: us", "display: us\ncrop_coefficient: dual")
    beans = zones(grower, *WITH_YEAR)["beans"]
    season, saved = beans["season_water"], beans["savings"]
    assert isinstance(season, dict)
    assert isinstance(saved, list)
    expected = season["liters"]
    if change == ("tape_depth", 0.15):
        grower.edit("tape_depth: 2 in\n    soil: sandy loam", "tape_depth: 15 cm\n    soil: sandy loam")
        expected -= next(one["liters"] for one in saved if one["tape_depth_m"] == 0.15)
    elif change == ("mulch", "straw"):
        grower.edit("{crop: bush bean, ", "{crop: bush bean, mulch: straw, ")
        expected -= next(one["liters"] for one in saved if one["mulch"] == "straw")
    asked = ("season", "--weather", "weather.csv", "--from", "2015-05-20", "--to", "2015-08-11")
    total = grower(*asked, "--unlimited", "--json").json["zones"]["beans"]
    assert total["liters"] == pytest.approx(expected, rel=1e-6)
    if change is None:
        assert total["evaporation_mm"] == pytest.approx(season["evaporation_mm"], abs=1e-3)
        assert total["net_mm"] == pytest.approx(season["net_mm"], abs=1e-3)


def test_a_tape_that_wets_no_seed_is_told(grower: Grower) -> None:
    """Water rises 0.17 m in sandy loam (own choice): from there down a sown row is sprinkled by hand."""
    grower.edit("{crop: carrot, ", "{crop: carrot, by: seed, ")
    assert not any("is sown" in one["text"] for one in grower(*ASKED, "--json").json["problems"])
    grower.edit("tape_depth: 1 in", "tape_depth: 18 cm")
    said = grower(*WITH_YEAR)
    assert said.status == 0  # a remark
    whole = " ".join(said.out.split())
    assert "lettuce: carrot is sown, and from 7.09 in down this tape wets nothing on top" in whole
    assert "lay it less than 6.69 in deep, or sprinkle the seed rows by hand until they are up" in whole
    days = int(whole.partition("seed rows sprinkled by hand on ")[2].split()[0])
    season = zones(grower, *WITH_YEAR)["lettuce"]["season_water"]
    assert isinstance(season, dict)
    assert season["sprinkle_days"] == days > 0
