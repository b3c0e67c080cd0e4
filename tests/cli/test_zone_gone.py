"""A zone that stands in a stored plan and is renamed in garden.yaml before the next plan is made."""

from __future__ import annotations

import json
from pathlib import Path

import pytest
from cli.conftest import Clock, Grower
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


# --- its run that nobody answered ------------------------------------------------------------------

ASKED = "Was this water given on Thu 9 Jul? lettuce 58 min, onions 48 min, squash 5 h"
LOST = "garden.yaml no longer has squash: its record ("


@pytest.fixture
def next_morning(renamed: Grower, clock: Clock) -> Grower:
    clock("2015-07-10T03:00")
    assert renamed("day").status == 3
    return renamed


def given(grower: Grower, zone: str) -> list[tuple[str, float, str]]:
    page = json.loads(grower("log", "--zone", zone, "--json").out)
    return [(day["date"], round(day["minutes"]), day["outcome"]) for day in page["days"]]


def test_the_morning_asks_for_it_and_says_that_its_record_counts_no_more(next_morning: Grower) -> None:
    morning = " ".join(next_morning("morning").out.split())
    assert ASKED in morning
    assert LOST + "1 day without an answer) counts for no zone" in morning
    assert "not answered" in next_morning("log", "--zone", "squash").out


def test_one_plain_command_answers_it(next_morning: Grower) -> None:
    """100 of 300 minutes: a third of what was planned, 0.60 in and 576 gal."""
    said = next_morning("note", "applied", "squash", "100min")
    assert said.status == 0, said
    assert "squash 2015-07-09: 100 min" in said.out
    (day,) = json.loads(next_morning("log", "--zone", "squash", "--json").out)["days"]
    assert (day["date"], day["outcome"], day["minutes"]) == ("2015-07-09", "by hand", 100)
    assert day["liters"] == pytest.approx(576 * 3.785411784 / 3, abs=2)
    assert day["net_mm"] == pytest.approx(0.60 * 25.4 / 3, abs=0.1)
    assert "squash 5 h" not in next_morning("morning").out
    morning = " ".join(next_morning("morning", "--all").out.split())
    assert LOST + "1 watering) counts for no zone" in morning
    said = next_morning("note", "applied", "squash", "10min", "--date", "2015-07-07")
    assert said.status == 2
    assert "garden.yaml no longer has squash, and no run of it was planned on 2015-07-07" in said.err


def test_one_plain_command_says_that_it_was_not_given(next_morning: Grower) -> None:
    assert next_morning("note", "applied", "squash", "--not-given").status == 0
    assert given(next_morning, "squash") == [("2015-07-09", 0, "never opened")]
    assert "squash 5 h" not in next_morning("morning").out


def test_what_was_answered_counts_again_under_the_old_name(next_morning: Grower) -> None:
    next_morning("note", "applied", "squash", "--as-planned")
    next_morning.edit("  pumpkins:", "  squash:")
    assert next_morning("day").status in (0, 3)
    morning = next_morning("morning", "--all").out
    assert LOST not in " ".join(morning.split())
    assert "squash 5 h" not in morning
    assert given(next_morning, "squash")[0] == ("2015-07-09", 300, "by hand")


def test_a_week_later_it_is_asked_no_more(next_morning: Grower, clock: Clock) -> None:
    clock("2015-07-17T03:00")
    next_morning("day")
    assert "squash" not in next_morning("morning", "--all").out
    assert next_morning("note", "applied", "squash", "10min").status == 2


def test_renamed_while_its_run_is_on(grower: Grower, clock: Clock) -> None:
    """What had begun under the old name is kept and asked for, and the new one begins with the next hours."""
    grower("day", "--date", "2015-07-08")
    grower("note", "applied", "--as-planned", "--date", "2015-07-08")
    clock("2015-07-09T03:00")
    grower("day")
    clock("2015-07-09T05:00")
    grower.edit("  squash:", "  pumpkins:")
    assert grower("day").status in (0, 3)
    clock("2015-07-10T03:00")
    assert grower("day").status == 3
    said = " ".join(grower("morning").out.split())
    assert "squash" in said.partition("Water today")[0], said
