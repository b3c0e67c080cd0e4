"""What a grower's soil reading does to the morning, and where its doubt is shown."""

from __future__ import annotations

import pytest
from cli.conftest import Grower


def zone(page: dict, name: str) -> dict:  # type: ignore[type-arg]
    return next(z for z in page["zones"] if z["zone"] == name)


def day(grower: Grower, when: str) -> dict:  # type: ignore[type-arg]
    said = grower("day", "--date", when, "--json")
    assert said.status in (0, 3), said.err
    return said.json  # type: ignore[no-any-return]


@pytest.fixture
def begun(grower: Grower) -> Grower:
    """Three mornings without water: deficits have grown."""
    for when in ("2015-06-29", "2015-06-30", "2015-07-01"):
        day(grower, when)
    return grower


def test_a_reading_moves_its_zone_and_no_other(begun: Grower) -> None:
    before = day(begun, "2015-07-02")
    said = begun("note", "soil", "beans", "60", "cb", "--at", "2015-07-02T06:00", "--depth", "8in")
    assert said.status == 0, said.err
    assert "beans: 60 cb in the soil" in said.out
    after = day(begun, "2015-07-02")
    for name in ("tomatoes", "lettuce", "squash"):
        for key in ("deficit_mm", "deficit_sd_mm"):
            assert zone(after, name)[key] == zone(before, name)[key]
    was, now = zone(before, "beans"), zone(after, "beans")
    assert now["deficit_mm"] != was["deficit_mm"]
    assert now["deficit_sd_mm"] < was["deficit_sd_mm"]
    why = begun("why", "beans").out
    assert "How sure the deficit is" in why
    assert "soil reading 60 cb on 2015-07-02 06:00 Dr =" in why
    assert "van Genuchten 1980" in why.replace("\n      ", " ")


def test_the_page_says_how_sure_it_is(begun: Grower, monkeypatch: pytest.MonkeyPatch) -> None:
    page = day(begun, "2015-07-02")
    for one in page["zones"]:
        assert one["deficit_sd_mm"] > 0
        assert 0 <= one["deficit_low_mm"] <= one["deficit_high_mm"] <= one["taw_mm"]
        inside = [one["deficit_low_mm"] < one[k] <= one["deficit_high_mm"] for k in ("trigger_mm", "raw_mm")]
        assert one["doubt_matters"] == any(inside)
    morning = begun("morning", "--date", "2015-07-02").out
    monkeypatch.setenv("COLUMNS", "120")
    wide = begun("morning", "--date", "2015-07-02").out  # a narrow screen drops it first
    assert any(one["doubt_matters"] for one in page["zones"]) == ("+/-" in wide)
    assert all(len(line) <= 80 for line in morning.splitlines())


def test_an_impossible_reading_is_set_aside_and_said(begun: Grower) -> None:
    before = day(begun, "2015-07-02")
    begun("note", "soil", "beans", "95", "cb", "--at", "2015-07-02T06:00")
    after = day(begun, "2015-07-02")
    assert zone(after, "beans")["deficit_mm"] == zone(before, "beans")["deficit_mm"]
    (notice,) = [n for n in after["notices"] if "soil reading" in n["text"]]
    assert notice["level"] == "look"
    assert "95 cb on 2015-07-02 06:00 set aside: a tensiometer cannot measure above 85 cb" in notice["text"]


@pytest.mark.parametrize(
    ("args", "words"),
    [
        (("beans", "35"), "is not a soil reading"),
        (("beens", "35", "cb"), "beans"),
        (("beans", "35", "cb", "--at", "2099-01-01T06:00"), "still to come"),
    ],
)
def test_what_is_typed_wrong_is_said(grower: Grower, args: tuple[str, ...], words: str) -> None:
    said = grower("note", "soil", *args)
    assert said.status == 2
    assert words in said.err
