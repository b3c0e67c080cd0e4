"""`rowwater parts`: counts against published and drawn layouts, laws of counting, words and refusals."""

from __future__ import annotations

import csv
import io
import json
import math
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest
import yaml
from click.testing import CliRunner, Result
from hypothesis import given
from hypothesis import strategies as st
from supply.plots import plot, plot_text

from scheduler.cli.parts import command
from scheduler.core.system.changeover import changeover
from scheduler.core.system.counts import Parts
from scheduler.core.system.first_build import reaches, rolls, spares, supply_side
from scheduler.core.system.layout import Laid, TakeOff
from scheduler.errors import BadInput
from scheduler.model import Rows, Tape
from scheduler.pages.first_build import Asked
from scheduler.pages.parts import parts_page

FOOT = 0.3048
REFERENCE = yaml.safe_load((Path(__file__).parents[1] / "reference" / "hydraulics_cases.yaml").read_text())
CASES = {case["id"]: case for case in REFERENCE["hand_cases"]}
NOTHING_ELSE = ("--slack", "0 ft", "--waste", "0%")
List = Callable[..., Result]


def garden_text(
    *, rows: str, supply: str = "flow: 5 gpm", flow: str = "0.40 gpm/100ft", more: str = ""
) -> str:
    return f"""
garden: drawn
location: {{latitude: 35.61, longitude: -82.44, elevation: 650 m, timezone: America/New_York}}
display: us
supply: {{{supply}}}
tapes:
  thin: {{flow: {flow}, rated_at: 12 psi}}
zones:
  beds:
    rows: {rows}
    tape: thin
    tape_depth: 0
    soil: loam
    plantings: [{{crop: tomato, planted: 2026-04-20, pulled: 2026-08-10}}]
{more}"""


@pytest.fixture
def listed(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> List:
    monkeypatch.chdir(tmp_path)
    (tmp_path / "garden.yaml").write_text(plot_text())

    def run(*args: str) -> Result:
        places = {"config": str(tmp_path / "garden.yaml"), "data": str(tmp_path / "data")}
        return CliRunner().invoke(command, list(args), obj=places)

    return run


def page_of(answer: Result) -> Any:
    assert answer.exit_code in (0, 3), (answer.output, answer.exception)
    return json.loads(answer.stdout)


def counts(page: Any) -> dict[str, Any]:
    """By part and tape: the count, or the length in feet."""
    return {
        f"{part['part']} {part['of']}" if part["of"] else part["part"]: part["count"]
        if part["length_m"] is None
        else round(part["length_m"] / FOOT, 1)
        for part in page["parts"]
    }


# --- layouts -------------------------------------------------------------------------------------


def test_an_acre_of_beds(listed: List, tmp_path: Path) -> None:
    """Published: a farm training manual (UC Santa Cruz, HC05): 218 beds of 100 ft, 2 ft apart, 163.5 gpm."""
    case = CASES["HC05"]
    assert "218 beds of 100 ft" in case["note"]
    acre_ft2, spacing_ft = 43_560, case["inputs"]["bed_spacing_ft"]
    beds = math.ceil(acre_ft2 / spacing_ft / 100)
    text = garden_text(
        rows=f"{{count: {beds}, length: 100 ft, spacing: {spacing_ft} ft}}",
        supply="flow: 400 gpm",
        flow=f"{case['inputs']['tape_gpm_per_100ft']} gpm/100ft",
    )
    (tmp_path / "garden.yaml").write_text(text)
    page = page_of(listed(*NOTHING_ELSE, "--json"))
    found = counts(page)
    (section,) = page["sections"]
    asked = case["expect"]["system_gpm_per_acre"]
    assert section["flow_lpm"] / 3.785411784 == pytest.approx(asked["value"], rel=asked["tol_pct"] / 100)
    assert found["row starts"] == found["end closures"] == 218
    assert found["tape thin"] == 21_800
    assert found["rolls of tape thin"] == 22  # ten beds from each roll of 1000 ft, 218 / 10


def test_twenty_rows_on_five_gallons_a_minute(listed: List, tmp_path: Path) -> None:
    """The trade's garden (common practice, no source: TF02): 1,600 ft of tape, two zones at least."""
    case = CASES["TF02"]
    rows = f"{{count: {case['inputs']['rows']}, length: {case['inputs']['row_ft']} ft, spacing: 3 ft}}"
    (tmp_path / "garden.yaml").write_text(garden_text(rows=rows))
    page = page_of(listed(*NOTHING_ELSE, "--json"))
    found, expected = counts(page), case["expect"]
    assert found["row starts"] == 20
    assert found["tape thin"] == pytest.approx(expected["total_tape_ft"]["value"], abs=0.5)
    assert found["hand valves"] == expected["least_zones"]["value"] == 2
    assert found["tees"] == 1
    assert [one["rows"] for one in page["sections"]] == [["beds rows 1-10"], ["beds rows 11-20"]]
    flows = [one["flow_lpm"] / 3.785411784 for one in page["sections"]]
    assert flows == pytest.approx([expected["balanced_zone_gpm"]["value"]] * 2, rel=1e-3)
    # by hand: row 10 stands 9.5 spacings of 3 ft from the feed, row 20 19.5
    assert found["supply line"] == pytest.approx(28.5 + 58.5, abs=0.1)


DRAWN = """
  herbs:
    rows: {count: 2, length: 30 ft, spacing: 4 ft, tapes: 2}
    tape: thin
    tape_depth: 3 in
    soil: loam
    plantings: [{crop: lettuce, planted: 2026-04-01, pulled: 2026-06-01}]
    valve: {gpio: 17}
"""


def test_a_drawn_garden_counted_by_hand(listed: List, tmp_path: Path) -> None:
    """Hand count: four rows of 50 ft, 3 ft apart, then two rows of 30 ft, 4 ft apart, with two tapes each.

    Tapes: 4 of 50 ft on the ground, 4 of 30 ft 3 in deep.  With 1 ft to fold 4 x 51 + 4 x 31.5 = 330 ft, with
    10 % waste 363 ft; from rolls of 100 ft one tape of 56.1 ft and one of 34.65 ft each: four rolls.
    Take-offs: 8 row starts, 8 ends.  3 gpm feeds 0.8 + 0.48 gpm at once: one section, one valve, no tee.
    The line goes to herbs' last tape: 12 ft of beds, row 2 at 12 + 6 ft, its second tape 0.15 m further.
    In the drawer 200 + 120 ft of tape: two couplings.  Clamps: 8 + 8 + 2 x 2; on the line 2 + 1.
    """
    rows = "{count: 4, length: 50 ft, spacing: 3 ft}"
    (tmp_path / "garden.yaml").write_text(garden_text(rows=rows, supply="flow: 3 gpm", more=DRAWN))
    page = page_of(listed("--waste", "10%", "--roll", "100 ft", "--json"))
    assert counts(page) == {
        "tape thin": 363.0, "rolls of tape thin": 4, "row starts": 8, "end closures": 8, "couplings": 2,
        "tape clamps": 20, "goof plugs": 2, "supply line": 18.5, "electric valves": 1, "tees": 0,
        "line ends": 1, "valve adapters": 2, "line clamps": 3, "backflow preventer": 1, "filter": 1,
        "pressure regulator": 1,
    }  # fmt: skip
    assert page["sections"][0]["rows"] == ["beds", "herbs"]
    assert any("low-voltage" in caution for caution in page["cautions"])
    why = {part["part"]: part["rests_on"] for part in page["parts"]}
    assert why["row starts"] == "a take-off for each tape of each row: beds 4, herbs 4"
    assert "2 where each zone is to run by its own need" in why["electric valves"]


def test_fed_in_the_middle_the_line_has_two_ends(listed: List, tmp_path: Path) -> None:
    """By hand: 4 rows 3 ft apart, fed at 6 ft: 4.5 ft each way, a tee in the middle."""
    supply = "flow: 5 gpm, mainline: {inside_diameter: 0.70 in, length: 12 ft, feed: middle}"
    text = garden_text(rows="{count: 4, length: 50 ft, spacing: 3 ft}", supply=supply)
    (tmp_path / "garden.yaml").write_text(text)
    page = page_of(listed("--json"))
    found = counts(page)
    assert (found["tees"], found["line ends"], found["line clamps"]) == (1, 2, 3 + 2 + 2)
    assert [round(m / FOOT, 2) for m in page["sections"][0]["line_m"]] == [4.5, 4.5]
    assert page["problems"] == []
    (tmp_path / "garden.yaml").write_text(text.replace("length: 12 ft", "length: 8 ft"))
    answer = listed()
    assert answer.exit_code == 3
    assert "the rows reach 4.5 ft from the feed, and supply.mainline 4 ft" in " ".join(answer.output.split())


def test_later_plantings_are_told_as_changeover_counts_them(listed: List) -> None:
    """The plot's fall rows: six new holes and 480 ft, worked by hand in test_changeover_holes."""
    page = page_of(listed("--json"))
    (later,) = page["later"]
    assert (later["zone"], later["crop"], later["planted"]) == ("beds", "broccoli", "2026-08-20")
    assert (later["row_starts"], later["end_closures"], later["couplings"]) == (6, 6, 0)
    assert later["tape_m"] == pytest.approx(480 * FOOT, abs=1e-3)
    assert page["zones"]["beds"]["row_starts"] == 3  # the first build alone


def test_a_tape_longer_than_a_roll_is_joined(listed: List, tmp_path: Path) -> None:
    """By hand: 250 ft from rolls of 100 ft are two whole ones and half of a third, with two couplings."""
    text = garden_text(rows="{count: 1, length: 250 ft, spacing: 3 ft}")
    (tmp_path / "garden.yaml").write_text(text)
    page = page_of(listed(*NOTHING_ELSE, "--roll", "100 ft", "--json"))
    assert counts(page)["rolls of tape thin"] == 3
    assert counts(page)["couplings"] == 2 + 2  # in the line, and in the drawer
    assert "2 joints in tapes longer than a roll" in page["parts"][1]["rests_on"]


def test_each_tape_has_its_own_rolls(listed: List) -> None:
    """The plot: 3 x 80 ft of thin, 4 x 40 ft of thick; neither is cut from the other's roll.

    Both lie 0.10 m deep: 3 x 0.20 m = 2.0 ft and 4 x 0.20 m = 2.6 ft more.
    """
    found = counts(page_of(listed(*NOTHING_ELSE, "--json")))
    assert (found["tape thin"], found["rolls of tape thin"]) == (242.0, 1)
    assert (found["tape thick"], found["rolls of tape thick"]) == (162.6, 1)


# --- told ----------------------------------------------------------------------------------------


def test_the_list_as_csv(listed: List) -> None:
    rows = list(csv.DictReader(io.StringIO(listed("--csv").stdout)))
    page = page_of(listed("--json"))
    assert [row["part"] for row in rows] == [part["part"] for part in page["parts"]]
    assert all(row["rests_on"] for row in rows)
    assert all((row["count"] == "") != (row["length_m"] == "") for row in rows)


def test_words_of_the_grower(listed: List) -> None:
    answer = listed()
    assert answer.exit_code == 0, answer.output
    said = " ".join(answer.output.split())
    assert "test plot: parts of the first build" in said
    assert "row starts a take-off for each tape of each row: beds 3, side 4" in said
    assert "beds, broccoli of 2026-08-20: 6 more row starts" in said
    assert "backflow" in said


def test_without_plantings_no_flow_is_known(listed: List, tmp_path: Path) -> None:
    text = garden_text(rows="{count: 1, length: 50 ft, spacing: 3 ft}")
    (tmp_path / "garden.yaml").write_text(text[: text.index("    plantings")])
    error = listed().exception
    assert isinstance(error, BadInput)
    assert "no zone has a planting" in error.text


@pytest.mark.parametrize(
    ("args", "message"),
    [
        (("--roll", "1000"), '--roll: "1000" has no unit'),
        (("--roll", "0 ft"), '--roll: "0 ft" is no roll of tape'),
        (("--slack", "-1 ft"), "--slack: .* below 0"),
        (("--waste", "150%"), "--waste: "),
    ],
)
def test_refused_with_status_2(listed: List, args: tuple[str, ...], message: str) -> None:
    error = listed(*args).exception
    assert isinstance(error, BadInput)
    assert error.exit_status == 2
    with pytest.raises(BadInput, match=message):
        raise error


# --- laws ----------------------------------------------------------------------------------------

THIN = Tape("thin", flow_lpm_per_m=0.0497)
LAYOUTS = st.builds(
    Rows,
    count=st.integers(1, 40),
    length_m=st.floats(1.0, 150.0),
    spacing_m=st.floats(0.2, 3.0),
    tapes=st.integers(1, 4),
)


def built(*layouts: Rows) -> Parts:
    beds = [Laid(f"bed {n}", 0.0, rows, THIN) for n, rows in enumerate(layouts)]
    return Parts.sum(change.parts for change in changeover([], beds))


@given(LAYOUTS)
def test_a_first_build_is_what_its_rows_are(rows: Rows) -> None:
    """No hole is plugged, no tape mended or lifted; each tape has one start and one end."""
    parts = built(rows)
    assert parts.row_starts == parts.end_closures == rows.count * rows.tapes
    assert parts.tape_m == pytest.approx(rows.tape_m)
    assert parts.clamps == 2 * parts.row_starts
    assert (parts.plugs, parts.couplings, parts.lifted_m, parts.row_starts_freed) == (0, 0, 0, 0)


@given(LAYOUTS)
def test_twice_the_rows_take_twice_the_row_starts(rows: Rows) -> None:
    once, twice = built(rows), built(replace(rows, count=2 * rows.count))
    assert twice.row_starts == 2 * once.row_starts
    assert twice.end_closures == 2 * once.end_closures
    assert twice.tape_m == pytest.approx(2 * once.tape_m)


@given(st.lists(LAYOUTS, min_size=1, max_size=4), st.lists(LAYOUTS, min_size=1, max_size=4))
def test_parts_of_two_gardens_are_the_sum(one: list[Rows], other: list[Rows]) -> None:
    both, apart = built(*one, *other), Parts.sum([built(*one), built(*other)])
    assert replace(both, tape_m=0.0) == replace(apart, tape_m=0.0)
    assert both.tape_m == pytest.approx(apart.tape_m)


@given(st.lists(st.floats(0.5, 300.0), max_size=30), st.floats(10.0, 400.0), st.floats(0.0, 0.5))
def test_rolls_hold_what_is_cut_and_no_more_than_they_must(
    cuts: list[float], roll_m: float, waste: float
) -> None:
    found = rolls(cuts, roll_m=roll_m, waste=waste)
    needed = sum(cuts) * (1 + waste)
    assert found.count * roll_m >= needed - 1e-6
    assert found.at_least <= found.count
    # two rolls less than half used would have been one: first fit leaves at most one such
    assert found.count <= 2 * found.at_least + 1


@given(st.integers(1, 200), st.floats(1.0, 90.0))
def test_tapes_of_one_length_are_cut_from_the_fewest_rolls(tapes: int, each_m: float) -> None:
    fewest = math.ceil(tapes / math.floor(100.0 / each_m + 1e-9))
    assert rolls([each_m] * tapes, roll_m=100.0, waste=0.0).count == fewest


@given(st.lists(st.floats(0.1, 99.9), min_size=1, max_size=20), st.sampled_from(["end", "middle"]))
def test_a_line_reaches_every_row(places: list[float], feed: Any) -> None:
    offs = [TakeOff(at_m, n, 20.0) for n, at_m in enumerate(places, start=1)]
    ways = reaches(offs, line_m=100.0, feed=feed)
    origin = 0.0 if feed == "end" else 50.0
    assert max(ways) == pytest.approx(max(abs(at_m - origin) for at_m in places))
    side = supply_side([ways])
    assert side.line_ends == len(ways) == side.tees + 1
    assert side.valves == 1


@given(st.floats(0.0, 1e5), st.floats(1.0, 500.0))
def test_the_drawer_never_lacks_and_never_counts_below_nothing(amount: float, each: float) -> None:
    found = spares(amount, each)
    assert found == 0 if amount == 0 else found >= 2
    assert found * each >= amount * (1 - 1e-6)


def test_a_second_zone_like_the_first_doubles_its_rows_alone() -> None:
    """On the page: the rows of two gardens add up; the head (filter, regulator) stays one."""
    one = plot(garden_text(rows="{count: 3, length: 50 ft, spacing: 3 ft}"))
    (bed,) = one.zones
    two = replace(one, zones=(bed, replace(bed, name="more")))
    asked = Asked(slack_m=0.3, waste=0.05, roll_m=300.0)
    first, second = (counts(parts_page(garden, asked)) for garden in (one, two))
    assert (second["row starts"], second["end closures"]) == (
        2 * first["row starts"],
        2 * first["end closures"],
    )
    assert second["filter"] == first["filter"] == 1
