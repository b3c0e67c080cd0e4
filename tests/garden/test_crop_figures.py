"""What the shipped crops say from seed to lifting, against the reference tables row by row (tests/reference).

Kcb: FAO-56 Table 17.  Salt: Maas 1990 (US Salinity Laboratory), the rest as salt_tolerance.csv says.
Emergence: Bierhuizen and Wagenvoort 1974, from memory.  Ky: FAO-33, from memory.  How a crop starts, its seed
depth and the frost that kills it: common practice, no source; drying off: from memory.
"""

from __future__ import annotations

import csv
from pathlib import Path

import pytest

from scheduler.garden.crops import CropBook
from scheduler.model import DryOff, Emergence, HeatUnits

REFERENCE = Path(__file__).parents[1] / "reference"
STAGES = ("vegetative", "flowering", "yield_formation", "ripening")
BOOK = CropBook(None, "us")


def rows(name: str) -> list[dict[str, str]]:
    with (REFERENCE / name).open(newline="", encoding="utf-8") as file:
        return list(csv.DictReader(file))


def by_crop(name: str) -> dict[str, dict[str, str]]:
    return {row["crop"]: row for row in rows(name)}


BASAL, HEAT = by_crop("crops_fao56.csv"), by_crop("heat_units.csv")
SALT, YIELD = by_crop("salt_tolerance.csv"), by_crop("yield_response.csv")
every_crop = pytest.mark.parametrize("row", rows("crop_second_edition.csv"), ids=lambda row: row["crop"])


def crop_of(row):
    name = BOOK.find(row["crop"])
    assert name is not None
    return BOOK.crop(name)


def some(text: str) -> float | None:
    return float(text) if text else None


@every_crop
def test_basal_coefficients_are_those_of_table_17(row):
    figures = BASAL[row["crop"]]
    assert crop_of(row).kcb == tuple(float(figures[f"Kcb_{stage}"]) for stage in ("ini", "mid", "end"))


@every_crop
def test_how_a_crop_starts_dries_off_and_dies(row):
    crop = crop_of(row)
    assert (crop.by, crop.seed_depth_m) == (row["by"], pytest.approx(float(row["seed_depth_mm"]) / 1000))
    days = int(row["dry_off_days"])
    assert crop.dry_off == (DryOff(days, some(row["dry_off_refill_at"])) if days else None)
    assert crop.killed_below_c == float(row["killed_below_c"])


@every_crop
def test_warmth_until_a_seed_shows_and_until_a_stage_ends(row):
    crop, figures = crop_of(row), HEAT.get(row["heat_row"])
    if figures is None:
        assert (crop.emergence, crop.heat) == (None, None)
        return
    known = some(figures["emergence_sum_c_days"])
    assert crop.emergence == (known and Emergence(known, float(figures["emergence_base_c"])))
    base = some(figures["base_c"])
    heat = base and HeatUnits(base, some(figures["upper_c"]), figures["method"])
    assert crop.heat == heat


@every_crop
def test_salt_that_a_crop_bears(row):
    crop = crop_of(row)
    if not row["salt_row"]:
        assert crop.ec_threshold_ds_m is None
        return
    figures = SALT[row["salt_row"]]
    assert crop.ec_threshold_ds_m == float(figures["threshold_ds_m"])
    assert crop.ec_slope_pct == float(figures["slope_pct_per_ds_m"])


@every_crop
def test_yield_against_use(row):
    response = crop_of(row).yield_response
    if not row["yield_row"]:
        other = {"soybean (edamame)": 0.85, "sunflower": 0.95}.get(row["crop"])  # FAO-33, from memory
        assert (response and response.season) == other
        return
    figures = YIELD[row["yield_row"]]
    assert response is not None
    assert response.season == float(figures["season"])
    assert [getattr(response, stage) for stage in STAGES] == [some(figures[stage]) for stage in STAGES]


def test_a_crop_like_another_keeps_what_does_not_fit_it():
    """A leek is lifted green: no drying off, as the onion it is like has (common practice, no source)."""
    leek, onion = BOOK.crop("leek"), BOOK.crop("onion")
    assert (leek.like, leek.dry_off, onion.dry_off) == ("onion", DryOff(0), DryOff(10))
    assert (leek.kcb, leek.ec_threshold_ds_m) == (onion.kcb, onion.ec_threshold_ds_m)
    assert leek.emergence == Emergence(222, 1.7)
    assert BOOK.crop("lentil").heat is None
