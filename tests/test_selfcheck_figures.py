"""The figures that `rowwater selfcheck` ships are those of tests/reference, digit by digit."""

from __future__ import annotations

import csv
from functools import cache
from pathlib import Path
from typing import Any

import pytest
import yaml

from scheduler.selfcheck import cases, run
from scheduler.tables import shipped

REFERENCE = Path(__file__).parent / "reference"
CASES = {case.name: case for source in cases.sources() for case in source.cases}


@cache
def reference() -> dict[str, dict[str, Any]]:
    """Every worked example of tests/reference, numbers as printed there."""
    found = {}
    for name in ("worked_examples.yaml", "worked_model2.yaml"):
        text = (REFERENCE / name).read_text()
        found |= {e["id"]: e for e in yaml.load(text, Loader=yaml.BaseLoader)["examples"]}
    return found


def rows_of(example: dict[str, Any]) -> list[dict[str, Any]]:
    """The cells of each row; figures under the plain names of the shipped file."""
    if "rows" not in example:
        return [{f["name"]: f.get("printed", f["recomputed"]) for f in example["expected"]}]
    names = [name.removesuffix("_printed").removesuffix("_recomputed") for name in example["columns"]]
    return [
        dict(zip(reversed(names), reversed(row), strict=True))  # what is printed, not recomputed
        for row in example["rows"]
    ]


WITHOUT_REFERENCE = {"ieee754", "fao29-table3", "fao29-quarters", "fao29-table4", "three-beds"}
HYDRAULICS = {"HC01", "TF01", "HC06", "HC07", "HC08", "HC11", "EL21", "EL22", "EL23", "EL24", "EM07"}
ON_RECORDS = {"corn-and-seed-on-records", "calibration"}
"""Of the worked numbers; they need records, which do not ship: tests/core/test_second_numbers.py."""
IN_WORDS = {"yield-together"}
NOT_USED = {"day", "kcb_note", "water", "h_m"}
WRITTEN_HERE = {"long_enough"}


def test_every_case_has_an_answer_and_every_answer_a_case() -> None:
    assert CASES.keys() == run.ANSWERS.keys()


def test_every_worked_number_ships() -> None:
    text = (REFERENCE / "worked_model2.yaml").read_text()
    listed = {example["id"] for example in yaml.safe_load(text)["examples"]}
    assert listed - CASES.keys() == ON_RECORDS


@pytest.mark.parametrize("name", sorted(CASES.keys() - WITHOUT_REFERENCE - HYDRAULICS - IN_WORDS))
def test_shipped_figures_are_those_of_the_sources(name: str) -> None:
    case, example = CASES[name], reference()[name]
    told, shared = rows_of(example), example.get("inputs", {})
    assert len(case.rows) == len(told)
    for inputs, printed, row in zip(case.rows, case.printed, told, strict=True):
        figures = {key: value for given, cell in row.items() for key, value in cases.flat(given, cell)}
        for key, figure in printed.items():
            if key not in WRITTEN_HERE:
                cell = figures[key]
                assert figure.value == float(cases.WORDS.get(cell, cell) or 0), key
        for key, value in inputs.items():
            same = value.name if key == "soil" else value
            assert same == cases.number({**row, **shared}[key]), key
        if example["origin"] in ("once", "twice"):
            asked = {cell for cell in {**row, **shared} if row.get(cell) != "null"} - NOT_USED
            names = {key.rsplit(" ", 1)[0] if key not in row else key for key in printed}
            assert asked <= names | inputs.keys(), "a figure of the source is left out"


def test_shipped_tolerances_are_those_of_the_sources() -> None:
    """Half of the last digit, but where the file says that the source itself is farther off."""
    for name in CASES.keys() & reference().keys():
        for figure in reference()[name].get("expected", ()):
            printed = CASES[name].printed[0].get(figure["name"])
            if printed is not None and "tolerance" in figure:
                assert printed.within == pytest.approx(float(figure["tolerance"]), rel=1e-5), figure["name"]


def test_networks_are_those_of_the_solver() -> None:
    text = (REFERENCE / "hydraulics_cases.yaml").read_text()
    file = yaml.safe_load(text)
    same = file["meta"]["tolerances"]["same_law"]
    for network in file["epanet_cases"]:
        if (case := CASES.get(network["id"])) is None:
            continue
        assert network["inputs"]["law"] == "DW"
        assert case.rows[0].items() <= network["inputs"].items()
        for key, figure in case.printed[0].items():
            assert figure.value == network["expect"][key]
        assert case.printed[0]["pressure_min_psi"].within == pytest.approx(same["pressure_psi"], rel=1e-5)
        flow = case.printed[0]["total_lph"]
        assert flow.within == pytest.approx(flow.value * same["total_pct"] / 100, rel=1e-5)


def test_soils_are_those_of_the_table() -> None:
    with (REFERENCE / "soil_surface.csv").open() as file:
        table = {row["texture"]: row for row in csv.DictReader(file)}
    for name, figures in shipped("selfcheck.yaml", as_printed=True)["soils"].items():
        assert {key: cases.number(table[name][key]) for key in figures} == cases.number(figures)
