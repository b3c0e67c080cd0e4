"""`rowwater selfcheck`: right on this machine, and a fault anywhere in the core is named."""

from __future__ import annotations

import json
import sys
from collections.abc import Callable
from typing import Any

import numpy as np
import pyet
import pytest
from cli.conftest import Grower

from scheduler.core.balance import climate, crop, salt, surface, terms
from scheduler.core.hydraulics import pipes
from scheduler.selfcheck import cases, run


def test_this_machine_computes_as_printed(grower: Grower) -> None:
    said = grower("selfcheck", "--json")
    page = said.json
    assert [case["title"] for one in page["sources"] for case in one["cases"] if not case["right"]] == []
    assert (said.status, page["right"], page["wrong"]) == (0, True, 0)
    assert page["figures"] == sum(len(case["figures"]) for one in page["sources"] for case in one["cases"])
    assert page["figures"] > 400
    assert page["machine"]["numpy"] == np.__version__
    assert not grower.data.exists(), "it keeps nothing"


def test_a_line_an_example_and_every_figure_on_demand(grower: Grower) -> None:
    page = grower("selfcheck", "--json").json
    lines = grower("selfcheck").out
    assert f"{page['figures']} figures: all as printed." in lines
    assert "Example 18, ET0 of a day: es kpa" in lines
    assert "eto mm" not in lines.split("Example 18")[1].split("Equation 52")[0]
    whole = grower("selfcheck", "--all").out
    assert len(whole.splitlines()) > page["figures"]
    assert "Example 18, ET0 of a day: eto mm" in whole


# --- a core that is broken ------------------------------------------------------------------------

Break = Callable[[pytest.MonkeyPatch], None]


def of(module: Any, name: str, value: Any) -> Break:
    return lambda patch: patch.setattr(module, name, value)


def times(module: Any, name: str, factor: float) -> Break:
    """The result of a function, a little off."""

    def bend(patch: pytest.MonkeyPatch) -> None:
        sound = getattr(module, name)
        patch.setattr(module, name, lambda *args, **more: sound(*args, **more) * factor)

    return bend


BROKEN: dict[str, tuple[Break, str]] = {
    "pyet": (times(pyet, "pm_fao56", 1.004), "Example 18, ET0 of a day: eto mm"),
    "vapour": (times(climate, "psychrometric_constant", 1.02), "Example 2, air pressure: gamma kpa per c"),
    "solar constant": (
        of(climate, "SOLAR_CONSTANT_MJ_M2_MIN", 0.0826),
        "Examples 8, 9, sun, daylight: ra mj",
    ),
    "kRs": (of(climate, "K_RS_INLAND", 0.17), "Example 15, sun by Tmax, Tmin: rs mj"),
    "climate of Kc": (of(crop, "ADJUST_FROM_KC", 1.25), "Example 27, Kc and climate: kc mid taipei"),
    "depletion": (times(terms, "depletion_fraction", 1.05), "Example 36, TAW and RAW: tomato silt raw mm"),
    "bare ground": (of(surface, "LEAST_KCB", 0.10), "Examples 32, 33, Kcb + Ke: fc"),
    "holes": (of(surface, "HOLES", 0.04), "a day of strip and middle: few i, row 4"),
    "band": (of(surface, "SEEN_NARROWER", 1.0), "band over the tape: band, row 1"),
    "salt drawn": (of(salt, "DRAWN", (0.25, 0.25, 0.25, 0.25)), "Table 3, ECe by leaching: ece ds m, row 1"),
    "leaching": (of(salt, "MOST_LEACHING", 0.3), "leaching requirement: lr, row 1"),
    "pipe": (of(pipes, "VISCOSITY_M2_S", 2e-6), "row of 300 ft: emitter min lph"),
}


@pytest.mark.parametrize("fault", BROKEN)
def test_a_broken_core_is_named(grower: Grower, monkeypatch: pytest.MonkeyPatch, fault: str) -> None:
    bend, line = BROKEN[fault]
    bend(monkeypatch)
    said = grower("selfcheck")
    assert said.status == 1
    assert f"! {line}" in " ".join(said.out.split()), said.out
    assert "not as printed" in said.out


def test_a_function_that_raises_is_one_line_and_the_rest_is_done(
    grower: Grower, monkeypatch: pytest.MonkeyPatch
) -> None:
    def gone(*args: Any, **more: Any) -> Any:
        raise ImportError("libopenblas.so.0: cannot open shared object file")

    monkeypatch.setattr(pyet, "pm_fao56", gone)
    said = grower("selfcheck")
    assert said.status == 1
    line = "! Example 18, ET0 of a day: not worked out: ImportError: libopenblas.so.0"
    assert line in " ".join(said.out.split())
    assert "Example 36, TAW and RAW" in said.out
    page = grower("selfcheck", "--json").json
    failed = [case for one in page["sources"] for case in one["cases"] if case["failure"]]
    assert {case["case"] for case in failed} >= {"fao56-ex18", "asce-greeley-1-5"}
    assert all(figure["ours"] is None for case in failed for figure in case["figures"])


def test_a_library_that_does_not_load_is_told(grower: Grower, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setitem(sys.modules, "scheduler.pages.selfcheck", None)  # as where numpy is broken
    said = grower("selfcheck")
    assert (said.status, said.out) == (1, "")
    assert "the selfcheck cannot even begin" in said.err
    assert "deploy/upgrade.sh" in said.err


def test_a_figure_that_is_nan_is_wrong(grower: Grower, monkeypatch: pytest.MonkeyPatch) -> None:
    times(surface, "climate_term", float("nan"))(monkeypatch)
    page = grower("selfcheck", "--json").json
    wrong = {case["case"] for one in page["sources"] for case in one["cases"] if not case["right"]}
    assert "fao56-ex32-33" in wrong
    assert json.dumps(page, allow_nan=False)


def test_a_figure_nobody_answers_is_wrong() -> None:
    case = next(case for one in cases.sources() for case in one.cases if case.name == "fao56-ex14")
    (checked,) = run.checked(cases.Source("one", (case,)), {case.name: lambda rows: [{} for _ in rows]})
    assert not checked.right
    assert checked.figures[0].share == float("inf")
