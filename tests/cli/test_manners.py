"""Exit status, streams, bad input, narrow terminals and pipes: what scripts and half-awake people rely on."""

from __future__ import annotations

import json
import os
import subprocess
import sys
from pathlib import Path

import pytest
from cli.conftest import Grower


@pytest.fixture
def an_easy_week(grower: Grower) -> None:
    """One coefficient begins with full soil, so that everything fits the hours."""
    grower.edit("display: us", "display: us\ncrop_coefficient: single")


def run(grower: Grower, *args: str, **more: object) -> subprocess.CompletedProcess[str]:
    return subprocess.run(
        [sys.executable, "-m", "scheduler.cli.main", *args], capture_output=True, text=True, timeout=60,
        cwd=grower.folder, env=os.environ | {"PYTHONPATH": str(Path(__file__).parents[2])}, **more,
    )  # fmt: skip


@pytest.mark.usefixtures("an_easy_week")
@pytest.mark.parametrize(
    ("args", "status", "words"),
    [
        (["day", "--date", "2015-07-01"], 0, ""),
        (["morning"], 1, "no plan yet"),
        (["why", "beans"], 1, "no plan yet"),
        (["why", "tomatos"], 2, 'did you mean "tomatoes"?'),
        (["mornin"], 2, 'did you mean "morning"?'),
        (["day", "--date", "2015-02-30"], 2, "is not a date"),
        (["note", "applied", "beans"], 2, "give ZONE and AMOUNT"),
        (["note", "applied", "beans", "forty"], 2, "neither a time nor a volume"),
        (["note", "applied", "--as-planned"], 2, "answered already"),
        (["note", "rain", "0.6"], 2, "0.6"),
        (["note", "rain", "nan in"], 2, "nan in"),
        (["season", "--weather", "absent.csv"], 2, "absent.csv"),
        (
            ["season", "--weather", "weather.csv", "--from", "2015-07-01", "--to", "2015-06-01"],
            2,
            "nothing to",
        ),
        (
            ["season", "--weather", "weather.csv", "--from", "2011-07-01", "--to", "2011-07-05"],
            1,
            "2011-07-01",
        ),
        (["--config", "absent.yaml", "day"], 2, "absent.yaml"),
        (["check", "--date", "2015-07-01"], 0, ""),
    ],
)
def test_exit_status_and_words(grower: Grower, args: list[str], status: int, words: str) -> None:
    said = grower(*args)
    assert said.status == status, said
    assert words in said.err
    if status in (1, 2):
        assert said.out == ""


@pytest.mark.usefixtures("an_easy_week")
def test_status_3_once_where_a_source_fell_silent(grower: Grower) -> None:
    """One day without rain told is a remark; the second is a gauge that stopped; the third is known."""
    for day in ("2015-07-04", "2015-07-05", "2015-07-06"):
        grower.edit_weather(day, rain_mm="")
    said = {}
    for day in range(1, 8):
        said[day] = grower("day", "--date", f"2015-07-0{day}")
        grower("note", "applied", "--as-planned", "--date", f"2015-07-0{day}")
    assert [said[day].status for day in range(1, 8)] == [0, 0, 0, 0, 0, 3, 0]
    assert "nobody reported rain for 2015-07-04" in said[5].out
    assert "nobody reported rain for 2 days" in said[6].out
    assert "nobody reported rain for 3 days" in said[7].out
    assert grower("morning", "--date", "2015-07-07").status == 0


def test_a_stale_page_says_how_old_it_is(grower: Grower) -> None:
    grower("day", "--date", "2015-07-01")
    said = grower("morning", "--date", "2015-07-03")
    assert said.status == 3
    assert said.out.splitlines()[1].startswith("! This plan is 2 days old")


@pytest.mark.usefixtures("an_easy_week")
def test_all_complaints_of_a_broken_garden_at_once(grower: Grower) -> None:
    grower("day", "--date", "2015-07-01")
    before = (grower.data / "today.json").read_bytes()
    grower.edit("spacing: 5 ft", "spaceing: 5 ft")
    grower.edit("crop: bush bean", "crop: bush been")
    said = grower("day", "--date", "2015-07-02")
    assert said.status == 2
    assert 'did you mean "spacing"?' in said.err
    assert 'did you mean "bush bean"?' in said.err
    assert all(line.startswith(("garden.yaml:", "  hint")) for line in said.err.splitlines())
    assert (grower.data / "today.json").read_bytes() == before
    assert grower("morning", "--date", "2015-07-01").status == 0


@pytest.mark.parametrize("width", [60, 80, 120])
def test_the_summary_fits_the_width(grower: Grower, monkeypatch: pytest.MonkeyPatch, width: int) -> None:
    grower.weeks("2015-06-29", "2015-07-02")
    grower("day", "--date", "2015-07-02")
    monkeypatch.setenv("COLUMNS", str(width))
    said = grower("morning", "--date", "2015-07-02")
    assert max(map(len, said.out.splitlines())) <= width
    assert "\x1b" not in said.out
    for zone in ("tomatoes", "beans", "lettuce", "squash"):
        assert zone in said.out


def test_a_garden_of_forty_zones_still_fits_the_screen(grower: Grower) -> None:
    text = grower.garden.read_text()
    block = text[text.index("  squash:") : text.index("  onions:")]
    grower.garden.write_text(text + "".join(block.replace("squash:", f"squash{i}:") for i in range(36)))
    grower("day", "--date", "2015-07-02")
    said = grower("morning", "--date", "2015-07-02")
    assert len(said.out.splitlines()) <= 24
    assert "rowwater morning --all" in said.out
    assert len(grower("morning", "--date", "2015-07-02", "--all").out.splitlines()) > 40


def test_a_closed_pipe_and_a_full_disk_leave_no_traceback(grower: Grower) -> None:
    grower("day", "--date", "2015-07-01")
    command = f"{sys.executable} -m scheduler.cli.main morning --all --json"
    root = Path(__file__).parents[2]
    env = os.environ | {"PYTHONPATH": str(root)}
    piped = subprocess.run(
        f"{command} | head -1", shell=True, capture_output=True, text=True, env=env, timeout=60
    )
    assert piped.stdout == "{\n"
    assert piped.stderr == ""
    full = subprocess.run(
        f"{command} > /dev/full", shell=True, capture_output=True, text=True, env=env, timeout=60
    )
    assert full.returncode == 1
    assert "No space left" in full.stderr
    assert "Traceback" not in full.stderr


def test_results_to_stdout_all_else_to_stderr(grower: Grower) -> None:
    said = run(grower, "season", "--weather", "weather.csv", "--json")
    assert said.returncode == 0
    page = json.loads(said.stdout)
    assert set(page) >= {"garden", "from", "to", "zones", "days"}


def test_no_weather_at_all_is_refused_not_guessed(grower: Grower) -> None:
    grower.edit("    - file: {path: weather.csv}", "    - file: {path: absent.csv}")
    said = grower("day", "--date", "2015-07-01")
    assert said.status == 1
    assert "no temperatures" in said.err
    assert not (grower.data / "today.json").exists()


def test_a_gap_in_the_weather_is_filled_and_said(grower: Grower) -> None:
    grower.edit_weather("2015-06-30", tmin_c="", tmax_c="")
    grower("day", "--date", "2015-06-30")
    page = grower("day", "--date", "2015-07-01", "--json").json
    yesterday = page["weather"]["yesterday"]
    assert yesterday["et0_method"] == "climatology"  # three earlier years are in the record
    assert yesterday["et0_mm"] > 1
    assert any("stand-in (climatology)" in n["text"] for n in page["notices"])


@pytest.mark.usefixtures("an_easy_week")
def test_a_damaged_database_is_set_aside_and_said(grower: Grower) -> None:
    grower.weeks("2015-06-29", "2015-07-01")
    (grower.data / "rowwater.db").write_bytes(b"not a database" * 1000)
    for ending in ("-wal", "-shm"):
        (grower.data / f"rowwater.db{ending}").unlink(missing_ok=True)
    said = grower("day", "--date", "2015-07-02", "--json")
    assert said.status == 3
    assert any("set aside" in n["text"] for n in said.json["notices"])
    assert all(zone["deficit_mm"] == 0 for zone in said.json["zones"])  # today counts as watered
    assert list(grower.data.glob("rowwater.db.broken-*"))


@pytest.mark.parametrize("by", ["--config", "$ROWWATER_CONFIG"])
def test_a_folder_named_as_garden_is_called_one(
    grower: Grower, monkeypatch: pytest.MonkeyPatch, by: str
) -> None:
    monkeypatch.setenv("ROWWATER_CONFIG", str(grower.folder))
    named = ("--config", str(grower.folder)) if by == "--config" else ()
    said = grower(*named, "day")
    assert (said.status, said.out) == (2, "")
    assert said.err == f"rowwater: {grower.folder} is a folder: name the file in it (named by {by})\n"
