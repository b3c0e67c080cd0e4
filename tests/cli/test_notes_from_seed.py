"""Notes of a crop over whole days, with evaporation kept apart: typed in time, late, twice, taken back.

The Creekside plot, opened by hand (hours 04:00 to 10:00).  Its carrots are sown on 1 July 2015 over tape that
lies 8 in deep: in sandy loam (rise 0.17 m) it does not wet the surface.  What must follow is the model's
(M10, M11, M13); no outside numbers.
"""

from __future__ import annotations

import re
from typing import Any

import pytest
from cli.conftest import Clock, Grower

MM_PER_INCH = 25.4  # exact
TEW_MM = 100 * (0.23 - 0.5 * 0.11)  # FAO-56 eq 73, sandy loam of the soil table


@pytest.fixture
def sown(grower: Grower, clock: Clock) -> Grower:
    """Wednesday 1 July 2015, 03:00; the day before was planned and given."""
    grower.edit("display: us\n", "display: us\ncrop_coefficient: dual\n")
    grower.edit("tape_depth: 1 in", "tape_depth: 8 in")
    morning(grower, clock, "2015-06-30")
    grower("note", "applied", "--as-planned", "--date", "2015-06-30")
    morning(grower, clock, "2015-07-01")
    return grower


def morning(grower: Grower, clock: Clock, day: str) -> dict[str, Any]:
    clock(f"{day}T03:00")
    said = grower("day", "--json")
    assert said.status in (0, 3), said.err
    return page(grower)


def evening(grower: Grower, clock: Clock, day: str) -> None:
    """What ran is answered."""
    clock(f"{day}T11:00")
    assert grower("note", "applied", "--as-planned").status in (0, 2)


def page(grower: Grower) -> dict[str, Any]:
    return grower("morning", "--json").json  # type: ignore[no-any-return]


def zone(grower: Grower, name: str) -> dict[str, Any]:
    return next(one for one in page(grower)["zones"] if one["zone"] == name)


def told(grower: Grower, words: str) -> list[str]:
    return [one["text"] for one in page(grower)["notices"] if words in one["text"]]


def take_back(grower: Grower, kind: str) -> None:
    """The latest note of a kind that still counts."""
    listed = grower("note", "list", "--json").json["notes"]
    found = [one["number"] for one in listed if one["kind"] == kind and not one["withdrawn_by"]]
    assert grower("note", "undo", str(found[-1])).status == 0


# --- sprinkling ---------------------------------------------------------------------------------


def test_the_task_names_the_command_and_the_command_ends_the_task(sown: Grower, clock: Clock) -> None:
    (task,) = told(sown, "sprinkle")
    command = re.search(r"rowwater (note sprinkled \S+ \S+)", task)
    assert command is not None
    assert zone(sown, "lettuce")["sprinkle_mm"] == pytest.approx(TEW_MM, abs=0.01)  # a bed that was dry
    assert sown(*command[1].split()).status == 0
    assert told(sown, "sprinkle ") == []
    assert zone(sown, "lettuce")["surface_mm"] == pytest.approx(0, abs=0.01)
    roots = zone(sown, "lettuce")["deficit_mm"]
    sown("note", "undo")
    assert told(sown, "sprinkle") == [task]
    assert zone(sown, "lettuce")["deficit_mm"] == roots  # Dr is left alone


def test_the_rest_is_asked_for(sown: Grower) -> None:
    sown("note", "sprinkled", "lettuce", "0.3in")
    assert zone(sown, "lettuce")["sprinkle_mm"] == pytest.approx(TEW_MM - 0.3 * MM_PER_INCH, abs=0.01)


def test_sprinkled_yesterday_and_told_today_is_as_if_told_at_once(sown: Grower, clock: Clock) -> None:
    clock("2015-07-01T08:00")
    sown("note", "sprinkled", "lettuce", "0.5in")
    evening(sown, clock, "2015-07-01")
    at_once = morning(sown, clock, "2015-07-02")["zones"]
    wet = zone(sown, "lettuce")["surface_mm"]
    take_back(sown, "sprinkled")
    assert wet < zone(sown, "lettuce")["surface_mm"]
    sown("note", "sprinkled", "lettuce", "0.5in", "--date", "yesterday")
    assert page(sown)["zones"] == at_once


def test_sprinkled_twice_is_asked_about_and_then_adds_up(sown: Grower) -> None:
    sown("note", "sprinkled", "lettuce", "0.3in")
    again = sown("note", "sprinkled", "lettuce", "0.3in")
    assert again.status == 2
    assert "0.30 in of Wed 1 Jul 2015 is noted already: this makes it 0.30 in more" in again.err
    more = sown("note", "sprinkled", "lettuce", "0.1in")
    assert "0.40 in in all that day" in more.out
    inches = sown("note", "sprinkled", "lettuce", "5in")
    assert inches.status == 2
    assert "5.00 in is far more than the top 4 in of the soil takes up (0.69 in)" in inches.err


def test_emerged_ends_the_seedbed_and_undone_it_goes_on(sown: Grower, clock: Clock) -> None:
    evening(sown, clock, "2015-07-01")
    morning(sown, clock, "2015-07-08")
    assert zone(sown, "lettuce")["seedbed"]
    said = sown("note", "emerged", "lettuce")
    assert "its seedbed ends: from 2015-07-08 on carrot is watered as its roots need" in said.out
    assert "seedbed" not in zone(sown, "lettuce")
    assert told(sown, "sprinkle") == []
    again = sown("note", "emerged", "lettuce", "--date", "yesterday")
    assert "carrot came up (instead of 8 Jul)" in again.out
    sown("note", "undo")
    sown("note", "undo")
    assert zone(sown, "lettuce")["seedbed"]


def test_a_seedbed_that_nobody_saw_end_is_said_to_end(sown: Grower, clock: Clock) -> None:
    """Carrot's own sum of warmth, else 14 days: on 15 July at the latest by the table's lack of one."""
    ended = []
    for day in range(8, 22):
        morning(sown, clock, f"2015-07-{day:02d}")
        ended += [day] * len(told(sown, "carrot is taken as up by now"))
    (day,) = ended
    assert "seedbed" not in zone(sown, "lettuce")
    assert sown("note", "emerged", "lettuce", "--date", f"2015-07-{day}").status == 0


# --- stage, cover -------------------------------------------------------------------------------


def test_a_stage_noted_a_week_late_is_as_if_it_had_been_known(sown: Grower, clock: Clock) -> None:
    evening(sown, clock, "2015-07-01")
    before = morning(sown, clock, "2015-07-09")
    said = sown("note", "stage", "tomatoes", "mid-season", "--date", "2015-07-02")
    assert "staked tomato in mid-season, reckoned for 10 Jul" in said.out
    noted = page(sown)
    assert zone(sown, "tomatoes")["stage"] == "mid-season"
    was = next(one for one in before["zones"] if one["zone"] == "tomatoes")
    assert zone(sown, "tomatoes")["deficit_mm"] > was["deficit_mm"]  # a week of mid-season's use
    sown("note", "undo")
    assert page(sown)["zones"] == before["zones"]
    sown.edit(
        "{crop: staked tomato, planted: 2015-05-01,",
        "{crop: staked tomato, planted: 2015-05-01, observed: {mid-season: 2015-07-02},",
    )
    assert morning(sown, clock, "2015-07-09")["zones"] == noted["zones"]
    sown("note", "stage", "tomatoes", "mid-season", "--date", "2015-07-05")  # a note wins over garden.yaml
    assert zone(sown, "tomatoes")["observed"] == {"mid-season": "2015-07-05"}


def test_a_cover_seen_moves_the_days_since(sown: Grower, clock: Clock) -> None:
    evening(sown, clock, "2015-07-01")
    before = morning(sown, clock, "2015-07-06")["zones"]
    said = sown("note", "cover", "tomatoes", "20%", "--date", "2015-07-02")
    assert "from 2015-07-02 on the ground that staked tomato leaves open to the sun goes by it" in said.out
    after = page(sown)["zones"]
    moved = [a["zone"] for a, b in zip(before, after, strict=True) if a["deficit_mm"] != b["deficit_mm"]]
    assert moved == ["tomatoes"]
    sown("note", "undo")
    assert page(sown)["zones"] == before


# --- dry-off ------------------------------------------------------------------------------------


def test_drying_off_stops_the_water_and_undone_it_comes_back(sown: Grower, clock: Clock) -> None:
    before = morning(sown, clock, "2015-07-03")["zones"]
    minutes = zone(sown, "beans")["minutes"]
    assert minutes > 0
    said = sown("note", "dry-off", "beans", "--yes")
    assert "made again: " in said.out
    assert (
        "from 2015-07-03 on beans gets no water until it is pulled (rowwater note pulled beans)" in said.out
    )
    assert (zone(sown, "beans")["minutes"], zone(sown, "beans")["dry_off"]) == (0, True)
    sown("note", "undo")
    assert page(sown)["zones"] == before
    sown("note", "dry-off", "beans", "--yes")
    evening(sown, clock, "2015-07-03")
    for day in (4, 5):
        morning(sown, clock, f"2015-07-{day:02d}")
        assert zone(sown, "beans")["minutes"] == 0
        assert not any("short" in text or "less than it needs" in text for text in told(sown, "beans"))
    take_back(sown, "dry-off")
    assert zone(sown, "beans")["minutes"] > 0


def test_drying_off_may_begin_on_a_day_to_come(sown: Grower, clock: Clock) -> None:
    morning(sown, clock, "2015-07-03")
    sown("note", "dry-off", "beans", "--date", "2015-07-05", "--yes")
    assert zone(sown, "beans")["minutes"] > 0
    morning(sown, clock, "2015-07-05")
    assert (zone(sown, "beans")["minutes"], zone(sown, "beans")["dry_off"]) == (0, True)


# --- after the crop -----------------------------------------------------------------------------


def test_notes_of_a_crop_that_is_gone_change_only_what_was(sown: Grower, clock: Clock) -> None:
    evening(sown, clock, "2015-07-01")
    morning(sown, clock, "2015-07-03")
    sown("note", "pulled", "beans", "--date", "2015-07-02")
    gone = page(sown)["zones"]
    assert sown("note", "cover", "beans", "30%", "--date", "2015-07-01").status == 0
    moved = [one["zone"] for one, other in zip(gone, page(sown)["zones"], strict=True) if one != other]
    assert moved in ([], ["beans"])  # at most the bed that it left
    assert zone(sown, "beans")["state"] == "no crop"
    assert sown("note", "cover", "beans", "30%").status == 2  # nothing stands there now
    assert sown("note", "feed", "beans").status == 2


# --- salt ---------------------------------------------------------------------------------------


def test_what_washes_salt_out_is_booked_alike_as_planned_and_by_minutes(grower: Grower, clock: Clock) -> None:
    """M12: beans bear 1.0 dS/m; of their water on 2 July a part leaches, whichever way it is told."""
    grower.edit("  keep_back: 10%\n", "  keep_back: 10%\n  ec: 2.5 dS/m\n")
    for day in ("2015-06-30", "2015-07-01", "2015-07-02"):
        morning(grower, clock, day)
    minutes: dict[str, float] = {}
    for run in page(grower)["runs"]:
        minutes[run["zone"]] = minutes.get(run["zone"], 0.0) + run["minutes"]
    leached = [one["zone"] for one in page(grower)["zones"] if one.get("leaching") and one["minutes"]]
    assert leached
    clock("2015-07-02T11:00")
    grower("note", "applied", "--as-planned", "--date", "2015-07-02")
    morning(grower, clock, "2015-07-03")
    told_so = {name: zone(grower, name)["deficit_mm"] for name in leached}
    grower("note", "undo")
    for name, length in minutes.items():
        grower("note", "applied", name, f"{length:g}min", "--date", "2015-07-02")
    assert {name: zone(grower, name)["deficit_mm"] for name in leached} == pytest.approx(told_so, abs=0.002)
