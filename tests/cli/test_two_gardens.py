"""Two gardens never mix in one data folder; one garden keeps its records whatever is edited."""

from __future__ import annotations

import hashlib
import shutil
import sqlite3
from pathlib import Path

import pytest
from cli.conftest import Grower

DAY = "2015-07-01"


def plan(grower: Grower, *more: str) -> int:
    return grower("day", "--date", DAY, *more).status


def facts(grower: Grower) -> str:
    with sqlite3.connect(grower.data / "rowwater.db") as db:
        text = "\n".join(db.iterdump())
    db.close()
    return hashlib.sha256(text.encode()).hexdigest()


@pytest.fixture(autouse=True)
def an_easy_week(grower: Grower) -> None:
    """One coefficient begins with full soil, so that everything fits the hours."""
    grower.edit("display: us", "display: us\ncrop_coefficient: single")


@pytest.fixture
def other(grower: Grower) -> Path:
    """The plot behind the house: same place, another name, in another file."""
    folder = grower.folder / "back"
    folder.mkdir()
    shutil.copy(grower.folder / "weather.csv", folder)
    text = grower.garden.read_text().replace("garden: Creekside plot", "garden: Back plot")
    (folder / "garden.yaml").write_text(text)
    return folder / "garden.yaml"


def test_another_garden_is_refused_before_anything_is_written(grower: Grower, other: Path) -> None:
    assert plan(grower) == 0
    before, today = facts(grower), (grower.data / "today.json").read_bytes()
    for words in (
        ("day", "--date", DAY),
        ("note", "rain", "0.5in"),
        ("why", "beans"),
        ("log",),
        ("week",),
    ):
        said = grower(*words, "--config", str(other))
        assert said.status == 1, words
        assert f"are those of another garden: Creekside plot ({grower.garden})" in said.err
        assert f"not Back plot ({other}); nothing was written" in said.err
        assert "--data DIR" in said.err
        assert "rowwater day --same-garden" in said.err
    assert (facts(grower), (grower.data / "today.json").read_bytes()) == (before, today)
    assert plan(grower, "--config", str(other), "--data", str(grower.folder / "back-data")) == 0
    assert plan(grower) == 0


def test_a_garden_keeps_its_records_through_edits(grower: Grower) -> None:
    assert plan(grower) == 0
    for old, new in (
        ("garden: Creekside plot", "garden: North plot"),  # a new name
        ("  squash:", "  pumpkins:"),  # a zone renamed
        ("latitude: 47.44", "latitude: 47.43"),  # the place measured better
        ("longitude: -122.31", "longitude: -121.31"),  # the place corrected
    ):
        grower.edit(old, new)
        assert plan(grower) == 0, new


def test_a_moved_or_copied_garden_keeps_its_records(grower: Grower) -> None:
    assert plan(grower) == 0
    moved = grower.folder / "elsewhere"
    moved.mkdir()
    for name in ("garden.yaml", "weather.csv"):
        shutil.move(grower.folder / name, moved / name)
    assert plan(grower, "--config", str(moved / "garden.yaml")) == 0
    (moved / "garden.yaml").write_text(
        (moved / "garden.yaml").read_text().replace("garden: Creekside plot", "garden: North plot")
    )
    assert plan(grower, "--config", str(moved / "garden.yaml")) == 0


def test_the_grower_may_say_that_it_is_the_same(grower: Grower, other: Path) -> None:
    assert plan(grower) == 0
    assert plan(grower, "--config", str(other)) == 1
    assert plan(grower, "--config", str(other), "--same-garden") == 0
    assert plan(grower, "--config", str(other)) == 0


def test_records_of_before_are_taken_over_by_the_garden_that_opens_them(grower: Grower, other: Path) -> None:
    assert plan(grower) == 0
    with sqlite3.connect(grower.data / "rowwater.db") as db:
        db.execute("DROP TRIGGER store_info_no_delete")
        db.execute("DELETE FROM store_info WHERE name GLOB 'owner *'")
    db.close()
    assert grower("log").status == 0
    assert plan(grower) == 0
    assert plan(grower, "--config", str(other)) == 1
