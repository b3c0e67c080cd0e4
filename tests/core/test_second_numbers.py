"""The slow second model against worked numbers (tests/reference/worked_model2.yaml has their origins)."""

from __future__ import annotations

import csv
import math
from pathlib import Path
from typing import Any

import pytest
import yaml
from core import second_model as m

REFERENCE = Path(__file__).parents[1] / "reference"
EXAMPLES = {e["id"]: e for e in yaml.safe_load((REFERENCE / "worked_model2.yaml").read_text())["examples"]}


def rows(name: str) -> list[dict[str, Any]]:
    example = EXAMPLES[name]
    return [dict(zip(example["columns"], row, strict=True)) for row in example["rows"]]


def near(printed: float) -> Any:
    """Right to its last printed digit."""
    digits = len(str(printed).partition(".")[2]) if "." in str(printed) else 0
    return pytest.approx(printed, abs=0.500001 * 10**-digits)


def soils() -> dict[str, m.Soil]:
    with (REFERENCE / "soil_surface.csv").open() as file:
        return {
            row["texture"]: m.Soil(
                float(row["theta_fc"]), float(row["theta_wp"]), row["class"], float(row["rew_mm"])
            )
            for row in csv.DictReader(file)
        }


def test_evaporable_water_is_that_of_the_table() -> None:
    """FAO-56 eq 73 and Table 19."""
    with (REFERENCE / "soil_surface.csv").open() as file:
        for row in csv.DictReader(file):
            assert soils()[row["texture"]].tew == near(float(row["tew_mm"]))


def test_the_part_of_the_strip_wet_on_top() -> None:
    for row in rows("surface-share"):
        assert m.wet_share(row["depth_m"], row["rise_m"]) == near(row["s"])


def test_a_day_of_the_two_parts_of_the_surface() -> None:
    soil = soils()["loam"]
    for row in rows("surface-parts"):
        pw = 0.6 / 1.524
        band = 0.6 * pw * m.wet_share(row["tape_depth_m"], m.RISE_M["medium"])
        kc_max = max(1.1, row["kcb"] + 0.05)
        fc = m.ground_cover(row["kcb"], kc_max, row["h_m"])
        few = m.bare_parts(fc, band, 1, row["mulch_cover"] if row["mulch"] == "film" else None)
        layer = m.Layer(row["de_i_mm"], row["de_p_mm"])
        w, ke_i, ke_p = layer.evaporates(soil, few, kc_max, row["kcb"], 6.0, 1.0)
        got = (band, kc_max, fc, *few, w, ke_i, ke_p, layer.i, layer.p)
        names = (
            "band",
            "kc_max",
            "fc",
            "few_i",
            "few_p",
            "w",
            "ke_i",
            "ke_p",
            "de_i_evening_mm",
            "de_p_evening_mm",
        )
        for name, value in zip(names, got, strict=True):
            assert value == near(row[name]), name


def test_seven_days_of_a_surface() -> None:
    given, soil = EXAMPLES["surface-seven-days"]["inputs"], soils()["loam"]
    layer = m.Layer(given["de_before_mm"], given["de_before_mm"])
    for row in rows("surface-seven-days"):
        layer.i = max(0.0, layer.i - row["rain_mm"] - row["water_mm_of_strip"])
        layer.p = max(0.0, layer.p - row["rain_mm"])
        assert (layer.i, layer.p) == (near(row["de_i_mm"]), near(row["de_p_mm"]))
        few = given["few_i"], given["few_p"]
        w, ke_i, ke_p = layer.evaporates(soil, few, given["kc_max"], given["kcb"], given["et0_mm"], 1.0)
        got = w, ke_i, ke_p, layer.i, layer.p
        for name, value in zip(("w", "ke_i", "ke_p", "de_i_evening_mm", "de_p_evening_mm"), got, strict=True):
            assert value == pytest.approx(row[name], abs=6e-4), (row["day"], name)


def test_a_bare_bed_dries() -> None:
    for row in rows("bare-bed"):
        layer = m.Layer(0.0, 0.0)
        for evening in row["de_each_evening_mm"]:
            layer.bare_day(soils()[row["soil"]], 0.0, row["et0_mm"])
            assert layer.i == near(evening)


def test_rows_that_do_not_close() -> None:
    for row in rows("cover-of-wide-rows"):
        k_d = m.density(row["fc_full"], row["h_max_m"])
        assert k_d == near(row["k_d"])
        assert 0.15 + k_d * (row["kcb_full"] - 0.15) == near(row["kcb"])


def test_stress_that_comes_during_the_day() -> None:
    for row in rows("use-inside-the-day"):
        assert m.use_inside_the_day(row["d_mm"], row["e_mm"], row["taw_mm"], row["raw_mm"]) == near(
            row["f_mm"]
        )


def test_pulses() -> None:
    for row in rows("pulses"):
        soil = soils()[row["soil"]]
        width = {"coarse": 0.4, "medium": 0.6, "fine": 0.8}[soil.kind]
        cap = soil.held_mm_per_m * 0.5 * 0.30 * min(1.0, width / row["row_spacing_m"])
        assert cap * row["row_spacing_m"] == near(row["cap_l_per_m_of_row"])
        assert m.pulses_of(row["net_mm"], cap, 600.0, 1, None) == row["pulses"]


def test_how_dry_a_seedbed_may_be() -> None:
    for row in rows("seedbed-dryness"):
        assert m.dryness_allowed(row["seed_depth_m"], soils()[row["soil"]]) == near(row["c_mm"])


def test_degree_days() -> None:
    for row in rows("degree-days"):
        for method in ("average", "sine"):
            got = m.degree_days(row["tmin_c"], row["tmax_c"], row["base_c"], row["upper_c"], method)
            assert got == near(row[method]), method


def test_stages_after_one_was_seen_to_begin() -> None:
    for row in rows("observed-stage"):
        after = m.after_observed(row["before"], row["stage"], row["x_of_the_day_before"])
        assert after == [near(value) for value in row["after"]]


def test_leaching() -> None:
    for row in rows("leaching-requirement"):
        assert m.leaching_requirement(2.0, row["a_ds_m"], row["slope_pct"]) == near(row["lr"])


def test_salt_settles_as_published() -> None:
    """The worked figures, and FAO-29 Table 3 from memory, within 0.1."""
    published = (3.2, 1.6, 1.2, 0.9, 0.7, 0.6)
    for row, table in zip(rows("salt-balance-steady"), published, strict=True):
        lf, use = row["leaching_fraction"], 6.0
        salt = m.Salt(1.0, 15.0, [2.0] * 4, 0.48, 1.0)
        for _ in range(4000):
            salt.enter(use / (1 - lf), 1.0)
            salt.draw(use)
        assert salt.ece == near(row["ece_ds_m"])
        assert salt.ece == pytest.approx(table, abs=0.1)


def test_salt_in_time() -> None:
    given = EXAMPLES["salt-balance-in-time"]["inputs"]
    for row in rows("salt-balance-in-time"):
        salt = m.Salt(
            given["ecw_ds_m"], given["v_mm"], [given["start_c_ds_m"]] * 4, given["theta_ratio"], 1.0
        )
        for day in range(1, 91):
            if day > 1:
                deficit = sum(given["v_mm"] - water for water in salt.water)
                salt.enter(deficit / (1 - row["leaching_fraction"]), given["ecw_ds_m"])
            salt.draw(given["etc_mm"])
            if f"ece_day_{day}" in row:
                assert salt.ece == near(row[f"ece_day_{day}"]), day


def test_yield_by_water() -> None:
    """FAO-33."""
    for row in rows("yield-by-water"):
        assert m.yield_by_water(row["ky"], row["r"]) == near(row["yield"])
    by_stage = math.prod(map(m.yield_by_water, (0.4, 1.1, 0.8, 0.4), (0.9, 0.8, 1.0, 1.0)))
    assert by_stage == near(rows("yield-together")[0]["yield"])
