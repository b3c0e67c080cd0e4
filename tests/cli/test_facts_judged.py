"""A fact is judged whole before it is written, and one that nobody can use stops no morning."""

from __future__ import annotations

import json
import sqlite3
from contextlib import closing

import pytest
from cli.conftest import Clock, Grower

DAY = "2015-07-01"
IMPOSSIBLE = (
    (("rain", "9999mm"), "9999 mm is not an amount of rain"),
    (("rain", "0.6in", "--since", "2015-03-01"), "more than 62 days"),
    (("applied", "beans", "500 h"), "longer than a day"),
    (("applied", "beans", "100000000 gal"), "the whole supply brings"),
    (("soil", "beans", "1000000000 cb"), "no soil sensor reads beyond"),
    (("soil", "beans", "100%"), "no soil holds that"),
    (("soil", "beans", "20 cb", "--depth", "300 ft"), "no sensor stands so deep"),
    (("planted", "beans", "bean", "--date", "0001-01-01"), "the year cannot be right"),
    (("pulled", "beans", "--date", "9999-12-31"), "the year cannot be right"),
    (("filter", "--date", "2300-01-01"), "the year cannot be right"),
)  # fmt: skip


def test_an_impossible_fact_is_refused_and_nothing_is_kept_of_it(grower: Grower, clock: Clock) -> None:
    clock(f"{DAY}T12:00")
    assert grower("day").status in (0, 3)
    before = (grower.data / "today.json").read_bytes()
    for words, why in IMPOSSIBLE:
        said = grower("note", *words, "--yes")
        assert (said.status, said.out) == (2, ""), words
        assert why in said.err, words
    assert grower("note", "list").out == "nothing has been noted yet\n"
    assert (grower.data / "today.json").read_bytes() == before


FOREIGN = (
    ("rain", {"mm": 9999, "since": "2015-06-30T08:00-04:00", "at": "2015-07-01T08:00-04:00"}, "9999 mm"),
    ("rain", {"mm": 3, "since": "2015-03-01T08:00-04:00", "at": "2015-07-01T08:00-04:00"}, "62 days"),
    ("rain", {}, "mm is missing"),
    ("rain", [1, 2], "mm is missing"),
    ("hold", {"until": "yesterday"}, "yesterday"),
    ("planted", {}, "crop is missing"),
    ("stage", {"stage": "full moon"}, "full moon"),
    ("cover", {"cover": "half"}, "is not a number"),
    ("sprinkled", {"mm": None}, "is not a number"),
    ("soil", {"at": "2015-07-01T08:00-04:00"}, "no tension"),
    ("soil", {"at": "noon", "theta": 0.2}, "is not a time"),
    ("chore", {}, "chore is missing"),
)  # fmt: skip


def test_facts_of_another_hand_that_nobody_can_use_are_set_aside_and_told(
    grower: Grower, clock: Clock
) -> None:
    clock(f"{DAY}T06:00")
    assert grower("day").status in (0, 3)
    plain = grower("day", "--json").json
    with closing(sqlite3.connect(grower.data / "rowwater.db")) as books, books:
        for kind, details, _ in FOREIGN:
            row = (kind, DAY, f"{DAY}T09:00:00.000000+00:00", "beans", json.dumps(details))
            books.execute(
                "INSERT INTO notes (kind, day, recorded_at, zone, details) VALUES (?, ?, ?, ?, ?)", row
            )
    page = grower("day", "--json").json
    assert page["runs"] == plain["runs"]
    told = [one["text"] for one in page["notices"] if "cannot be followed" in one["text"]]
    for _, _, why in FOREIGN:
        assert any(why in text for text in told), (why, told)
    assert len(told) == len(FOREIGN)
    listed = grower("note", "list")
    assert (listed.status, " ".join(listed.out.split()).count("cannot be followed")) == (0, len(FOREIGN))
    assert grower("note", "applied", "beans", "10min").status == 0
    for number in (1, 5):
        assert grower("note", "undo", str(number)).status == 0
    again = grower("day", "--json").json
    assert len([one for one in again["notices"] if "cannot be followed" in one["text"]]) == len(FOREIGN) - 2


@pytest.mark.parametrize("day", ["0001-01-01", "1899-12-31", "2200-01-01", "9999-12-31"])
def test_one_range_of_days_for_every_command(grower: Grower, day: str) -> None:
    for words in (
        ("day", "--date", day), ("check", "--offline", "--date", day), ("morning", "--date", day),
        ("why", "beans", "--date", day), ("weather", "--from", day), ("weather", "--to", day),
        ("season", "--weather", "weather.csv", "--from", day), ("log", "--to", day),
        ("hold", "beans", "until", day), ("changeover", "--from", day, "--to", "2015-09-01"),
        ("note", "rain", "1in", "--at", f"{day} 08:00"),
    ):  # fmt: skip
        said = grower(*words)
        assert said.status == 2, words
        assert "the year cannot be right" in said.err, words


def test_a_year_mistyped_is_not_replayed_for_minutes(grower: Grower) -> None:
    assert grower("day", "--date", DAY).status in (0, 3)
    said = grower("day", "--date", "2199-01-01")
    assert said.status == 2
    assert "30 years after the first day on record, 2015-07-01" in said.err
    said = grower("weather", "--from", "1900-01-01")
    assert said.status == 2
    assert "longer than 100 years" in said.err
