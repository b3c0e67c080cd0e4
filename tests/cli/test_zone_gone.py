"""A zone that stands in a stored plan and is renamed in garden.yaml before the next plan is made."""

from __future__ import annotations

import json
from pathlib import Path

import pytest
from cli.conftest import Grower
from said import Said

DAY = ("--date", "2015-07-09")


@pytest.fixture
def renamed(grower: Grower) -> Grower:
    """Planned as squash, called pumpkins since."""
    assert grower("day", "--date", "2015-07-08").status in (0, 3)
    assert grower("note", "applied", "--as-planned", "--date", "2015-07-08").status == 0
    assert grower("day", *DAY).status in (0, 3)
    grower.edit("  squash:", "  pumpkins:")
    return grower


def test_what_reads_the_plan_shows_it_as_it_was_made(renamed: Grower) -> None:
    for words in (("morning", *DAY), ("week", *DAY), ("log",), ("log", "--zone", "squash")):
        said = renamed(*words)
        assert said.status == 0, words
        assert "squash" in said.out, words
    assert renamed("report", "report.html").status in (0, 3)
    text = " ".join(renamed("why", "squash").out.split())
    assert "garden.yaml no longer has squash: this is the plan of 2015-07-09 as it was made." in text
    assert "The working behind 2015-07-09" in text


def test_its_season_cannot_be_drawn_and_its_week_can(renamed: Grower) -> None:
    page = json.loads(renamed("why", "squash", "--season", "--json").out)
    assert page["root_zone"]["days"] == []
    assert len(page["root_zone"]["ahead"]) == 7
    assert page["root_zone"]["morning"]["date"] == "2015-07-09"
    assert renamed("why", "squash", "--plot", "zone.svg").status == 0
    assert "<svg" in Path("zone.svg").read_text()


def test_the_new_name_waits_for_the_next_plan(renamed: Grower) -> None:
    said = renamed("why", "pumpkins")
    assert said == Said(
        1,
        "",
        "rowwater: pumpkins is not in the plan of 2015-07-09, which was made before garden.yaml had it\n"
        "  hint: run: rowwater day\n",
    )
    assert renamed("day", *DAY).status in (0, 3)
    assert renamed("why", "pumpkins").status == 0


def test_a_name_that_neither_has_is_refused(renamed: Grower) -> None:
    for words in (("why", "squish"), ("log", "--zone", "squish")):
        said = renamed(*words)
        assert (said.status, said.out) == (2, "")
        assert 'no zone "squish" in garden.yaml' in said.err
    assert 'did you mean "squash"' in renamed("why", "squish").err
