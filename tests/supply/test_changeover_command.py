"""`rowwater changeover` on a plot: which layout is meant, tape by its age, parts, places from the feed."""

from __future__ import annotations

import json
from collections.abc import Callable
from datetime import UTC, date, datetime
from pathlib import Path
from typing import Any

import pytest
from click.testing import CliRunner, Result
from supply.plots import plot_text

from scheduler.cli.changeover import command
from scheduler.cli.text.changeover import show_place
from scheduler.errors import BadInput
from scheduler.model import Note
from scheduler.store.store import Store

INCH = 0.0254
FOOT = 0.3048
Change = Callable[..., Result]


@pytest.fixture
def change(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Change:
    monkeypatch.chdir(tmp_path)
    (tmp_path / "garden.yaml").write_text(plot_text())

    def run(*args: str) -> Result:
        places = {"config": str(tmp_path / "garden.yaml"), "data": str(tmp_path / "data")}
        return CliRunner().invoke(command, list(args), obj=places)

    return run


def page_of(answer: Result) -> Any:
    assert answer.exit_code in (0, 3), (answer.output, answer.exception)
    return json.loads(answer.stdout)


def edit(path: Path, old: str, new: str) -> None:
    text = path.read_text()
    assert old in text
    path.write_text(text.replace(old, new))


SPRING_TO_FALL = ("--from", "2026-06-01", "--to", "2026-09-20")


def test_spring_to_fall(change: Change) -> None:
    """Beds as worked by hand in test_changeover_holes: 30, 90, 150 in stay, six new between them.

    Six tapes of 80 ft: 480 ft, 504 ft with 5 % waste.  Side has nothing planned after its squash: left alone.
    """
    page = page_of(change(*SPRING_TO_FALL, "--json"))
    beds, side = page["zones"]["beds"], page["zones"]["side"]
    stays = [h["from_feed_m"] for h in beds["holes"] if h["state"] == "stays"]
    assert stays == pytest.approx([30 * INCH, 90 * INCH, 150 * INCH], abs=1e-4)
    new = [h["from_feed_m"] for h in beds["holes"] if h["state"] == "new"]
    assert new == pytest.approx([x * INCH for x in (10, 50, 70, 110, 130, 170)], abs=1e-4)
    assert [(h["row_from"], h["row_to"]) for h in beds["holes"][:3]] == [(None, 1), (1, 2), (None, 3)]
    assert {t["row"]: t["work"] for t in beds["tapes"]} == {
        row: "keep" if row in (2, 5, 8) else "lay" for row in range(1, 10)
    }
    assert not side["changes"]
    assert page["parts"] == {
        "row_starts": 6, "row_starts_freed": 0, "plugs": 0, "couplings": 0, "end_closures": 6,
        "end_closures_freed": 0, "tape_m": pytest.approx(480 * FOOT, abs=1e-3), "lifted_m": 0.0,
        "tape_with_waste_m": pytest.approx(504 * FOOT, abs=1e-3),
    }  # fmt: skip
    assert any("side: nothing stands on 2026-09-20 or is planted later" in n for n in page["notices"])


def test_side_lies_behind_the_beds(change: Change) -> None:
    """Beds are 15 ft wide; side's two rows of 3 ft stand at 16.5 and 19.5 ft, tapes 0.15 m each side."""
    holes = page_of(change(*SPRING_TO_FALL, "--json"))["zones"]["side"]["holes"]
    middles = (16.5 * FOOT, 19.5 * FOOT)
    expected = [middle + side for middle in middles for side in (-0.15, 0.15)]
    assert [h["from_feed_m"] for h in holes] == pytest.approx(expected, abs=1e-4)


def test_words_of_the_grower(change: Change) -> None:
    answer = change(*SPRING_TO_FALL)
    assert answer.exit_code == 0
    lines = answer.output.splitlines()
    assert "beds: tomato, 3 rows 5 ft apart -> broccoli, 9 rows 1.7 ft apart" in lines
    table = [line.split() for line in lines]
    assert ["10", "in", "new", "-", "1"] in table
    assert ["2", "ft", "6", "in", "stays", "1", "2"] in table
    assert "  3 stay, 0 to plug, 6 new" in lines
    assert "  tape of rows 1, 3-4, 6-7, 9: cut 80 ft (6 tapes)" in lines
    assert "  tape of rows 2, 5, 8: keep 80 ft (3 tapes)" in lines
    assert "        480 ft of tape, 504 ft with 5% waste; 0 ft is taken up" in lines
    assert "half a spacing" in answer.output  # the convention is said
    assert "let the pressure go" in answer.output


def test_metric_words(change: Change, tmp_path: Path) -> None:
    (tmp_path / "garden.yaml").write_text(plot_text(display="metric"))
    table = [line.split() for line in change(*SPRING_TO_FALL).output.splitlines()]
    assert ["0.25", "m", "new", "-", "1"] in table
    assert ["0.76", "m", "stays", "1", "2"] in table


def test_a_move_that_keeps_more_holes_is_offered(change: Change, tmp_path: Path) -> None:
    """Fall rows of 30 in share no hole with spring rows of 60 in until they move by 15 in."""
    edit(
        tmp_path / "garden.yaml",
        "count: 9, length: 80 ft, spacing: 20 in",
        "count: 6, length: 80 ft, spacing: 30 in",
    )
    answer = change(*SPRING_TO_FALL)
    assert "moving all new rows 1 ft 3 in away from the feed would let 3 holes stay" in answer.output
    shift = page_of(change(*SPRING_TO_FALL, "--json"))["zones"]["beds"]["shift"]
    assert shift == {"by_m": pytest.approx(15 * INCH, abs=1e-4), "stays": 3}


def test_fed_in_the_middle_places_are_left_and_right(change: Change, tmp_path: Path) -> None:
    """15 ft of beds and 6 ft of side: the feed is at 10.5 ft = 126 in.  30 in along is 96 in left of it."""
    mainline = "{inside_diameter: 0.70 in, length: 30 ft, feed: middle}"
    (tmp_path / "garden.yaml").write_text(plot_text(mainline=mainline))
    page = page_of(change(*SPRING_TO_FALL, "--json"))
    holes = page["zones"]["beds"]["holes"]
    where = [(h["branch"], round(h["from_feed_m"] / INCH, 1)) for h in holes]
    assert where == [("left", 126 - x) for x in (10, 30, 50, 70, 90, 110)] + [
        ("right", x - 126) for x in (130, 150, 170)
    ]
    assert page["zones"]["side"]["holes"][0]["branch"] == "right"
    assert "left 8 ft" in change(*SPRING_TO_FALL).output
    states = [h["state"] for h in holes]
    (tmp_path / "garden.yaml").write_text(plot_text())
    fed_at_end = page_of(change(*SPRING_TO_FALL, "--json"))["zones"]["beds"]["holes"]
    assert [h["state"] for h in fed_at_end] == states


@pytest.mark.parametrize(("feed", "length", "status"), [
    ("end", "21 ft", 0), ("end", "19 ft", 3), ("middle", "21 ft", 0), ("middle", "17 ft", 3),
])  # fmt: skip
def test_line_that_is_too_short(change: Change, tmp_path: Path, feed: str, length: str, status: int) -> None:
    """The last take-off stands at 19.5 ft + 0.15 m = 19.99 ft; from the middle (10.5 ft) 9.5 ft off."""
    mainline = f"{{inside_diameter: 0.70 in, length: {length}, feed: {feed}}}"
    (tmp_path / "garden.yaml").write_text(plot_text(mainline=mainline))
    answer = change(*SPRING_TO_FALL)
    assert answer.exit_code == status
    assert ("reaches past the supply line's end" in answer.output) == (status == 3)


# --- tape by its age -----------------------------------------------------------------------------


def test_tape_lasts_its_two_crops_and_no_third(change: Change, tmp_path: Path) -> None:
    """Laid for the tomatoes and good for two crops: the broccoli may have it, the lettuce of 2027 may not."""
    edit(tmp_path / "garden.yaml", "  side:\n", "      - {crop: lettuce, planted: 2027-04-01}\n  side:\n")
    fall = page_of(change(*SPRING_TO_FALL, "--json"))["zones"]["beds"]
    assert fall["crops_on_tape"] == 1
    assert "keep" in {t["work"] for t in fall["tapes"]}
    spring = page_of(change("--from", "2026-09-20", "--to", "2027-04-20", "--json"))
    assert spring["zones"]["beds"]["crops_on_tape"] == 2
    assert {t["work"] for t in spring["zones"]["beds"]["tapes"]} == {"lay"}
    assert spring["parts"]["lifted_m"] == pytest.approx(9 * 80 * FOOT, abs=1e-3)
    assert any("has had 2 crops and lasts 2: lay new tape" in n for n in spring["notices"])


def test_crops_between_wear_the_tape_too(change: Change, tmp_path: Path) -> None:
    edit(tmp_path / "garden.yaml", "  side:\n", "      - {crop: lettuce, planted: 2027-04-01}\n  side:\n")
    page = page_of(change("--from", "2026-06-01", "--to", "2027-04-20", "--json"))
    assert page["zones"]["beds"]["crops_on_tape"] == 2
    assert {t["work"] for t in page["zones"]["beds"]["tapes"]} == {"lay"}


def test_tape_of_unknown_age_is_kept_and_said_so(change: Change, tmp_path: Path) -> None:
    edit(tmp_path / "garden.yaml", "    tape_laid: 2026-04-10\n", "")
    page = page_of(change(*SPRING_TO_FALL, "--json"))
    assert "keep" in {t["work"] for t in page["zones"]["beds"]["tapes"]}
    assert any("how old its tape is" in n for n in page["notices"])


def test_notes_of_the_grower_count(change: Change, tmp_path: Path) -> None:
    """New tape noted between the crops; and the tomatoes stood longer than the file says."""
    now = datetime(2026, 8, 19, 12, tzinfo=UTC)
    store = Store.open(tmp_path / "data" / "rowwater.db", now=now)
    store.add_note(Note("pulled", date(2026, 8, 17), now, "beds"))
    store.add_note(Note("tape", date(2026, 8, 18), now, "beds"))
    store.close()
    page = page_of(change("--from", "2026-08-16", "--to", "2026-09-20", "--json"))
    assert page["zones"]["beds"]["from"]["crop"] == "tomato"
    assert not any("beds: nothing stands" in n for n in page["notices"])
    assert {t["work"] for t in page["zones"]["beds"]["tapes"]} == {"lay"}
    assert any("new tape laid 2026-08-18" in n for n in page["notices"])


def test_without_a_database_none_is_made(change: Change, tmp_path: Path) -> None:
    assert change(*SPRING_TO_FALL).exit_code == 0
    assert not (tmp_path / "data").exists()


# --- which layout is meant -----------------------------------------------------------------------


def test_between_crops_the_latest_and_the_next_are_taken(change: Change) -> None:
    page = page_of(change("--from", "2026-08-15", "--to", "2026-08-15", "--json"))
    beds = page["zones"]["beds"]
    assert (beds["from"]["crop"], beds["to"]["crop"]) == ("tomato", "broccoli")
    assert any("the latest planting, tomato of 2026-04-20" in n for n in page["notices"])
    assert any("the next planting, broccoli of 2026-08-20" in n for n in page["notices"])


def test_before_the_first_crop_all_holes_are_new(change: Change) -> None:
    page = page_of(change("--from", "2026-01-01", "--to", "2026-06-01", "--json"))
    assert page["zones"]["beds"]["from"] is None
    assert {h["state"] for h in page["zones"]["beds"]["holes"]} == {"new"}
    # three single tapes of 80 ft, two times two of 40 ft
    assert page["parts"]["row_starts"] == 3 + 4
    assert page["parts"]["tape_m"] == pytest.approx((3 * 80 + 4 * 40) * FOOT, abs=1e-3)


def test_the_same_date_changes_nothing(change: Change) -> None:
    page = page_of(change("--from", "2026-06-01", "--to", "2026-06-01", "--json"))
    assert not any(zone["changes"] for zone in page["zones"].values())
    assert page["parts"]["tape_with_waste_m"] == 0
    assert "no change: all 3 holes stay" in change("--from", "2026-06-01", "--to", "2026-06-01").output


def test_another_file_is_taken_at_its_first_plantings(change: Change, tmp_path: Path) -> None:
    """Next year's file: beds in rows of 30 in, no side any more, herbs before the beds."""
    text = plot_text().replace(
        "{count: 3, length: 80 ft, spacing: 5 ft}", "{count: 6, length: 80 ft, spacing: 30 in}"
    )
    head, _, side = text.partition("  side:\n")
    before, beds, rest = head.partition("  beds:\n")
    herbs = "  herbs:\n" + side.replace("count: 2", "count: 1")
    (tmp_path / "next.yaml").write_text(before + herbs + beds + rest.replace("2026-04-10", "2027-04-10"))
    answer = change("--from", "2026-09-20", "--to", str(tmp_path / "next.yaml"), "--json")
    page = page_of(answer)
    assert list(page["zones"]) == ["herbs", "beds", "side"]
    assert {h["state"] for h in page["zones"]["side"]["holes"]} == {"plug"}
    assert {h["state"] for h in page["zones"]["herbs"]["holes"]} == {"new"}
    assert page["zones"]["beds"]["begins_m"] == pytest.approx(3 * FOOT)
    assert page["zones"]["beds"]["to"]["count"] == 6
    assert any("new tape laid 2027-04-10" in n for n in page["notices"])
    assert any(n.startswith("side: not in") for n in page["notices"])


def test_two_files_need_no_garden_of_ones_own(change: Change, tmp_path: Path) -> None:
    (tmp_path / "garden.yaml").rename(tmp_path / "a.yaml")
    (tmp_path / "b.yaml").write_text(plot_text())
    answer = change("--from", "a.yaml", "--to", "b.yaml", "--json")
    page = page_of(answer)
    assert not any(zone["changes"] for zone in page["zones"].values())
    assert "b.yaml is taken at the first planting of each zone" in page["notices"]


# --- what is refused -----------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("args", "message"),
    [
        (("--from", "june", "--to", "2026-09-20"), '"june" is neither a date nor a file'),
        (("--from", "2026-06-01", "--to", "none.yaml"), "neither a date nor a file"),
        ((*SPRING_TO_FALL, "--tolerance", "1"), '--tolerance: "1" has no unit'),
        ((*SPRING_TO_FALL, "--tolerance", "-1 in"), "--tolerance: .* below 0"),
        ((*SPRING_TO_FALL, "--tolerance", "10 in"), "side: its take-offs stand 11.81 in .* too near"),
        ((*SPRING_TO_FALL, "--waste", "150%"), "--waste: "),
        ((*SPRING_TO_FALL, "--waste=-5%"), "--waste: "),
    ],
)
def test_refused_with_status_2(change: Change, args: tuple[str, ...], message: str) -> None:
    error = change(*args).exception
    assert isinstance(error, BadInput)
    assert error.exit_status == 2
    with pytest.raises(BadInput, match=message):
        raise error


def test_options_of_tolerance_and_waste_are_used(change: Change) -> None:
    page = page_of(change(*SPRING_TO_FALL, "--tolerance", "0.25 in", "--waste", "10%", "--json"))
    assert page["tolerance_m"] == pytest.approx(0.25 * INCH, abs=1e-4)
    assert page["parts"]["tape_with_waste_m"] == pytest.approx(528 * FOOT, abs=1e-3)  # 480 ft and a tenth


@pytest.mark.parametrize(
    ("inches", "text"),
    [(45, "3 ft 9 in"), (36, "3 ft"), (0, "0 in"), (9, "9 in"), (35.8, "3 ft"), (14.5, "1 ft 2.5 in")],
)
def test_places_in_feet_and_inches(inches: float, text: str) -> None:
    assert show_place(inches * INCH, "us") == text
