"""`--plot`: the drawings of check, week, weather, season and of a zone, each beside the numbers it shows."""

from __future__ import annotations

import sys
import xml.etree.ElementTree as ET
from collections import Counter
from pathlib import Path

import pytest
from cli.conftest import Grower

DAY = "2015-07-09"
SVG = "{http://www.w3.org/2000/svg}"
BEGINS = {"png": b"\x89PNG\r\n\x1a\n", "pdf": b"%PDF-"}  # W3C PNG, 5.2; ISO 32000-1, 7.5.2


@pytest.fixture
def season(grower: Grower) -> Grower:
    grower.weeks("2015-07-05", DAY)
    assert grower("day", "--date", DAY).status in (0, 3)
    return grower


def drawn(path: Path) -> tuple[ET.Element, Counter[str]]:
    """The picture, and how many marks of each kind it has."""
    root = ET.parse(path).getroot()
    assert root.attrib["role"] == "img"
    spoken = {one.attrib["id"]: one.text for one in root if "id" in one.attrib}
    assert all(spoken[name] for name in root.attrib["aria-labelledby"].split())
    assert "nan" not in path.read_text().lower().replace("nance", "")
    return root, Counter(kind for one in root.iter() for kind in one.attrib.get("class", "").split())


def words(root: ET.Element) -> str:
    return " ".join(one.text or "" for one in root.iter())


def test_the_pressure_of_every_row(season: Grower) -> None:
    said = season("check", "--offline", "--date", DAY, "--json", "--plot", "check.svg")
    assert "wrote check.svg" in said.err
    root, kinds = drawn(season.folder / "check.svg")
    rows = [row for zone in said.json["zones"].values() for row in zone["rows"]]
    assert kinds["edge"] == len(rows) + 1  # and the scale
    pieces = [one for one in root.iter(f"{SVG}rect") if "fill" in one.attrib]
    assert len(pieces) == 10 * len(rows) + 6
    highest = max(row["inlet_kpa"] for row in rows) / 6.894757293168  # kPa per psi, NIST SP 811
    assert f"{highest:.1f} psi" in words(root)
    assert all(zone in words(root) for zone in said.json["zones"])


def test_the_week_of_every_zone(season: Grower) -> None:
    said = season("week", "--date", DAY, "--json", "--plot", "week.svg")
    root, kinds = drawn(season.folder / "week.svg")
    watered = [day for day in said.json["days"] if day["net_mm"] > 0]
    zones = {day["zone"] for day in said.json["days"]}
    assert kinds["water"] == len(watered)
    assert kinds["deficit"] == len(zones) + 1  # and the legend
    assert all(zone in words(root) for zone in zones)


def test_a_zone_with_its_past_and_its_week(season: Grower) -> None:
    assert season("why", "beans", "--plot", "beans.svg").status == 0
    root, kinds = drawn(season.folder / "beans.svg")
    week = [d for d in season("week", "--date", DAY, "--json").json["days"] if d["zone"] == "beans"]
    log = season("log", "--from", "2015-07-05", "--to", "2015-07-08", "--json").json["days"]
    given = [line for line in log if line["zone"] == "beans" and line["net_mm"]]
    assert kinds["water"] == len(given) + sum(day["net_mm"] > 0 for day in week)
    assert kinds["ahead"] == 1
    assert kinds["doubt"] == 1 + 1
    assert "Ahead, up to 2015-07-15" in words(root)


def test_a_season_of_every_zone(season: Grower) -> None:
    said = season(
        "season", "--weather", "weather.csv", "--from", "2015-06-01", "--to", "2015-07-31",
        "--unlimited", "--json", "--plot", "season.svg",
    )  # fmt: skip
    _, kinds = drawn(season.folder / "season.svg")
    assert kinds["water"] == sum(zone["runs"] for zone in said.json["zones"].values())
    assert kinds["doubt"] == len({(d["zone"], d["crop"]) for d in said.json["days"]})
    assert any(day["trigger_mm"] for day in said.json["days"])


def test_the_weather(season: Grower) -> None:
    said = season("weather", "--date", DAY, "--json", "--plot", "weather.svg")
    _, kinds = drawn(season.folder / "weather.svg")
    days = said.json["days"]
    assert kinds["air"] == sum("tmin_c" in day["values"] and "tmax_c" in day["values"] for day in days) + 1
    assert kinds["guessed"] == sum(bool(day["estimated"] and day["et0_mm"]) for day in days) + 1
    assert kinds["ahead"] == 1


@pytest.mark.parametrize("kind", sorted(BEGINS))
def test_other_kinds_of_file(season: Grower, kind: str) -> None:
    assert season("week", "--date", DAY, "--plot", f"week.{kind}").status in (0, 3)
    content = (season.folder / f"week.{kind}").read_bytes()
    assert content.startswith(BEGINS[kind])
    assert len(content) > 5_000


def test_a_kind_that_cannot_be_is_refused_before_anything_is_done(grower: Grower) -> None:
    for command in (
        ["check"],
        ["week"],
        ["weather"],
        ["why", "beans"],
        ["season", "--weather", "weather.csv"],
    ):
        said = grower(*command, "--plot", "picture.doc")
        assert said.status == 2
        assert "a plot is a .svg, a .png or a .pdf" in said.err


def test_without_the_library_it_says_what_to_install(season: Grower, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setitem(sys.modules, "cairosvg", None)
    said = season("week", "--date", DAY, "--plot", "week.png")
    assert said.status == 1
    assert "pip install 'rowwater[plot]'" in said.err
    assert not (season.folder / "week.png").exists()
    assert season("week", "--date", DAY, "--plot", "week.svg").status in (0, 3)
