"""Which chores are due: against a calendar counted by hand, and published flushing flows."""

from __future__ import annotations

from collections.abc import Collection, Mapping
from dataclasses import replace
from datetime import UTC, date, datetime, timedelta
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st
from supply.plots import plot, plot_text

from scheduler.core.system import upkeep
from scheduler.core.system.upkeep import chores_due, crop_cycles_used, flush_flow, last_noted
from scheduler.model import Garden, Note
from scheduler.pages.chores import chore_line, drain_words

GALLON_L = 3.785411784
INCH = 0.0254
GARDEN = plot()


def days(first: str, count: int, every: int = 1) -> list[date]:
    begin = date.fromisoformat(first)
    return [begin + timedelta(days=i * every) for i in range(count)]


def due(
    kind: str,
    day: str,
    *,
    garden: Garden = GARDEN,
    noted: Mapping[tuple[str, str | None], str] | None = None,
    watered: Mapping[str, Collection[date]] | None = None,
    tmin: Mapping[str, float] | None = None,
    put_off: Mapping[tuple[str, str | None], str] | None = None,
) -> list[Any]:
    found = chores_due(
        garden,
        date.fromisoformat(day),
        noted={key: date.fromisoformat(when) for key, when in (noted or {}).items()},  # type: ignore[misc]
        watered=watered or {},
        tmin_ahead_c={date.fromisoformat(when): c for when, c in (tmin or {}).items()},
        put_off={key: date.fromisoformat(when) for key, when in (put_off or {}).items()},  # type: ignore[misc]
    )
    return [chore for chore in found if chore.kind == kind]


# --- flushing ------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("inches", "exact_gpm", "published_gpm"),
    [
        # UC ANR, maintenance of microirrigation systems: 1 gpm per 5/8 in line, 2 gpm per 7/8 in line at
        # 1 ft/s (rounded up there); exact by gpm = 2.448 d_in^2 v, area x velocity in US units
        (0.625, 0.956, 1.0),
        (0.875, 1.874, 2.0),
    ],
)
def test_published_flushing_flow(inches: float, exact_gpm: float, published_gpm: float) -> None:
    gpm = flush_flow(inches * INCH) / GALLON_L
    assert gpm == pytest.approx(exact_gpm, abs=5e-4)
    assert gpm == pytest.approx(2.448 * inches**2, rel=2e-4)
    assert gpm == pytest.approx(published_gpm, rel=0.07)
    assert gpm <= published_gpm


def test_flush_at_season_start_then_every_20_waterings() -> None:
    """Water every other day from 1 May on, flushed on 2 May: the 20th watering after is that of 10 June."""
    water = {"beds": days("2026-05-01", 60, every=2)}
    (first,) = due("flush", "2026-05-01", watered=water)[:1]
    assert (first.zone, first.waterings, first.since) == ("beds", None, date(2026, 5, 1))
    noted = {("flush", "beds"): "2026-05-02"}
    assert not due("flush", "2026-06-09", watered=water, noted=noted)
    again = next(c for c in due("flush", "2026-06-10", watered=water, noted=noted) if c.zone == "beds")
    assert (again.waterings, again.since) == (20, date(2026, 5, 2))
    assert water["beds"][1:21][-1] == date(2026, 6, 10)


def test_flush_of_a_new_crop_comes_before_its_first_water() -> None:
    """Side was planted on 10 May and has had no water yet."""
    (side,) = [c for c in due("flush", "2026-05-12") if c.zone == "side"]
    assert (side.waterings, side.since) == (None, date(2026, 5, 10))


def test_flush_just_before_the_season_counts() -> None:
    water = {"beds": days("2026-05-01", 40)}
    noted = {("flush", None): "2026-04-25"}  # for the whole garden
    assert not [c for c in due("flush", "2026-05-19", watered=water, noted=noted) if c.zone == "beds"]
    (beds,) = [c for c in due("flush", "2026-05-20", watered=water, noted=noted) if c.zone == "beds"]
    assert beds.waterings == 20


def test_thirty_dry_days_begin_a_new_season_of_flushing() -> None:
    water = {"beds": [*days("2026-05-01", 10), date(2026, 6, 9)]}  # 30 days after 10 May
    noted = {("flush", "beds"): "2026-05-02"}
    (chore,) = [c for c in due("flush", "2026-06-09", watered=water, noted=noted) if c.zone == "beds"]
    assert (chore.since, chore.waterings) == (date(2026, 6, 9), None)
    assert "(season begins)" in chore_line([chore])


def test_no_flush_where_nothing_stands() -> None:
    water = {"beds": days("2026-05-01", 110), "side": days("2026-05-01", 110)}
    assert [c.zone for c in due("flush", "2026-08-15", watered=water)] == ["side"]  # beds pulled on the 10th


def test_how_many_lines_can_be_flushed_at_once() -> None:
    """Usable 5 gpm less 20 % = 4 gpm.  Beds: three lines of 80 ft at 0.40 gpm/100 ft drip 0.96 gpm.

    3.04 gpm is left, an open 5/8 in end takes 0.956 gpm: three ends.  With 3 gpm usable 2.04 is left: two.
    """
    water = {"beds": days("2026-05-01", 1)}
    garden = _hold_beds_flow(GARDEN, 0.96 * GALLON_L)
    (chore,) = due("flush", "2026-05-01", garden=garden, watered=water)
    assert "beds, at most 3 ends open at a time (season begins)" in chore_line([chore])
    assert chore.flow.end_lpm == pytest.approx(0.956 * GALLON_L, abs=0.01)
    less = replace(garden, supply=replace(garden.supply, flow_lpm=3.75 * GALLON_L))
    (chore,) = due("flush", "2026-05-01", garden=less, watered=water)
    assert chore.flow.lines_at_once == 2
    little = replace(garden, supply=replace(garden.supply, flow_lpm=1.5 * GALLON_L))
    (chore,) = due("flush", "2026-05-01", garden=little, watered=water)
    assert chore.flow.lines_at_once == 0
    assert "one end at a time with some rows shut off" in chore_line([chore])


def _hold_beds_flow(garden: Garden, flow_lpm: float) -> Garden:
    """With the zone's flow measured, so that the figure does not hang on the friction reckoned."""
    beds, side = garden.zones
    plantings = tuple(replace(p, measured_flow_lpm=flow_lpm) for p in beds.plantings)
    return replace(garden, zones=(replace(beds, plantings=plantings), side))


def test_lines_without_a_known_diameter_get_no_invented_flow() -> None:
    (side,) = [c for c in due("flush", "2026-05-12") if c.zone == "side"]
    assert side.flow is None
    assert "side, one end at a time (" in chore_line([side])


# --- filter --------------------------------------------------------------------------------------


def test_filter_every_10_waterings_since_the_last_rinse() -> None:
    """Water every third day from 1 May on, rinsed on 20 May: the tenth watering after is that of 18 June."""
    water = {"beds": days("2026-05-01", 40, every=3)}
    noted = {("filter", None): "2026-05-20"}
    assert not due("filter", "2026-06-17", watered=water, noted=noted)
    (chore,) = due("filter", "2026-06-18", watered=water, noted=noted)
    assert (chore.waterings, chore.zone, chore.last) == (10, None, date(2026, 5, 20))
    line = "rinse the filter, supply shut and pressure off (10 waterings): rowwater note filter"
    assert line in chore_line([chore])


def test_days_without_water_wear_no_filter() -> None:
    """Nine waterings, then three dry weeks, then the tenth; two zones on one day are one watering."""
    water = {"beds": [*days("2026-05-01", 9), date(2026, 5, 31)], "side": days("2026-05-01", 9)}
    assert not due("filter", "2026-05-30", watered=water)
    assert [c.waterings for c in due("filter", "2026-05-31", watered=water)] == [10]


def test_no_filter_rinse_in_winter() -> None:
    water = {"beds": days("2026-05-01", 100)}
    assert due("filter", "2026-09-06", watered=water)  # the last water was on 8 August, 29 days before
    assert not due("filter", "2026-09-07", watered=water)


def test_a_chore_put_off_is_back_after_five_waterings() -> None:
    """Put off on 20 May; water every other day: that of 29 May is the fifth after."""
    water = {"beds": days("2026-05-01", 30, every=2)}
    later = {("filter", None): "2026-05-20"}
    assert due("filter", "2026-05-20", watered=water)
    for day in ("2026-05-20", "2026-05-28"):
        assert not due("filter", day, watered=water, put_off=later)
        assert due("flush", day, watered=water, put_off=later)  # only what was put off
    assert water["beds"][10:15][-1] == date(2026, 5, 29)
    assert due("filter", "2026-05-29", watered=water, put_off=later)


def test_frost_is_not_put_off() -> None:
    tmin = {"2026-11-02": -1.0}
    assert due("drain", "2026-11-01", tmin=tmin, put_off={("drain", None): "2026-11-01"})


# --- bucket --------------------------------------------------------------------------------------


def test_bucket_is_good_for_60_waterings() -> None:
    """Timed on 30 April; water every day from 1 May: 29 June is the 60th."""
    water = {"beds": days("2026-05-01", 100)}
    noted = {("bucket", None): "2026-04-30"}
    assert not due("bucket", "2026-06-28", watered=water, noted=noted)
    (chore,) = due("bucket", "2026-06-29", watered=water, noted=noted)
    assert (chore.waterings, chore.last) == (60, date(2026, 4, 30))


def test_bucket_never_noted_counts_from_the_first_water_known() -> None:
    water = {"beds": [*days("2025-05-01", 59), date(2026, 5, 1)]}
    assert due("bucket", "2026-05-01", watered=water)
    assert not due("bucket", "2026-05-01")


def test_no_bucket_in_winter() -> None:
    assert not due("bucket", "2027-01-10", watered={"beds": days("2026-05-01", 100)})


# --- tape ----------------------------------------------------------------------------------------


def _third_crop(text: str) -> Garden:
    return plot(text.replace("  side:\n", "      - {crop: lettuce, planted: 2027-04-01}\n  side:\n"))


def test_tape_is_past_its_crops_with_the_third() -> None:
    """Laid 10 April 2026, lasts two: tomato, broccoli; the lettuce of 1 April 2027 is one more."""
    garden = _third_crop(plot_text())
    assert not due("tape", "2026-09-20", garden=garden)
    assert not due("tape", "2027-03-17", garden=garden)
    (ahead,) = due("tape", "2027-03-18", garden=garden)  # 14 days before
    assert (ahead.zone, ahead.due, ahead.ahead) == ("beds", date(2027, 4, 1), True)
    said = "lay new tape in beds before the lettuce of 2027-04-01 (it lasts 2 crops): rowwater note tape beds"
    assert said in chore_line([ahead])
    (late,) = due("tape", "2027-04-11", garden=garden)
    assert (late.due, late.ahead) == (date(2027, 4, 1), False)
    assert "before the next crop" in chore_line([late])


def test_new_tape_noted_sets_its_age_back() -> None:
    garden = _third_crop(plot_text())
    assert not due("tape", "2027-04-11", garden=garden, noted={("tape", "beds"): "2027-03-20"})
    assert due("tape", "2027-04-11", garden=garden, noted={("tape", "side"): "2027-03-20"})


def test_tape_of_unknown_age_or_life_is_left_alone() -> None:
    no_date = _third_crop(plot_text().replace("    tape_laid: 2026-04-10\n", ""))
    no_life = _third_crop(plot_text().replace(", crop_cycles: 2", ""))
    for garden in (no_date, no_life):
        assert not due("tape", "2027-04-11", garden=garden)


@pytest.mark.parametrize(
    ("laid", "day", "crops"),
    [
        ("2026-04-10", "2026-04-19", 0),  # before the tomatoes
        ("2026-04-10", "2026-04-20", 1),
        ("2026-04-10", "2026-08-15", 1),  # pulled, the tape lies on
        ("2026-04-10", "2026-08-20", 2),
        ("2026-08-10", "2026-08-20", 1),  # laid on the day the tomatoes were pulled
        ("2026-08-09", "2026-08-20", 2),  # laid under the standing tomatoes
        ("2027-01-01", "2026-08-20", 0),  # not laid yet
    ],
)
def test_crops_on_a_tape(laid: str, day: str, crops: int) -> None:
    """Beds: tomatoes 20 April to 10 August, broccoli 20 August to 10 November."""
    used = crop_cycles_used(GARDEN, {"beds": date.fromisoformat(laid)}, date.fromisoformat(day))
    assert used == {"beds": crops}


def test_no_zone_asked_about() -> None:
    assert crop_cycles_used(GARDEN, {}, date(2026, 8, 1)) == {}


# --- frost ---------------------------------------------------------------------------------------


def test_drain_before_the_first_frost_night() -> None:
    tmin = {"2026-11-01": 4.0, "2026-11-02": 1.5, "2026-11-03": -0.5, "2026-11-04": -6.0}
    (chore,) = due("drain", "2026-11-01", tmin=tmin)
    assert (chore.night, chore.tmin_c, chore.frost) == (date(2026, 11, 3), -0.5, True)


@pytest.mark.parametrize(
    ("tmin", "frost"),
    [(0.0, [True]), (0.1, [False]), (2.0, [False]), (2.1, []), (float("nan"), [])],
)
def test_frost_and_near_frost(tmin: float, frost: list[bool]) -> None:
    assert [c.frost for c in due("drain", "2026-11-01", tmin={"2026-11-02": tmin})] == frost


def test_frost_tonight_is_due_today_and_past_frost_is_past() -> None:
    (chore,) = due("drain", "2026-11-01", tmin={"2026-11-01": -1.0})
    assert chore.night == date(2026, 11, 1)
    assert not due("drain", "2026-11-02", tmin={"2026-11-01": -1.0})


def test_drained_is_drained_until_water_runs_again() -> None:
    tmin = {"2026-11-12": -3.0}
    noted = {("drain", None): "2026-11-02"}
    assert not due("drain", "2026-11-11", tmin=tmin, noted=noted)
    assert not due("drain", "2026-11-11", tmin=tmin, noted=noted, watered={"beds": [date(2026, 11, 1)]})
    assert due("drain", "2026-11-11", tmin=tmin, noted=noted, watered={"beds": [date(2026, 11, 5)]})


def test_temperatures_in_the_growers_words() -> None:
    (chore,) = due("drain", "2026-11-01", tmin={"2026-11-02": 0.0})
    assert drain_words(chore, "us").startswith("frost forecast for 2026-11-02: 32 F: ")
    assert drain_words(chore, "metric").startswith("frost forecast for 2026-11-02: 0 C: ")


# --- rows mended ---------------------------------------------------------------------------------


def mended(row: int, *on: str, zone: str = "beds") -> dict[tuple[str, int], list[date]]:
    return {(zone, row): [date.fromisoformat(day) for day in on]}


def rows_due(day: str, repairs: Mapping[tuple[str, int], Collection[date]], **noted: str) -> list[Any]:
    done = {(kind, None): date.fromisoformat(when) for kind, when in noted.items()}
    found = chores_due(
        GARDEN, date.fromisoformat(day), noted=done, watered={}, tmin_ahead_c={}, repairs=repairs,  # type: ignore[arg-type]
    )  # fmt: skip
    return [(chore.zone, chore.row, chore.repairs) for chore in found if chore.kind == "row"]  # type: ignore[attr-defined]


def test_the_third_repair_of_a_row_asks_for_a_look() -> None:
    """Own choice; two of one row and one of another do not."""
    three = mended(2, "2026-05-02", "2026-05-09", "2026-06-01")
    assert rows_due("2026-05-31", three) == []  # of days to come none counts
    assert rows_due("2026-06-01", three) == [("beds", 2, 3)]
    assert rows_due("2026-07-01", three) == [("beds", 2, 3)]
    assert rows_due("2026-06-01", mended(2, "2026-05-02", "2026-05-09") | mended(1, "2026-06-01")) == []


def test_a_look_ends_it_until_three_more() -> None:
    six = mended(2, "2026-05-02", "2026-05-09", "2026-06-01", "2026-06-03", "2026-06-05", "2026-06-07")
    assert rows_due("2026-06-06", six, row="2026-06-02") == []
    assert rows_due("2026-06-07", six, row="2026-06-02") == [("beds", 2, 3)]


def test_new_tape_and_new_rows_begin_anew() -> None:
    """The fall broccoli of 20 August stands in nine rows, where the tomatoes stood in three."""
    three = mended(2, "2026-05-02", "2026-05-09", "2026-06-01")
    fresh = chores_due(
        GARDEN, date(2026, 6, 3), noted={("tape", "beds"): date(2026, 6, 2)}, watered={}, tmin_ahead_c={},
        repairs=three,
    )  # fmt: skip
    assert not [chore for chore in fresh if chore.kind == "row"]
    assert rows_due("2026-08-19", three) == [("beds", 2, 3)]
    assert rows_due("2026-08-20", three) == []
    assert rows_due("2026-09-20", mended(2, "2026-08-20", "2026-09-01", "2026-09-02")) == [("beds", 2, 3)]


def test_rows_are_asked_for_in_one_line() -> None:
    both = mended(2, *["2026-05-02"] * 3) | mended(1, *["2026-05-02"] * 4, zone="side")
    found = chores_due(GARDEN, date(2026, 5, 3), noted={}, watered={}, tmin_ahead_c={}, repairs=both)
    line = chore_line([chore for chore in found if chore.kind == "row"])
    assert line.startswith("Chores: look at row 2 of beds (3 repairs), row 1 of side (4 repairs), ")
    assert "rowwater note chore row; not now: rowwater note chore row later" in line


# --- notes, and all together ---------------------------------------------------------------------


def test_newest_note_of_each_chore() -> None:
    at = datetime(2026, 6, 1, tzinfo=UTC)
    notes = [
        Note("filter", date(2026, 5, 20), at),
        Note("filter", date(2026, 5, 6), at),
        Note("tape", date(2026, 4, 9), at, "beds"),
        Note("chore", date(2026, 5, 2), at, "beds", {"chore": "flush"}),
        Note("chore", date(2026, 5, 3), at, None, {"chore": "sharpen the hoe"}),
        Note("chore", date(2026, 5, 4), at, None, {"chore": "filter", "later": True}),
        Note("rain", date(2026, 5, 3), at, None, {"mm": 3.0}),
    ]
    assert last_noted(notes, later=True) == {("filter", None): date(2026, 5, 4)}
    assert last_noted(notes) == {
        ("filter", None): date(2026, 5, 20),
        ("tape", "beds"): date(2026, 4, 9),
        ("flush", "beds"): date(2026, 5, 2),
    }


def test_notes_of_days_to_come_do_not_count() -> None:
    water = {"beds": days("2026-05-01", 40)}
    assert due("filter", "2026-06-05", watered=water, noted={("filter", None): "2026-06-06"})


@given(
    day=st.dates(date(2026, 4, 1), date(2027, 6, 1)),
    watered=st.dictionaries(
        st.sampled_from(["beds", "side"]), st.sets(st.dates(date(2026, 4, 1), date(2027, 6, 1)), max_size=40)
    ),
    noted=st.dictionaries(
        st.tuples(st.sampled_from(["filter", "bucket", "flush", "drain"]), st.none() | st.just("beds")),
        st.dates(date(2026, 4, 1), date(2027, 6, 1)),
    ),
    tmin=st.dictionaries(st.dates(date(2026, 4, 1), date(2027, 6, 1)), st.floats(-10, 10)),
)
def test_laws_of_chores(day: date, watered: Any, noted: Any, tmin: Any) -> None:
    found = chores_due(GARDEN, day, noted=noted, watered=watered, tmin_ahead_c=tmin)
    assert len({(c.kind, c.zone) for c in found}) == len(found)
    order = ["drain", "tape", "row", "filter", "flush", "bucket"]
    assert [c.kind for c in found] == sorted((c.kind for c in found), key=order.index)
    assert all(chore.basis for chore in found)
    assert chore_line(found).count("\n") == 0
    assert bool(chore_line(found)) == any(c.kind != "drain" for c in found)
    # what has been done today is not asked for today
    done = {("filter", None): day, ("bucket", None): day, ("flush", None): day, ("drain", None): day}
    after = chores_due(GARDEN, day, noted=done, watered=watered, tmin_ahead_c=tmin)
    assert {c.kind for c in after} <= {"tape"}
    # what happens after today changes nothing
    earlier = {zone: {when for when in dates if when <= day} for zone, dates in watered.items()}
    assert chores_due(GARDEN, day, noted=noted, watered=earlier, tmin_ahead_c=tmin) == found


def test_intervals_are_those_of_the_trade() -> None:
    """Filter 10 waterings, flush 20, bucket 60 (common practice, no source); 1 ft/s (UC ANR)."""
    assert (upkeep.FILTER_EVERY, upkeep.FLUSH_EVERY, upkeep.BUCKET_GOOD_FOR) == (10, 20, 60)
    assert pytest.approx(12 * INCH) == upkeep.FLUSH_M_S


def test_all_that_is_due_is_one_line() -> None:
    water = {"beds": days("2026-05-01", 61), "side": days("2026-05-01", 61)}
    line = chore_line(due_of_all("2026-06-30", water))
    assert line == (
        "Chores: rinse the filter, supply shut and pressure off (61 waterings): rowwater note filter; "
        "flush the lines of beds, side, one end at a time (season begins): rowwater note chore flush; "
        "time the bucket again (61 waterings): rowwater note chore bucket; "
        "not now: rowwater note chore filter|flush|bucket later"
    )


def due_of_all(day: str, watered: Mapping[str, Collection[date]]) -> list[Any]:
    return chores_due(GARDEN, date.fromisoformat(day), noted={}, watered=watered, tmin_ahead_c={})
