"""The report of a season, as the grower gets it after the last harvest: each number held against what other
commands say of the same records, and the file against the rules of a page that needs nothing but itself.

The garden is the invented Creekside plot on a real record (Seattle 2015, tests/weather/README.md).
"""

from __future__ import annotations

import csv
import io
import json
import re
import xml.etree.ElementTree as ET
from html.parser import HTMLParser
from pathlib import Path

import pytest
from cli.conftest import CREEKSIDE, Clock, Grower

FIRST, AFTER = "2015-06-26", "2015-07-09"
SHIPPED = CREEKSIDE / "report.html"
MADE = "2015-07-09T07:15:00"


@pytest.fixture
def season(grower: Grower, clock: Clock) -> Grower:
    """Two weeks as `examples/first-morning.sh` lives them, and the morning after."""
    grower.weeks(FIRST, AFTER)
    assert grower("note", "chore", "flush", "--date", "2015-07-08").status == 0
    assert grower("day", "--date", AFTER).status in (0, 3)
    clock(MADE)
    return grower


class Page(HTMLParser):
    """What a browser would fetch or run, and whether every element is closed."""

    VOID = {"meta", "link", "img", "br", "hr", "input"}

    def __init__(self) -> None:
        super().__init__()
        self.open: list[str] = []
        self.fetched: list[str] = []
        self.tags: list[str] = []

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.append(tag)
        self.fetched += [value or "" for name, value in attrs if name in ("src", "href", "action", "data")]
        assert not [name for name, _ in attrs if name.startswith("on")]
        if tag not in self.VOID:
            self.open.append(tag)

    def handle_endtag(self, tag: str) -> None:
        assert self.open.pop() == tag


def test_two_weeks_in_one_file(season: Grower, request: pytest.FixtureRequest) -> None:
    said = season("report", "season.html", "--json")
    assert said.status == 0, said.err
    assert "wrote season.html" in said.err
    text = (season.folder / "season.html").read_text(encoding="utf-8")
    _needs_nothing_but_itself(text)
    _agrees_with_the_log(said.json, season)
    _agrees_with_why(said.json, season)
    _agrees_with_the_season_simulated(said.json, season)
    _tables_say_the_same(said.json, season)
    if request.config.getoption("--refresh-golden"):
        SHIPPED.write_text(text, encoding="utf-8")
    assert text == SHIPPED.read_text(encoding="utf-8"), (
        "examples/creekside/report.html is not of this version"
    )


def _needs_nothing_but_itself(text: str) -> None:
    page = Page()
    page.feed(text)
    assert not page.open
    assert page.fetched == []
    assert "script" not in page.tags
    assert "@import" not in text
    assert "url(" not in text
    pictures = re.findall(r"<svg.*?</svg>", text, flags=re.DOTALL)
    assert len(pictures) == 1 + 5  # months, and each zone in which a crop stands
    ids: list[str] = []
    for picture in pictures:
        svg = ET.fromstring(picture)
        named = svg.attrib["aria-labelledby"].split()
        spoken = {one.attrib["id"]: one.text for one in svg if "id" in one.attrib}
        assert svg.attrib["role"] == "img"
        assert all(spoken[name] for name in named)
        ids += named
        assert "NaN" not in picture
    assert len(ids) == len(set(ids))


def _agrees_with_the_log(page: dict, grower: Grower) -> None:  # type: ignore[type-arg]
    log = grower("log", "--from", page["from"], "--to", page["to"], "--json").json
    for name, zone in page["zones"].items():
        of_months = sum(line["given_l"] for line in page["months"] if line["zone"] == name)
        assert zone["given_l"] == pytest.approx(log["zones"].get(name, {"liters": 0})["liters"], abs=1e-3)
        assert of_months == pytest.approx(zone["given_l"], abs=1e-3)
        assert zone["least_l"] <= zone["given_l"] <= zone["most_l"]


def _agrees_with_why(page: dict, grower: Grower) -> None:  # type: ignore[type-arg]
    """The last morning's deficit carried on by one day's balance is what that morning's page has."""
    for name, days in page["curves"].items():
        last = days[-1]
        assert last["date"] == "2015-07-08"
        morning = grower("day", "--date", "2015-07-08", "--json").json
        line = next(zone for zone in morning["zones"] if zone["zone"] == name)
        assert last["deficit_mm"] == pytest.approx(line["deficit_start_mm"], abs=1e-3)
        assert last["taw_mm"] == pytest.approx(line["taw_mm"], abs=1e-3)


def _agrees_with_the_season_simulated(page: dict, grower: Grower) -> None:  # type: ignore[type-arg]
    """What is asked with water without limit is `season --unlimited` on the same record."""
    said = grower(
        "season", "--weather", str(grower.folder / "weather.csv"), "--unlimited", "--json",
        "--from", page["from"], "--to", page["to"],
    )  # fmt: skip
    for name, zone in said.json["zones"].items():
        assert page["zones"][name]["asked_l"] == pytest.approx(zone["liters"], rel=1e-6, abs=1e-3)


def _tables_say_the_same(page: dict, grower: Grower) -> None:  # type: ignore[type-arg]
    rows = list(csv.DictReader(io.StringIO(grower("report", "--csv").out)))
    got = {(r["table"], r["month"], r["zone"], r["what"]): r["value"] for r in rows}
    for line in page["months"]:
        assert float(got["months", line["month"], line["zone"], "given_l"]) == line["given_l"]
    for name, zone in page["zones"].items():
        assert float(got["zones", "", name, "percolation_mm"]) == zone["percolation_mm"]


@pytest.mark.parametrize(
    ("args", "words"),
    [
        ((), "say where the report goes"),
        (("season.pdf",), "the report is an .html"),
        (("r.html", "--from", "2016-05-01", "--to", "2016-05-02"), "only days that are over"),
        (("r.html", "--from", "2015-07-08", "--to", "2015-07-01"), "nothing is on record"),
    ],
)
def test_what_is_typed_wrong_is_said(grower: Grower, clock: Clock, args: tuple[str, ...], words: str) -> None:
    assert grower("day", "--date", "2015-07-01").status in (0, 3)
    assert grower("day", "--date", "2015-07-02").status in (0, 3)
    clock(MADE)
    said = grower("report", *args)
    assert said.status == 2
    assert words in said.err
    assert not list(grower.folder.glob("*.html"))


def test_nothing_on_record_is_said(grower: Grower) -> None:
    said = grower("report", "r.html")
    assert said.status == 1
    assert "nothing is on record yet" in said.err


def test_what_the_garden_is_called_stays_text(grower: Grower, clock: Clock) -> None:
    """Names come from a file that may have come from anywhere."""
    grower.edit("garden: Creekside plot", 'garden: "<script>alert(1)</script> & sons"')
    grower.edit("  squash:\n", '  "<script>alert(2)</script>":\n')
    grower.edit("  hours:", '  water_price: {amount: 5.20, per: 1000 gal, currency: "<b>"}\n  hours:')
    for day in ("2015-07-01", "2015-07-02"):
        assert grower("day", "--date", day).status in (0, 3)
    clock(MADE)
    said = grower("report", "r.html", "--json")
    assert said.status == 0, said.err
    text = (grower.folder / "r.html").read_text(encoding="utf-8")
    assert "<script" not in text
    assert "&lt;script&gt;" in text
    assert "&lt;b&gt;" in text
    cost = said.json["cost"]
    assert cost["per_l"] == pytest.approx(5.20 / 3785.411784)  # NIST SP 811: 3.785411784 L to the gallon
    assert cost["given"] == 0
    assert any("were never answered" in line for line in said.json["remarks"])
    assert json.loads(json.dumps(said.json)) == said.json


def test_a_disk_that_refuses_leaves_the_last_report(season: Grower) -> None:
    (season.folder / "there.html").mkdir()
    said = season("report", "there.html")
    assert said.status == 1
    assert "there.html" in said.err
    assert Path(season.folder / "there.html").is_dir()
