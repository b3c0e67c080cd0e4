"""The first days: what is assumed is said, and what fails is told source by source."""

from __future__ import annotations

from cli.conftest import Grower

ASSUMED = "the record begins: the soil of"


def texts(grower: Grower, day: str) -> list[str]:
    return [notice["text"] for notice in grower("day", "--date", day, "--json").json["notices"]]


def assumed(grower: Grower, day: str) -> list[str]:
    return [text for text in texts(grower, day) if text.startswith(ASSUMED)]


def test_the_first_mornings_say_what_is_assumed_of_the_soil(grower: Grower) -> None:
    (text,) = assumed(grower, "2015-07-01")
    assert text == (
        "the record begins: the soil of every zone is taken as the weather of the weeks before left it, dry "
        "where nothing is known. If you know better, write starting_deficit: 0.79 in (or what is missing) "
        "under the zone in garden.yaml, or dig and say so: rowwater note soil tomatoes 35cb"
    )
    assert grower("note", "soil", "tomatoes", "35cb", "--at", "2015-07-01 09:00").status in (0, 3)
    (text,) = assumed(grower, "2015-07-02")
    assert "soil of beans, lettuce, squash, onions is taken as the weather" in text
    assert assumed(grower, "2015-07-03") == []


def test_by_one_coefficient_the_soil_is_taken_as_full(grower: Grower) -> None:
    grower.edit("display: us\n", "display: us\ncrop_coefficient: single\n")
    (text,) = assumed(grower, "2015-07-01")
    assert "of every zone is taken as full (field capacity). If it was dry" in text


def test_a_starting_deficit_needs_no_such_remark(grower: Grower) -> None:
    grower.edit("    tape: thin\n", "    tape: thin\n    starting_deficit: 0.5 in\n")
    assert assumed(grower, "2015-07-01") == []


def test_without_any_weather_each_source_is_quoted(grower: Grower) -> None:
    (grower.folder / "weather.csv").unlink()
    grower.edit("- file: {path: weather.csv}", "- file: {path: weather.csv}\n    - file: {path: gone.csv}")
    said = grower("day", "--date", "2015-07-01")
    assert said.status == 1
    assert "file weather.csv: " in said.err
    assert "file gone.csv: " in said.err
    assert "rowwater check tries every source" in said.err


def instead_of(grower: Grower, day: str, name: str) -> str:
    (text,) = [text for text in texts(grower, day) if text.startswith(f"weather: file {name}: ")]
    return text.partition("; used instead: ")[2]


def keep(grower: Grower, until: str) -> None:
    """The record up to a day (not counted)."""
    path = grower.folder / "weather.csv"
    head, *rows = path.read_text().splitlines()
    path.write_text("\n".join([head, *(row for row in rows if row < until)]) + "\n")


def test_a_source_that_fails_says_what_is_used_instead(grower: Grower) -> None:
    grower.edit("- file: {path: weather.csv}", "- file: {path: gone.csv}\n    - file: {path: weather.csv}")
    assert instead_of(grower, "2015-07-01", "gone.csv") == "yesterday and today by file weather.csv"


def test_a_mean_that_stands_in_is_called_one(grower: Grower) -> None:
    grower.edit("- file: {path: weather.csv}", "- file: {path: gone.csv}\n    - file: {path: weather.csv}")
    keep(grower, "2015-07-01")
    told = instead_of(grower, "2015-07-01", "gone.csv")
    assert told == "yesterday by file weather.csv, today's ET0 a mean of past years"


def test_an_answer_of_before_stands_in_for_a_source_that_fails(grower: Grower) -> None:
    assert grower("day", "--date", "2015-07-01").status in (0, 3)
    (grower.folder / "weather.csv").unlink()
    told = instead_of(grower, "2015-07-02", "weather.csv")
    assert told == "yesterday and today by its earlier answer"
