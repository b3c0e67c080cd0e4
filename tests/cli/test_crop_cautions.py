"""A frosted crop is asked about, salty ground kept wet through light rain, no line in use drained."""

from __future__ import annotations

from typing import Any

import pytest
from cli.conftest import Grower


def told(grower: Grower, day: str, kind: str) -> list[dict[str, Any]]:
    said = grower("day", "--date", day, "--json")
    assert said.status in (0, 3), said.err
    return [notice for notice in said.json["notices"] if notice.get("kind") == kind]


# --- frost ---------------------------------------------------------------------------------------


def test_the_morning_after_a_killing_night_asks_once_more_and_then_no_longer(grower: Grower) -> None:
    """Tomato and bean are tender, below -1 C; lettuce is half-hardy, -4 C (own choice)."""
    grower.edit_weather("2015-05-25", tmin_c="-2.0")
    assert not told(grower, "2015-05-24", "frost")
    (asked,) = told(grower, "2015-05-25", "frost")
    assert (asked["level"], asked["zones"]) == ("look", ["tomatoes", "beans"])
    assert asked["text"] == (
        "tomatoes, beans: 28 F in the night to Mon 25 May: which of staked tomato and bush bean are dead? "
        "Of each: rowwater note pulled ZONE"
    )
    assert grower("day", "--date", "2015-05-25").status == 3
    assert "which of staked tomato" in " ".join(grower("morning", "--date", "2015-05-25").out.split())
    (again,) = told(grower, "2015-05-26", "frost")
    assert again["level"] == "info"  # the morning before said so
    assert not told(grower, "2015-05-27", "frost")


def test_a_crop_noted_as_pulled_is_not_asked_about(grower: Grower) -> None:
    grower.edit_weather("2015-05-25", tmin_c="-2.0")
    assert told(grower, "2015-05-25", "frost")
    assert grower("note", "pulled", "beans", "--date", "2015-05-25").status in (0, 3)
    (asked,) = told(grower, "2015-05-25", "frost")
    assert asked["text"] == (
        "tomatoes: 28 F in the night to Mon 25 May: is the staked tomato dead? "
        "Then: rowwater note pulled tomatoes"
    )
    grower.edit_weather("2015-05-25", tmin_c="-0.9")
    assert not told(grower, "2015-05-25", "frost")


# --- salt ----------------------------------------------------------------------------------------


@pytest.mark.parametrize(("ec", "asked"), [("0.6", False), ("1.2", True)])
def test_light_rain_after_a_dry_spell_on_salty_ground(grower: Grower, ec: str, asked: bool) -> None:
    """July 2015 was dry until the 24th; 0.7 dS/m is where FAO-29, Table 1 begins (from memory)."""
    grower.edit("keep_back: 10%", f"keep_back: 10%\n  ec: {ec}")
    grower.edit_weather("2015-07-15", rain_mm="5.0")
    assert not told(grower, "2015-07-14", "salt")
    found = told(grower, "2015-07-15", "salt")
    assert bool(found) == asked
    if asked:
        assert found[0]["level"] == "look"
        assert found[0]["zones"] == ["tomatoes", "beans", "lettuce", "squash", "onions"]
        assert "light rain (0.20 in) after a dry spell" in found[0]["text"]
        assert "rowwater water ZONE 20min" in found[0]["text"]
        assert not told(grower, "2015-07-16", "salt")  # no longer dry


def test_planting_over_the_tape_is_told_from_three_days_before(grower: Grower) -> None:
    grower.edit("keep_back: 10%", "keep_back: 10%\n  ec: 1.2")
    words = "broccoli in beans: with this water sow and plant over the tape"
    days = {day: told(grower, f"2015-08-{day}", "salt") for day in (11, 12, 15, 16)}
    assert [day for day, found in days.items() if any(words in one["text"] for one in found)] == [12, 15]


# --- draining ------------------------------------------------------------------------------------


def test_nothing_is_drained_while_a_crop_wants_water(grower: Grower) -> None:
    grower.edit_weather("2015-05-25", tmin_c="-2.0")
    assert not any("drain" in notice["text"] for notice in told(grower, "2015-05-24", "chore"))


def test_the_line_is_drained_once_nothing_wants_water(grower: Grower) -> None:
    """The garden is empty but for broccoli, whose roots are full of November's rain."""
    grower.edit("planted: 2015-09-14,", "planted: 2015-09-14, pulled: 2015-11-01,")
    found = [one for one in told(grower, "2015-11-25", "chore") if "drain" in one["text"]]
    assert [one["level"] for one in found] == ["look"]
    assert "shut the supply at its source" in found[0]["text"]
