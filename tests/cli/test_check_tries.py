"""`check` opens every file that garden.yaml names and asks every source; `--offline` opens none."""

from __future__ import annotations

from cli.conftest import Grower

DAY = ("--date", "2015-07-09")


def test_each_source_has_a_line_with_its_newest_day(grower: Grower) -> None:
    said = grower("check", *DAY)
    assert said.status == 0
    assert "file weather.csv: 176 days of forecast, last day 2015-07-08" in said.out
    path = grower.folder / "weather.csv"
    head, *rows = path.read_text().splitlines()
    kept = [row for row in rows if row < "2015-06-28"]
    path.write_text("\n".join([head, *kept]) + "\n")
    said = grower("check", *DAY)
    assert said.status == 3
    assert "! file weather.csv: last day 2015-06-27, 12 days old" in said.out
    source = grower("check", *DAY, "--json").json["sources"][0]
    assert (source["name"], source["ok"]) == ("file weather.csv", False)


def test_what_cannot_be_opened_is_told_each_by_its_name(grower: Grower) -> None:
    grower.edit("- file: {path: weather.csv}", "- file: {path: weather.csv}\n    - file: {path: gone.csv}")
    grower.edit(
        "    valve: {by_hand: true}\n  beans",
        "    valve: {by_hand: true}\n    soil_sensor: {file: soil.csv, column: North, unit: cb}\n  beans",
    )
    grower.edit("display: us", "display: us\nbroker: {host: localhost, user: me, password_file: nowhere.txt}")
    said = grower("check", *DAY)
    assert said.status == 3
    assert "! file gone.csv: " in said.out
    assert "! soil sensor of tomatoes: " in said.out
    assert "! nowhere.txt: cannot be read: No such file or directory" in said.out
    assert "176 days of forecast" in said.out  # one that fails hides no other


def test_offline_opens_nothing(grower: Grower) -> None:
    (grower.folder / "weather.csv").unlink()
    said = grower("check", *DAY, "--offline")
    assert said.status == 0
    assert "weather.csv" not in said.out
    assert "sources" not in grower("check", *DAY, "--offline", "--json").json


def test_a_wrong_column_is_named(grower: Grower) -> None:
    path = grower.folder / "weather.csv"
    path.write_text(path.read_text().replace("tmax_c", "tmax", 1))
    said = grower("check", *DAY)
    assert said.status == 3
    assert "! file weather.csv: " in said.out
    assert "tmax" in said.out
