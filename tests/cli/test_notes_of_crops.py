"""What a grower sees of a crop, or does to it, noted: by habit, late, mistyped, twice, taken back.

The Creekside plot is opened by hand (hours 04:00 to 10:00).  What each answer must say follows from the stage
lengths and dates of its garden.yaml and crop table; no outside numbers.
"""

from __future__ import annotations

import json

import pytest
from cli.conftest import Clock, Grower


@pytest.fixture
def friday(grower: Grower, clock: Clock) -> Grower:
    """Friday 3 July 2015, 03:00."""
    clock("2015-07-03T03:00")
    assert grower("day").status in (0, 3)
    return grower


def noted(grower: Grower) -> list[dict]:  # type: ignore[type-arg]
    return grower("note", "list", "--json").json["notes"]  # type: ignore[no-any-return]


# --- stages -------------------------------------------------------------------------------------
# tomatoes: planted 1 May, 30 + 40 + 45 + 30 days: mid-season from 10 July, late season from 24 August


def test_a_stage_noted_says_what_it_moves(friday: Grower) -> None:
    """M11: day 58 of 70: r = 0.829, so 45 days become 45 (1 + (r - 1)/2) = 41.1; 28 June + 41 = 8 August."""
    said = friday("note", "stage", "tomatoes", "mid", "season", "--date", "2015-06-28")
    assert said.status == 0, said.err
    assert "staked tomato in mid-season, reckoned for 10 Jul; late season from 8 Aug (was 24 Aug)" in said.out
    assert "Sun 28 Jun 2015: tomatoes: mid-season began" in friday("note", "list").out
    again = friday("note", "stage", "tomatoes", "mid-season", "--date", "2015-06-29")  # on second thoughts
    assert "(instead of 28 Jun)" in again.out
    assert "late season from 9 Aug (was 8 Aug)" in again.out
    friday("note", "undo")
    third = friday("note", "stage", "tomatoes", "mid-season", "--date", "2015-06-29")
    assert "(instead of 28 Jun)" in third.out


def test_a_stage_as_reckoned_moves_nothing(grower: Grower, clock: Clock) -> None:
    clock("2015-07-11T07:00")
    said = grower("note", "stage", "tomatoes", "mid-season", "--date", "2015-07-10")
    assert said.out == "noted for 2015-07-10: tomatoes: staked tomato in mid-season, as reckoned\n"


def test_a_stage_of_a_crop_that_is_gone_reckons_days_gone_by(grower: Grower, clock: Clock) -> None:
    clock("2015-07-03T07:00")
    said = grower("note", "stage", "lettuce", "mid-season", "--date", "2015-06-14")
    assert "lettuce in mid-season" in said.out
    assert "pulled on 28 Jun: only days gone by are reckoned anew" in said.out


def test_a_stage_that_cannot_be_is_asked_about_and_then_the_last_word_counts(friday: Grower) -> None:
    friday("note", "stage", "tomatoes", "mid-season", "--date", "2015-06-28")
    words = ("note", "stage", "tomatoes", "development", "--date", "2015-07-01")
    said = friday(*words)
    assert said.status == 2
    assert "does not go with what is known of staked tomato: mid-season from Sun 28 Jun 2015" in said.err
    assert friday("note", "stage", "tomatoes", "late", "--date", "2015-06-20").status == 2
    meant = friday(*words, "--yes")
    assert "mid-season of 28 Jun counts no more" in meant.out


@pytest.mark.parametrize(
    ("typed", "words"),
    [
        (("midd season",), 'did you mean "mid season"?'),
        (("initial",), "begins on the planting date"),
        (("flowering",), "stages: development, mid-season, late season"),
    ],
)
def test_a_stage_mistyped_gets_the_nearest(friday: Grower, typed: tuple[str, ...], words: str) -> None:
    said = friday("note", "stage", "tomatoes", *typed)
    assert said.status == 2
    assert words in said.err
    assert noted(friday) == []


# --- doubts -------------------------------------------------------------------------------------

DOUBTFUL = [
    (
        ("stage", "tomatoes", "late season", "--date", "2015-06-01"),
        "31 days after planting, reckoned were 115",
    ),
    (("stage", "tomatoes", "mid-season", "--date", "2015-07-05"), "is still to come"),
    (("stage", "beans", "mid-season", "--date", "2015-05-10"), "bush bean is planted on Wed 2015-05-20"),
    (("emerged", "lettuce", "--date", "2015-06-30"), "lettuce was pulled on Sun 2015-06-28"),
    (("emerged", "tomatoes"), "staked tomato in tomatoes was not sown"),
    (("cover", "tomatoes", "40%", "--date", "2016-07-03"), "366 days ahead"),
    (("dry-off", "beans"), "still growing: mid-season from"),
    (("sprinkled", "tomatoes", "0.2in"), "was not sown"),
]


@pytest.mark.parametrize(("words", "doubt"), DOUBTFUL, ids=[" ".join(words) for words, _ in DOUBTFUL])
def test_a_doubtful_sighting_is_asked_about(friday: Grower, words: tuple[str, ...], doubt: str) -> None:
    said = friday("note", *words)
    assert said.status == 2
    assert doubt in said.err
    assert "nothing was noted" in said.err
    assert noted(friday) == []


@pytest.mark.parametrize(
    ("words", "complaint"),
    [
        (("cover", "tomatoes", "140%"), "100% is the most"),
        (("cover", "tomatoes", "40"), 'write "40%"'),
        (("cover", "tomatoes", "0%"), "for example 5%"),
        (("sprinkled", "lettuce", "0in"), "not above 0"),
        (("sprinkled", "lettuce", "5"), "has no unit"),
        (("emerged", "letuce"), 'did you mean "lettuce"?'),
    ],
)
def test_what_cannot_be_is_refused(friday: Grower, words: tuple[str, ...], complaint: str) -> None:
    said = friday("note", *words, "--yes")
    assert said.status == 2
    assert complaint in said.err
    assert noted(friday) == []


# --- which planting is meant --------------------------------------------------------------------


def test_what_was_seen_is_of_the_crop_that_stands_whatever_was_told_first(
    grower: Grower, clock: Clock
) -> None:
    """Okra stands in the beans since 10 June; that is told only after the cover that was seen."""
    clock("2015-07-03T07:00")
    assert "bush bean shades" in grower("note", "cover", "beans", "20%", "--date", "2015-06-20").out
    grower("note", "planted", "beans", "okra", "--date", "2015-06-10")
    assert "okra shades 30 % of the ground (instead of 20 %)" in (
        grower("note", "cover", "beans", "30%", "--date", "2015-06-20").out
    )


def test_last_years_note_does_not_move_this_years_planting(grower: Grower, clock: Clock) -> None:
    clock("2014-06-20T07:00")
    grower("note", "planted", "tomatoes", "staked tomato", "--date", "2014-05-04", "--yes")
    clock("2015-07-03T07:00")
    said = grower("note", "stage", "tomatoes", "mid-season", "--date", "2015-07-01")
    assert "reckoned for 10 Jul" in said.out  # planted on 1 May 2015, as garden.yaml says


def test_a_sighting_that_lost_its_crop_is_said_in_the_morning(friday: Grower, clock: Clock) -> None:
    friday("note", "cover", "beans", "20%")
    friday.edit("crop: bush bean, planted: 2015-05-20", "crop: bush bean, planted: 2015-07-20")
    clock("2015-07-04T03:00")
    assert friday("day").status == 3
    notices = json.loads((friday.data / "today.json").read_text())["notices"]
    (notice,) = [one["text"] for one in notices if "cannot be followed" in one["text"]]
    assert "beans: your note of 2015-07-03 (cover) cannot be followed: nothing stands in beans" in notice
    assert "bush bean is planted on Mon 2015-07-20" in notice


# --- chores -------------------------------------------------------------------------------------


def test_a_repair_is_noted_for_its_zone(friday: Grower) -> None:
    assert friday("note", "repair", "beans").out.startswith("noted for 2015-07-03: beans: mended\n")
    assert [(one["kind"], one["zone"]) for one in noted(friday)] == [("repair", "beans")]
    assert "beans: mended" in friday("note", "list").out
    assert friday("note", "undo").status == 0


def line_of_chores(grower: Grower) -> str:
    told = " ".join(grower("morning", "--all").out.split())
    return told[told.index("Chores:") :] if "Chores:" in told else ""


def test_the_third_cut_of_a_row_asks_for_a_look_until_it_was_looked_at(friday: Grower, clock: Clock) -> None:
    """Cut on Friday, Saturday and Sunday; looked at on Tuesday; nothing is asked after that."""
    said = friday("note", "repair", "beans", "--row", "3")
    assert said.out.startswith("noted for 2015-07-03: beans: row 3: a cut mended with a coupling\n")
    assert "row 3: a cut mended with a coupling" in " ".join(friday("note", "list").out.split())
    clock("2015-07-04T07:00")
    friday("day")
    friday("note", "repair", "beans", "--row", "3")
    assert "row 3" not in line_of_chores(friday)
    clock("2015-07-05T07:00")
    friday("day")
    friday("note", "repair", "beans", "--row", "3")
    assert "look at row 3 of beans (3 repairs)" in line_of_chores(friday)
    friday("note", "undo")  # it was another row
    assert "row 3" not in line_of_chores(friday)
    friday("note", "repair", "beans", "--row", "3", "--date", "2015-07-04")
    clock("2015-07-06T03:00")
    friday("day")
    assert "look at row 3 of beans (3 repairs)" in line_of_chores(friday)
    notices = json.loads((friday.data / "today.json").read_text())["notices"]
    assert [one["level"] for one in notices if "row 3" in one["text"]] == ["info"]
    clock("2015-07-07T12:00")
    friday("day")
    assert "noted for 2015-07-07: mended rows looked at" in friday("note", "chore", "row").out
    assert "row 3" not in line_of_chores(friday)
    friday("note", "repair", "beans", "--row", "3", "--date", "2015-07-06")
    assert "row 3" not in line_of_chores(friday)


def test_a_row_that_is_not_there_is_refused(friday: Grower) -> None:
    """beans stand in four rows, broccoli after them in five; lettuce stood in six."""
    refused = friday("note", "repair", "beans", "--row", "5")
    assert refused.status == 2
    assert "beans has 4 rows, no row 5" in refused.err
    assert friday("note", "repair", "beans", "--row", "0").status == 2
    assert friday("note", "repair", "beans", "--row", "5", "--date", "2015-08-20", "--yes").status == 0
    assert [one["details"] for one in noted(friday)] == [{"row": 5}]


# --- planted, pulled ----------------------------------------------------------------------------


def test_pulled_twice_is_asked_about_and_a_correction_says_what_it_corrects(
    friday: Grower, clock: Clock
) -> None:
    assert "tomatoes: staked tomato pulled (instead of 12 Sep)" in friday("note", "pulled", "tomatoes").out
    clock("2015-07-04T07:00")
    again = friday("note", "pulled", "tomatoes")
    assert again.status == 2
    assert "staked tomato in tomatoes was pulled on Fri 3 Jul 2015, as you noted" in again.err
    earlier = friday("note", "pulled", "tomatoes", "--date", "2015-07-02")
    assert "staked tomato pulled (instead of 3 Jul)" in earlier.out


def test_planted_says_what_it_moves_and_ends(friday: Grower) -> None:
    said = friday("note", "planted", "beans", "bush bean", "--date", "2015-05-25")
    assert "beans: bush bean planted (instead of 20 May)" in said.out
    assert "beans: okra planted; bush bean stands no more" in friday("note", "planted", "beans", "okra").out
    nothing = friday("note", "pulled", "beans", "--date", "2015-05-01")
    assert "nothing was planted in beans before Fri 1 May 2015" in nothing.err
