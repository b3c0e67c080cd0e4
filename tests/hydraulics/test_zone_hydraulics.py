"""Conventions, regulator, shortage and the words a grower gets."""

from __future__ import annotations

from dataclasses import replace

import pytest

from scheduler.core.hydraulics.results import ZoneHydraulics, flow_variation_class, uniformity
from scheduler.core.hydraulics.zone import (
    can_solve,
    longest_row,
    working_pressure,
    zone_solution,
    zone_solutions,
)
from scheduler.model import Mainline, Rows, Supply, Tape

THIN = Tape("thin", 0.0497, 82.74, 0.5, 0.3048, 0.01615)
ROWS = Rows(6, 24.384, 1.524)
LINE = Mainline(0.0178, 30.48)
SUPPLY = Supply(flow_lpm=20.0, pressure_kpa=82.74)


def texts(zone: ZoneHydraulics, level: str | None = None) -> str:
    return " / ".join(remark.text for remark in zone.remarks if level in (None, remark.level))


def test_a_plain_garden_needs_no_remark() -> None:
    zone = zone_solution(ROWS, THIN, replace(SUPPLY, mainline=LINE))
    assert zone.remarks == ()
    assert zone.as_supplied is None
    assert zone.emitters == 480
    assert zone.flow_variation_class == "good"


def test_without_a_line_all_rows_are_alike() -> None:
    zone = zone_solution(ROWS, THIN, SUPPLY)
    assert len({replace(row, row=0) for row in zone.rows}) == 1
    assert zone.rows[0].inlet_kpa == 82.74
    assert zone.line_velocity_m_s == 0


def test_a_line_without_friction_is_no_line() -> None:
    wide = replace(SUPPLY, mainline=Mainline(1.0, 30.0))
    assert zone_solution(ROWS, THIN, wide).flow_lpm == pytest.approx(
        zone_solution(ROWS, THIN, SUPPLY).flow_lpm
    )


def test_two_tapes_leave_one_take_off() -> None:
    one, two = (zone_solution(replace(ROWS, tapes=n), THIN, SUPPLY) for n in (1, 2))
    assert two.flow_lpm == pytest.approx(2 * one.flow_lpm)
    assert two.rows[0].velocity_m_s == pytest.approx(one.rows[0].velocity_m_s)
    assert two.rows[0].tape_m == pytest.approx(2 * 24.384)
    line = replace(SUPPLY, mainline=LINE)
    as_one_row = zone_solution(replace(ROWS, tapes=2), THIN, line)
    assert as_one_row.flow_lpm < 2 * zone_solution(ROWS, THIN, line).flow_lpm  # more lost in the line


def test_middle_feed_is_two_half_lines() -> None:
    """Six rows fed in the middle are twice three rows fed at the end, half a spacing nearer."""
    middle = zone_solution(ROWS, THIN, replace(SUPPLY, mainline=replace(LINE, feed="middle")))
    assert [row.row for row in middle.rows] == [1, 2, 3, 4, 5, 6]
    for near, far in zip(middle.rows[:3], middle.rows[3:], strict=True):
        assert near.inlet_kpa == pytest.approx(far.inlet_kpa)
    inlets = [row.inlet_kpa for row in middle.rows[:3]]
    assert inlets == sorted(inlets, reverse=True)
    odd = zone_solution(replace(ROWS, count=5), THIN, replace(SUPPLY, mainline=replace(LINE, feed="middle")))
    assert odd.rows[3].inlet_kpa > odd.rows[2].inlet_kpa  # the odd row goes to the first branch


def test_the_lines_slope_rises_one_way_and_falls_the_other() -> None:
    sloping = replace(LINE, inside_diameter_m=1.0, feed="middle", slope=0.02)
    rows = zone_solution(ROWS, THIN, replace(SUPPLY, mainline=sloping)).rows
    for i, row in enumerate(rows):
        distance = (i % 3 + 0.5) * 1.524 * (1 if i < 3 else -1)
        assert row.inlet_kpa == pytest.approx(82.74 - 0.02 * distance * 9.80665, abs=1e-3)


def test_emitters_are_whole_and_a_row_without_one_is_told() -> None:
    assert zone_solution(Rows(1, 0.3048 * 7, 1.0), THIN, SUPPLY).emitters == 7
    assert zone_solution(Rows(1, 0.3048 * 7 - 0.01, 1.0), THIN, SUPPLY).emitters == 6
    none = zone_solution(Rows(2, 0.2, 1.0), THIN, SUPPLY)
    assert (none.emitters, none.flow_lpm, none.uniformity, none.flow_variation) == (0, 0.0, 0.0, 0.0)
    assert "hold no emitter" in texts(none, "problem")


def test_the_lowest_pressure_can_lie_inside_a_falling_row() -> None:
    zone = zone_solution(Rows(1, 150.0, 1.0, slope=-0.012), THIN, replace(SUPPLY, flow_lpm=100.0))
    row = zone.rows[0]
    assert row.lowest_kpa < min(row.far_kpa, row.inlet_kpa) - 0.1
    assert (row.along_kpa[0], row.along_kpa[-1]) == (row.inlet_kpa, row.far_kpa)
    assert len(row.along_kpa) == 11
    assert row.lowest_kpa <= min(row.along_kpa) < row.lowest_kpa + 0.1


# --- pressure ---


def test_a_regulator_only_lowers() -> None:
    assert working_pressure(THIN, replace(SUPPLY, static_pressure_kpa=300.0)) == 82.74
    low = replace(SUPPLY, static_pressure_kpa=60.0)
    assert working_pressure(THIN, low) == 60.0
    zone = zone_solution(ROWS, THIN, low)
    assert zone.inlet_kpa == 60.0
    assert "never raises pressure" in texts(zone, "look")


def test_what_is_unknown() -> None:
    unset = Supply(flow_lpm=20.0)
    assert working_pressure(THIN, unset) == 82.74  # the tape's label
    assert not can_solve(replace(THIN, rated_at_kpa=None), unset)
    assert not can_solve(replace(THIN, inside_diameter_m=None), SUPPLY)
    assert not can_solve(replace(THIN, emitter_spacing_m=None), SUPPLY)
    with pytest.raises(ValueError, match="thin"):
        zone_solution(ROWS, replace(THIN, inside_diameter_m=None), SUPPLY)
    # a label without its pressure holds at the regulator's setting
    unlabelled = zone_solution(
        Rows(1, 0.3048, 1.0), replace(THIN, rated_at_kpa=None), replace(SUPPLY, pressure_kpa=50.0)
    )
    assert unlabelled.flow_lpm == pytest.approx(0.0497 * 0.3048, rel=1e-4)
    assert zone_solutions([], SUPPLY) == []


def test_a_supply_too_small() -> None:
    rows = replace(ROWS, count=20)
    zone = zone_solution(rows, THIN, SUPPLY)
    assert zone.flow_lpm > 20
    assert zone.as_supplied is not None
    assert zone.as_supplied.flow_lpm == pytest.approx(20.0, rel=1e-5)
    # far from friction, flow goes with the square root of pressure
    assert zone.as_supplied.inlet_kpa / zone.inlet_kpa == pytest.approx((20.0 / zone.flow_lpm) ** 2, rel=0.01)
    assert f"{zone.flow_lpm / 20.0:.0%} of the supply's flow" in texts(zone, "problem")


def test_compensating_emitters_too_fall_short() -> None:
    zone = zone_solution(replace(ROWS, count=20), replace(THIN, exponent=0.0), SUPPLY)
    assert zone.as_supplied is not None
    assert zone.as_supplied.flow_lpm == pytest.approx(20.0, rel=1e-3)
    assert zone.as_supplied.inlet_kpa < 5


# --- words ---


def test_emitters_above_the_water() -> None:
    zone = zone_solution(Rows(2, 30.0, 1.0, slope=0.4), THIN, SUPPLY)
    dry = zone.rows[0].dry_emitters
    assert 0 < dry < 98
    assert f"{2 * dry} of 196 emitters get no pressure" in texts(zone, "problem")
    assert "rows 1 to 2" in texts(zone)
    assert zone.emitter_min_lph == 0
    assert zone.uniformity == 0
    assert zone.flow_variation_class == "not acceptable"


def test_more_pressure_than_the_tape_may_hold() -> None:
    weak = replace(THIN, pressure_limit_kpa=83.0)
    assert texts(zone_solution(ROWS, weak, SUPPLY)) == ""
    falling = zone_solution(replace(ROWS, slope=-0.1), weak, SUPPLY)
    assert "of what it may hold (rows 1 to 6)" in texts(falling, "problem")
    assert "of what it may hold" in texts(
        zone_solution(ROWS, weak, replace(SUPPLY, pressure_kpa=90.0)), "problem"
    )


def test_fast_water_and_much_friction() -> None:
    long = zone_solution(
        Rows(1, 150.0, 1.0), replace(THIN, flow_lpm_per_m=0.4), Supply(100.0, pressure_kpa=150.0)
    )
    assert "three quarters of the pressure (row 1)" in texts(long, "look")
    assert "in the tape" in texts(long, "look")
    thin_line = replace(SUPPLY, mainline=replace(LINE, inside_diameter_m=0.0095))
    assert "in the supply line" in texts(zone_solution(ROWS, THIN, thin_line), "look")


def test_rows_past_the_end_of_the_line() -> None:
    exact = replace(SUPPLY, mainline=replace(LINE, length_m=6 * 1.524))
    assert texts(zone_solution(ROWS, THIN, exact)) == ""
    short = replace(SUPPLY, mainline=replace(LINE, length_m=6 * 1.524 - 0.1))
    assert "beyond the end of the supply line" in texts(zone_solution(ROWS, THIN, short), "problem")
    middle = replace(SUPPLY, mainline=replace(LINE, length_m=5 * 1.524, feed="middle"))
    assert texts(zone_solution(ROWS, THIN, middle)) == ""
    middle = replace(SUPPLY, mainline=replace(LINE, length_m=5 * 1.524 - 0.1, feed="middle"))
    assert "beyond the end" in texts(zone_solution(ROWS, THIN, middle), "problem")


def test_what_could_not_be_settled_is_said() -> None:
    """The pressure is used up on the way down a long fall: the end no longer tells what happens above."""
    tape = Tape("t", 0.6, 50.0, 0.0, 0.1, 0.008)
    zone = zone_solution(Rows(1, 60.0, 1.0, slope=-0.2), tape, Supply(1000.0, pressure_kpa=20.0))
    assert not zone.converged
    assert "do not trust these figures" in texts(zone, "problem")


# --- classes and lengths ---


def test_classes_of_flow_variation() -> None:
    assert [flow_variation_class(v) for v in (0.0, 0.10, 0.11, 0.20, 0.21)] == [
        "good", "good", "acceptable", "acceptable", "not acceptable",
    ]  # fmt: skip


def test_uniformity_never_falls_below_nothing() -> None:
    assert uniformity(1.0, 1.0, 0.9) == 0.0
    assert uniformity(0.0, 0.0, 0.05) == 0.0


@pytest.mark.parametrize("slope", [0.0, 0.01, -0.01])
@pytest.mark.parametrize("limit", [{"most_flow_variation": 0.1}, {"least_uniformity": 0.88}])
def test_longest_row_just_keeps_its_limit(slope: float, limit: dict[str, float]) -> None:
    longest = longest_row(THIN, SUPPLY, slope=slope, **limit)  # type: ignore[arg-type]
    plenty = replace(SUPPLY, flow_lpm=1000.0)
    kept, over = (
        zone_solution(Rows(1, longest + more, 1.0, slope=slope), THIN, plenty) for more in (0.0, 0.3048)
    )
    for zone, keeps in ((kept, True), (over, False)):
        within = zone.flow_variation <= 0.1 if "most_flow_variation" in limit else zone.uniformity >= 0.88
        assert within is keeps


def test_longest_row_at_its_edges() -> None:
    assert longest_row(THIN, SUPPLY, most_flow_variation=0.9, up_to_m=30.0) == pytest.approx(98 * 0.3048)
    assert longest_row(THIN, SUPPLY, least_uniformity=0.95) == 0.0  # Cv 0.05 leaves 0.9365 at best
    with pytest.raises(ValueError, match="limit"):
        longest_row(THIN, SUPPLY)
