"""`rowwater check`: hydraulics in the minutes, sections, the hottest week, problems and what mends them."""

from __future__ import annotations

import json
import math
from datetime import date
from pathlib import Path

import numpy as np
import pytest
import yaml

from scheduler.cli.main import main
from scheduler.core.balance.terms import stands
from scheduler.core.system.check import check_garden, hottest_week
from scheduler.garden.file import load_text
from scheduler.pages.check import check_page

GPM = 3.785411784  # L/min, NIST SP 811
DAY = date(2026, 6, 1)


def garden(
    rows: str = "count: 6, length: 80 ft, spacing: 5 ft", *, supply: str = "", tape: str = "", zone: str = ""
):
    return load_text(f"""
garden: Creekside plot
location: {{latitude: 35.61, longitude: -82.44, elevation: 2130 ft, timezone: America/New_York}}
display: us
supply:
  flow: 5 gpm
  pressure: 12 psi
  hours: {{from: "04:00", until: "10:00"}}
{supply}
tapes:
  thin: {{flow: 0.40 gpm/100ft, rated_at: 12 psi, emitter_spacing: 12 in, inside_diameter: 0.636 in{tape}}}
zones:
  tomatoes:
    rows: {{{rows}}}
    tape: thin
    soil: sandy loam
    plantings: [{{crop: tomato, planted: 2026-04-20}}]
{zone}
""")


def test_the_page_has_the_promised_keys() -> None:
    made = garden()
    page = check_page(made, check_garden(made, DAY, 6.0))
    assert set(page) >= {"supply_lpm", "usable_lpm", "longest_tape_m", "zones", "sections", "problems"}
    zone = page["zones"]["tomatoes"]
    assert set(zone) >= {
        "tape_m", "planted_m2", "flow_lpm", "fits_supply", "uniformity", "flow_variation", "inlet_kpa",
        "lowest_kpa", "highest_kpa", "peak_minutes", "rows",
    }  # fmt: skip
    assert set(zone["rows"][0]) == {
        "row", "tape_m", "inlet_kpa", "far_kpa", "lowest_kpa", "along_kpa", "flow_lpm", "emitter_min_lph",
        "emitter_max_lph",
    }  # fmt: skip
    assert [row["row"] for row in zone["rows"]] == [1, 2, 3, 4, 5, 6]
    assert sum(row["flow_lpm"] for row in zone["rows"]) == pytest.approx(zone["flow_lpm"], rel=1e-4)
    # common practice, no source: 5 gpm feeds 1,250 ft of 0.40 gpm/100 ft tape
    assert page["longest_tape_m"]["thin"] == pytest.approx(1250 * 0.3048, rel=1e-6)


def test_flow_and_uniformity_go_into_the_minutes_unless_measured() -> None:
    made = garden()
    solved = stands(made.zones, DAY, 1, made.location, made.supply)[0].delivery
    assert solved.hydraulics is not None
    assert solved.flow_lpm == solved.hydraulics.flow_lpm
    assert solved.uniformity == pytest.approx(
        (1 - 1.27 * 0.05) * solved.hydraulics.emitter_min_lph / solved.hydraulics.emitter_mean_lph
    )
    rated = 480 * 0.40 / 100 * GPM
    assert 0.97 * rated < solved.flow_lpm < rated  # friction takes a little off the label's flow

    measured = garden(zone="    measured_flow: 1.5 gpm\n    uniformity: 0.85")
    own = stands(measured.zones, DAY, 1, measured.location, measured.supply)[0].delivery
    assert own.flow_lpm == pytest.approx(1.5 * GPM)
    assert own.uniformity == 0.85


def problems(made, peak: float = math.nan) -> str:
    page = check_page(made, check_garden(made, DAY, peak))
    return " | ".join(f"[{p['level']}] {p['text']} => {p['mend']}" for p in page["problems"])


def test_more_tape_than_the_supply_can_feed_is_split_into_sections() -> None:
    """TF02 of the hand cases: 20 rows of 80 ft draw 6.4 gpm, 5 gpm feed 15 rows, so 2 sections."""
    made = garden("count: 20, length: 80 ft, spacing: 5 ft")
    found = check_garden(made, DAY, math.nan)
    assert not found.zones[0].fits_supply
    assert found.sections.groups == (("tomatoes rows 1-10",), ("tomatoes rows 11-20",))
    assert all(flow <= 5 * GPM for flow in found.sections.flows_lpm)
    assert "split it over 2 valves" in problems(made)


def test_long_thin_rows_get_the_longest_that_would_do() -> None:
    text = problems(garden("count: 2, length: 900 ft, spacing: 5 ft", supply="", tape=""))
    assert "emitters differ by" in text
    assert "shorten the rows to" in text


def test_pressure_above_the_tapes_limit_is_a_problem_not_a_warning() -> None:
    text = problems(garden(tape=", pressure_limit: 10 psi"))
    assert "[problem] the pressure in the tape reaches 120%" in text


def test_a_hot_week_that_does_not_fit_says_until_when_to_water() -> None:
    made = garden(supply="  days: [mon]\n")
    text = problems(made, 7.0)
    assert "in the hottest week all sections need" in text
    assert "allow more days" in text
    assert problems(garden(), 1.0) == ""


def test_the_hottest_week_is_a_mean_of_seven_days() -> None:
    et0 = np.array([1.0] * 10 + [7.0] * 7 + [1.0] * 10)
    assert hottest_week(et0) == pytest.approx(7.0)
    assert hottest_week(np.array([9.0, np.nan, 9.0, 1, 1, 1, 1, 1, 1, 1])) == pytest.approx((9 + 6) / 7)
    assert math.isnan(hottest_week(np.full(20, np.nan)))


@pytest.mark.parametrize(
    ("args", "words"),
    [
        ({"rows": "count: 6, length: 0 ft, spacing: 5 ft"}, "length"),
        ({"rows": "count: 0, length: 80 ft, spacing: 5 ft"}, "count"),
        ({"tape": ", exponent: -1"}, "exponent"),
    ],
)
def test_bad_input_is_refused(args: dict[str, str], words: str) -> None:
    from scheduler.errors import BadGarden

    with pytest.raises(BadGarden, match=words):
        garden(**args)


def test_a_row_shorter_than_the_emitter_spacing_is_a_problem() -> None:
    assert "shorter than the emitter spacing" in problems(garden("count: 6, length: 6 in, spacing: 5 ft"))


def test_the_command_says_minutes_and_sections(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    creekside = Path(__file__).parents[2] / "examples" / "creekside"
    monkeypatch.setenv("ROWWATER_CONFIG", str(creekside / "garden.yaml"))
    monkeypatch.setenv("ROWWATER_DATA", str(tmp_path))
    arguments = ["check", "--date", "2015-07-01", "--weather", str(creekside / "weather.csv")]
    with pytest.raises(SystemExit) as end:
        main([*arguments, "--json"])
    assert end.value.code == 0
    page = json.loads(capsys.readouterr().out)
    # 0.40 gpm/100ft on 3 ft is 3.26 mm/h (96.25 gpm/ft2 in/h): 240 min would be 13 mm, no day's ETc
    assert 0 < page["zones"]["beans"]["peak_minutes"] < 240
    assert page["hottest_week_minutes"] <= page["hours_minutes"]
    assert yaml.safe_load((creekside / "garden.yaml").read_text())["zones"].keys() == page["zones"].keys()
    with pytest.raises(SystemExit):
        main(arguments)
    assert "2 sections, one after another" in capsys.readouterr().out
