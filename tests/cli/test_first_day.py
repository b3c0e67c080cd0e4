"""From nothing to the second morning, by a grower who types what the README says."""

from __future__ import annotations

from datetime import datetime
from zoneinfo import ZoneInfo

import pytest
from cli.conftest import Grower

PLACE = (
    "--latitude", "47.44", "--longitude", "-122.31",
    "--elevation", "433 ft", "--timezone", "America/Los_Angeles",
)  # fmt: skip


def set_clock(monkeypatch: pytest.MonkeyPatch, at: str) -> None:
    now = datetime.fromisoformat(at)
    monkeypatch.setattr("scheduler.clock.site_now", lambda zone: now.replace(tzinfo=ZoneInfo(zone)))


def test_from_init_to_the_second_morning(grower: Grower, monkeypatch: pytest.MonkeyPatch) -> None:
    grower.garden.unlink()
    path = grower.folder / "weather.csv"
    head, *rows = path.read_text().splitlines()
    path.write_text("\n".join([head, *(row for row in rows if row >= "2015-03")]) + "\n")
    set_clock(monkeypatch, "2015-06-30T19:00")
    assert grower().status == 2  # `rowwater` alone points to init
    said = grower("init", "--yes", *PLACE, "--garden", "North bed", "--planted", "2015-05-10")
    assert said.status == 0, said.err
    assert "next: edit garden.yaml, then rowwater check" in said.out
    grower.edit("- service: open-meteo", "- file: {path: weather.csv}")
    said = grower("check", "--offline")
    assert said.status == 0, said.out
    assert "hottest week not known" in said.out  # nothing is stored yet

    set_clock(monkeypatch, "2015-07-01T03:30")
    page = grower("day", "--json").json
    (zone,) = page["zones"]
    # it lay dry: the top 0.10 m of sandy loam can lose 17.5 mm (FAO-56 eq 73), the strip is 0.6 of 1.524 m
    assert (page["garden"], zone["zone"]) == ("North bed", "tomatoes")
    assert zone["deficit_start_mm"] == pytest.approx(17.5 * 0.6 / 1.524, abs=0.01)
    assert any("as the weather of the weeks before left it" in one["text"] for one in page["notices"])
    said = grower()
    assert said.status in (0, 3)
    assert "North bed" in said.out
    assert "tomatoes" in said.out

    # 60 cb in sandy loam is dry: more lacks than the top of it (a tensiometer's usual 20 to 40 cb to start
    # watering at on such soil: common practice, no source)
    set_clock(monkeypatch, "2015-07-01T09:00")
    said = grower("note", "soil", "tomatoes", "60cb")
    assert said.status in (0, 3), said.err
    set_clock(monkeypatch, "2015-07-02T03:30")
    page = grower("day", "--json").json
    (zone,) = page["zones"]
    assert zone["deficit_start_mm"] > 10
    assert {run["zone"] for run in page["runs"]} == {"tomatoes"}
    assert not any("the record begins" in one["text"] for one in page["notices"])
    assert "tomatoes" in grower().out
    # the weather is on record now
    assert "hottest week, " in grower("check", "--offline").out


def test_the_reference_works_as_a_garden_too(grower: Grower, monkeypatch: pytest.MonkeyPatch) -> None:
    set_clock(monkeypatch, "2015-07-01T03:30")
    assert grower("init", "plot.yaml", "--yes", *PLACE).status == 0
    assert grower("check", "--offline", "--config", "garden.reference.yaml").status == 0
