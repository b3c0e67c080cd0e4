"""The shipped crop and soil tables against the published ones, row by row.

Published: FAO Irrigation and Drainage Paper 56 (1998), Tables 11, 12, 19, 22, as copied in tests/reference/.
"""

from __future__ import annotations

import csv
import os
import re
import subprocess
import sys
from collections import Counter
from pathlib import Path
from shutil import copy, copytree

import pytest
import yaml

from scheduler import tables
from scheduler.errors import BadInput
from scheduler.garden.crop_names import plain
from scheduler.garden.file import load_text

ROOT = Path(__file__).resolve().parent.parent
REFERENCE = ROOT / "tests" / "reference"
FIGURES = ("kc", "stage_days", "root_depth_full", "root_depth_start", "depletion", "height")
PERENNIALS = ("artichoke", "asparagus", "mint")  # planted as established roots
NO_SOURCE = "common practice, no source"


def published(name: str) -> list[dict[str, str]]:
    with (REFERENCE / name).open(newline="", encoding="utf-8") as file:
        return list(csv.DictReader(file))


CROP_ROWS = published("crops_fao56.csv")
LENGTH_ROWS = published("crop_stage_lengths_fao56.csv")
SOIL_ROWS = published("soils_fao56.csv")

ROWS_WITH_LENGTHS = [row for row in CROP_ROWS if row["length_status"] != "missing"]

every_crop_row = pytest.mark.parametrize("row", CROP_ROWS, ids=lambda row: row["crop"])
every_row_with_lengths = pytest.mark.parametrize("row", ROWS_WITH_LENGTHS, ids=lambda row: row["crop"])
OWN_FIGURES = {name: crop for name, crop in tables.crops().items() if "like" not in crop}
every_crop = pytest.mark.parametrize("name", OWN_FIGURES)


def name_of(spelling: str) -> str:
    """The shipped crop that a name finds, as the garden file looks it up."""
    plain = spelling.casefold()
    return plain if plain in tables.crops() else tables.crop_aliases()[plain]


def metres(text: str) -> float:
    number, unit = text.split(" ")
    assert unit == "m"
    return float(number)


def lengths(row: dict[str, str]) -> tuple[int, ...]:
    return tuple(int(row[column]) for column in ("L_ini_d", "L_dev_d", "L_mid_d", "L_late_d"))


def shipped_lengths(crop: dict) -> tuple[int, ...]:
    return tuple(stage["days"] for stage in crop["stages"])


# --- crops: figures -------------------------------------------------------------------------------


def test_every_published_crop_is_shipped_once():
    assert len(tables.crops()) >= 40
    assert sorted(name_of(row["crop"]) for row in CROP_ROWS) == sorted(OWN_FIGURES)


def test_a_crop_without_published_figures_is_like_one_that_has_them_and_says_so():
    others = {name: crop for name, crop in tables.crops().items() if "like" in crop}
    assert len(others) > 50
    for name, crop in others.items():
        assert crop["like"] in OWN_FIGURES, name
        own = crop.keys() - {"also", "like", "source"}
        assert crop["source"]["figures"] == f"as {crop['like']}, {NO_SOURCE}"
        assert own == {word for key in crop["source"].keys() - {"figures"} for word in key.split(", ")}, name


@every_crop_row
def test_kc_is_the_published_one(row):
    ini, dev, mid, late = tables.crops()[name_of(row["crop"])]["stages"]
    assert (ini["kc"], mid["kc"], late["kc_end"]) == tuple(
        float(row[column]) for column in ("Kc_ini", "Kc_mid", "Kc_end")
    )
    assert "kc" not in dev
    assert "kc" not in late


@every_row_with_lengths
def test_stage_lengths_are_the_published_ones(row):
    assert shipped_lengths(tables.crops()[name_of(row["crop"])]) == lengths(row)


def test_lengths_that_no_table_prints_say_so():
    unsourced = {
        name for name, crop in OWN_FIGURES.items() if crop["source"]["stage_days"].startswith(NO_SOURCE)
    }
    assert unsourced == {name_of(row["crop"]) for row in CROP_ROWS if row["length_status"] == "missing"}
    assert all(min(shipped_lengths(tables.crops()[name])) > 0 for name in unsourced)


@every_crop_row
def test_depletion_height_and_root_depth_are_the_published_ones(row):
    crop = tables.crops()[name_of(row["crop"])]
    assert crop["depletion"] == float(row["p"])
    assert metres(crop["height"]) == float(row["h_max_m"])
    # FAO-56 Table 22: of the range, the smaller depth is the one for scheduling
    assert metres(crop["root_depth"]["full"]) == float(row["root_depth_min_m"])


@every_row_with_lengths
def test_sum_of_stages_is_the_printed_total_of_table_11(row):
    crop = name_of(row["crop"])
    same = [
        printed
        for printed in LENGTH_ROWS
        if lengths(printed) == lengths(row)
        and (printed["planting_month"], printed["region"]) == (row["planting_month"], row["region"])
        and row["length_row"].startswith(printed["crop"].split(" (")[0])
    ]
    assert len(same) == 1
    total = int(same[0]["L_total_printed_d"])
    # the one row chosen here whose printed stages do not add up, see the note in the reference table
    assert sum(shipped_lengths(tables.crops()[crop])) == (total - 10 if crop == "cowpea" else total)


def test_other_lengths_listed_in_comments_are_rows_of_table_11():
    text = (ROOT / "config" / "crops.yaml").read_text(encoding="utf-8")
    listed = re.findall(r"^    #   (\d+)/(\d+)/(\d+)/(\d+)  (.+)$", text, re.MULTILINE)
    known = {(*lengths(row), f"{row['planting_month']}, {row['region']}") for row in LENGTH_ROWS}
    assert len(listed) > 60
    assert {(*map(int, days), where) for *days, where in listed} <= known


@every_crop
def test_starting_root_depth_is_that_of_a_young_plant(name):
    """Common practice, no source: 0.25 m under deep-rooted crops, 0.15 m under shallow ones."""
    depth = tables.crops()[name]["root_depth"]
    full = metres(depth["full"])
    assert metres(depth["start"]) == (full if name in PERENNIALS else 0.25 if full >= 0.5 else 0.15)
    assert metres(depth["start"]) <= full


def test_tomato_reads_as_documented():
    tomato = tables.crops()["tomato"]
    assert {key: tomato[key] for key in ("stages", "root_depth", "depletion", "height")} == {
        "stages": [
            {"stage": "initial", "days": 30, "kc": 0.60},
            {"stage": "development", "days": 40},
            {"stage": "mid-season", "days": 45, "kc": 1.15},
            {"stage": "late season", "days": 30, "kc_end": 0.80},
        ],
        "root_depth": {"start": "0.25 m", "full": "0.70 m"},
        "depletion": 0.40,
        "height": "0.6 m",
    }


# --- crops: shape, sources, names -----------------------------------------------------------------


@every_crop
def test_four_stages_in_the_documented_words_and_keys(name):
    crop = tables.crops()[name]
    assert [stage["stage"] for stage in crop["stages"]] == [
        "initial", "development", "mid-season", "late season",
    ]  # fmt: skip
    assert [set(stage) - {"stage", "days"} for stage in crop["stages"]] == [{"kc"}, set(), {"kc"}, {"kc_end"}]
    assert set(crop) - {"emergence", "heat", "dry_off", "ec_threshold", "ec_slope", "yield_response"} == {
        "also", "stages", "root_depth", "depletion", "height", "kcb", "by", "seed_depth", "killed_below",
        "source",
    }  # fmt: skip


@every_crop
def test_every_group_of_figures_has_its_source(name):
    crop = tables.crops()[name]
    named = [word for key in crop["source"] for word in key.split(", ")]
    assert named[:6] == list(FIGURES)
    assert set(named[6:]) == crop.keys() - {"also", "stages", "root_depth", "depletion", "height", "source"}
    for text in crop["source"].values():
        assert re.search(rf"FAO-56 Table \d|from memory|seen|Maas 1990|{NO_SOURCE}", text), text


@every_crop_row
def test_stand_ins_say_so(row):
    source = tables.crops()[name_of(row["crop"])]["source"]
    assert source["kc"].startswith("stand-in") == (row["fao56_status"] == "stand_in")
    assert source["stage_days"].startswith("stand-in") == (row["length_status"] == "stand_in")


@every_crop_row
def test_source_of_the_root_depth_prints_the_whole_range(row):
    source = tables.crops()[name_of(row["crop"])]["source"]["root_depth_full"]
    assert f"{row['root_depth_min_m']}-{row['root_depth_max_m']} m" in source


def test_other_names_are_unique_and_no_crop_of_their_own():
    names = [*tables.crops(), *(other for crop in tables.crops().values() for other in crop["also"])]
    assert [name for name, count in Counter(map(plain, names)).items() if count > 1] == []


def test_no_crop_is_written_twice():
    node = yaml.compose((ROOT / "config" / "crops.yaml").read_text(encoding="utf-8"), Loader=yaml.SafeLoader)
    written = [key.value for key, _ in node.value]
    assert written == list(tables.crops())
    assert all(name == name.casefold() for name in written)


@pytest.mark.parametrize(
    ("spelling", "crop"),
    [
        ("zucchini", "summer squash"), ("pumpkin", "winter squash"), ("collards", "kale"),
        ("basil", "leafy herb"), ("edamame", "soybean"), ("corn", "sweet corn"), ("Tomatoes", "tomato"),
        ("Swiss chard", "swiss chard"), ("scallion", "green onion"), ("rutabaga", "turnip"),
        ("southern pea", "cowpea"),
    ],
)  # fmt: skip
def test_plain_names_find_the_crop(spelling, crop):
    assert name_of(spelling) == crop


@pytest.mark.parametrize("vague", ["bean", "squash", "melon"])
def test_a_name_that_fits_two_crops_finds_none(vague):
    assert vague not in tables.crops()
    assert vague not in tables.crop_aliases()


# --- soils ----------------------------------------------------------------------------------------


@pytest.mark.parametrize("row", SOIL_ROWS, ids=lambda row: row["texture"])
def test_water_contents_are_the_middle_of_the_published_range(row):
    texture = tables.soils()[row["texture"]]
    assert (texture.theta_fc, texture.theta_wp) == (float(row["theta_FC_mid"]), float(row["theta_WP_mid"]))
    for value, column in ((texture.theta_fc, "theta_FC"), (texture.theta_wp, "theta_WP")):
        low, high = float(row[f"{column}_min"]), float(row[f"{column}_max"])
        assert value == pytest.approx((low + high) / 2, abs=1e-9)
        assert f"{row[f'{column}_min']}-{row[f'{column}_max']}" in texture.source
    assert texture.source.startswith(f"FAO-56 Table 19, {row['texture']}, ")


def test_clay_loam_is_a_stand_in_and_says_so():
    clay_loam, nearest = tables.soils()["clay loam"], tables.soils()["silty clay loam"]
    assert (clay_loam.theta_fc, clay_loam.theta_wp) == (nearest.theta_fc, nearest.theta_wp)
    assert clay_loam.source.startswith("stand-in")
    assert set(tables.soils()) == {row["texture"] for row in SOIL_ROWS} | {"clay loam"}


def test_texture_groups_and_wetted_widths():
    """Common practice for emitters 12 in apart, no source."""
    groups = {name: texture.group for name, texture in tables.soils().items()}
    assert groups == {
        "sand": "coarse", "loamy sand": "coarse",
        "sandy loam": "medium", "loam": "medium", "silt loam": "medium", "silt": "medium",
        "clay loam": "fine", "silty clay loam": "fine", "silty clay": "fine", "clay": "fine",
    }  # fmt: skip
    assert [tables.wetted_width_m(group) for group in ("coarse", "medium", "fine")] == [0.40, 0.60, 0.80]
    with pytest.raises(BadInput, match="coarse, medium, fine"):
        tables.wetted_width_m("stony")


PLOT = """\
garden: Creekside plot
location: {latitude: 35.6, longitude: -82.4, elevation: 650 m, timezone: America/New_York}
display: metric
supply: {flow: 20 L/min}
tapes: {thin: {flow: 5 L/min/100m}}
zones:
  beans:
    rows: {count: 4, length: 20 m, spacing: 1 m}
    tape: thin
    soil: SOIL
"""


@pytest.mark.parametrize("texture", tables.soils())
def test_a_zone_without_a_wetted_width_takes_the_tables(texture: str, monkeypatch: pytest.MonkeyPatch):
    """And follows the file: another figure there is another strip."""
    plot = PLOT.replace("SOIL", texture)
    group = tables.soils()[texture].group
    assert load_text(plot).zones[0].wetted_width_m == {"coarse": 0.40, "medium": 0.60, "fine": 0.80}[group]
    own = plot + "    wetted_width: 35 cm\n"
    assert load_text(own).zones[0].wetted_width_m == 0.35
    tables.wetted_width_m.cache_clear()
    edited = {"wetted_width": {name: {"width": "0.55 m"} for name in ("coarse", "medium", "fine")}}
    monkeypatch.setattr(tables, "_soil_file", lambda: tables.shipped("soils.yaml") | edited)
    assert load_text(plot).zones[0].wetted_width_m == 0.55
    tables.wetted_width_m.cache_clear()


# --- loading --------------------------------------------------------------------------------------


def test_callers_get_a_copy_of_their_own():
    tables.crops()["tomato"]["root_depth"]["full"] = "9 m"
    assert tables.crops()["tomato"]["root_depth"]["full"] == "0.70 m"


def in_fresh_process(folder: Path, code: str) -> subprocess.CompletedProcess[str]:
    """Run code with the packages of `folder`, PyYAML beside them, and nothing that is installed."""
    path = os.pathsep.join([str(folder), str(Path(yaml.__file__).parent.parent)])
    return subprocess.run(
        [sys.executable, "-S", "-c", code],
        env={"PYTHONPATH": path, "PYTHONDONTWRITEBYTECODE": "1"},
        cwd=folder, capture_output=True, text=True, timeout=60, check=False,
    )  # fmt: skip


@pytest.fixture
def bare_package(tmp_path: Path) -> Path:
    """A folder with the modules that tables.py needs, and no table."""
    package = tmp_path / "scheduler"
    package.mkdir()
    for module in ("__init__.py", "errors.py", "model.py", "tables.py"):
        copy(ROOT / "scheduler" / module, package / module)
    return tmp_path


COUNT = "from scheduler import tables; print(len(tables.crops()), len(tables.soils()))"


@pytest.mark.parametrize("place", ["config", "scheduler/config"], ids=["checkout", "installed"])
def test_tables_are_found_in_a_checkout_and_in_an_installed_package(bare_package, place):
    copytree(ROOT / "config", bare_package / place)
    done = in_fresh_process(bare_package, COUNT)
    assert (done.returncode, done.stdout.split(), done.stderr) == (0, [str(len(tables.crops())), "10"], "")


def test_a_missing_table_is_named_with_a_hint(bare_package):
    code = (
        "from scheduler import tables, errors\n"
        "try: tables.crops()\n"
        "except errors.CouldNot as error: print(error.text, '|', error.hint)"
    )
    done = in_fresh_process(bare_package, code)
    assert "crops.yaml cannot be read: No such file or directory | install the program again" in done.stdout


def test_importing_the_module_loads_no_library():
    code = "import sys, scheduler.tables; print({'yaml', 'numpy', 'pydantic'} & set(sys.modules))"
    assert in_fresh_process(ROOT, code).stdout.strip() == "set()"
