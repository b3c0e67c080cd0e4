"""`rowwater crops`: the table, what a word finds in it, with and without a garden."""

from __future__ import annotations

from collections.abc import Callable

import pytest
from cli.conftest import Grower

from scheduler import tables


def test_the_table_has_every_crop_and_every_other_name(grower: Grower) -> None:
    page = grower("crops", "--json").json
    assert [line["crop"] for line in page["crops"]] == list(tables.crops())
    text = grower("crops").out
    assert all(line["crop"] in text for line in page["crops"])
    assert "zucchini" in text
    tomato = page["crops"][0]
    # FAO-56 Table 12 (Kc), 11 (lengths), 22 (roots, depletion)
    assert [stage["kc"] for stage in tomato["stages"]] == [0.60, 1.15, 1.15, 0.80]
    assert [stage["days"] for stage in tomato["stages"]] == [30, 40, 45, 30]
    assert (tomato["root_depth_m"]["full"], tomato["depletion"], tomato["like"]) == (0.7, 0.4, None)
    # Table 17 (Kcb); Maas 1990 (salt)
    assert tomato["kcb"] == {"initial": 0.15, "mid_season": 1.10, "late_season": 0.70}
    assert (tomato["ec_threshold_ds_m"], tomato["ec_slope_pct"]) == (2.5, 9.9)
    assert (tomato["by"], tomato["dry_off"], tomato["killed_below_c"]) == ("transplants", None, -1)


def test_one_crop_from_seed_to_lifting(grower: Grower) -> None:
    said = grower("crops", "cantaloupe").out
    assert "dries off 10 days before lifting, watered only when 100% of the easily used" in said
    assert "killed below 30 F" in said
    assert "from sets" in grower("crops", "potato").out
    assert "sown 0.39 in deep, up after 306 F-days over 34 F" in grower("crops", "carrot").out


@pytest.mark.parametrize(
    ("word", "found"),
    [
        ("leeks", ["leek"]), ("squash", ["summer squash", "winter squash"]), ("swiss chard", ["swiss chard"]),
        ("ZUCCHINI", ["summer squash"]), ("tomatto", ["tomato"]),
    ],
)  # fmt: skip
def test_a_word_finds(grower: Grower, word: str, found: list[str]) -> None:
    assert [line["crop"] for line in grower("crops", *word.split(), "--json").json["crops"]] == found


def test_what_is_not_found_gets_its_neighbours_and_the_way_to_a_new_crop(grower: Grower) -> None:
    said = grower("crops", "skirret")
    assert (said.status, said.out) == (2, "")
    assert 'did you mean "sorrel"?' in said.err
    assert '"skirret: {like: NAME}" in crops.yaml' in said.err


@pytest.mark.parametrize("width", [40, 80])
def test_crops_fit_the_width(
    grower: Grower, monkeypatch: pytest.MonkeyPatch, golden: Callable[[str, str], None], width: int
) -> None:
    monkeypatch.setenv("COLUMNS", str(width))
    assert max(map(len, grower("crops").out.splitlines())) <= width
    golden(f"crops-{width}.txt", grower("crops", "leek").out + grower("crops", "squash").out)


def test_without_a_garden_the_shipped_table(grower: Grower, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.delenv("ROWWATER_CONFIG")
    monkeypatch.setattr("scheduler.places.SYSTEM_CONFIG", grower.folder / "none")
    monkeypatch.setenv("HOME", str(grower.folder))
    grower.garden.unlink()
    assert "cm" in grower("crops", "leek").out
    assert grower("--config", "absent.yaml", "crops").status == 2


def test_a_season_day_with_a_crop_like_another(grower: Grower) -> None:
    """Typed wrong, then as the complaint says, then planned: each step as a grower takes it."""
    grower.edit("crop: bush bean", "crop: skirret")
    said = grower("day", "--date", "2015-07-01")
    assert said.status == 2
    assert "skirret: {like: NAME}" in said.err
    crops = grower.folder / "crops.yaml"
    crops.write_text("skirret: {like: parsnp}\n")
    assert 'crops.yaml:1: skirret.like: "parsnp"' in grower("day", "--date", "2015-07-01").err
    crops.write_text("skirret: {like: parsnip, depletion: 0.35}\n")
    planned = grower("day", "--date", "2015-07-01", "--json")
    assert planned.status in (0, 3)
    assert "skirret" in [row["crop"] for row in planned.json["zones"]]
    told = grower("check", "--date", "2015-07-01").out
    assert told.count("skirret has no figures of its own: those of parsnip stand in") == 1
    (line,) = grower("crops", "skirret", "--json").json["crops"]
    assert (line["like"], line["depletion"]) == ("parsnip", 0.35)
