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
from scheduler.pages.chores import words_of

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
) -> list[Any]:
    found = chores_due(
        garden,
        date.fromisoformat(day),
        noted={key: date.fromisoformat(when) for key, when in (noted or {}).items()},  # type: ignore[misc]
        watered=watered or {},
        tmin_ahead_c={date.fromisoformat(when): c for when, c in (tmin or {}).items()},
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


def test_flush_at_season_start_then_every_30_days_of_watering() -> None:
    """First water on 1 May: due that day; flushed on 2 May: again on 1 June."""
    water = {"beds": days("2026-05-01", 60, every=2)}
    (first,) = due("flush", "2026-05-01", watered=water)[:1]
    assert (first.zone, first.due, first.overdue_days) == ("beds", date(2026, 5, 1), 0)
    noted = {("flush", "beds"): "2026-05-02"}
    assert [c.zone for c in due("flush", "2026-05-31", watered=water, noted=noted)] == ["side"]
    again = next(c for c in due("flush", "2026-06-03", watered=water, noted=noted) if c.zone == "beds")
    assert (again.due, again.overdue_days) == (date(2026, 6, 1), 2)


def test_flush_of_a_new_crop_comes_before_its_first_water() -> None:
    """Side was planted on 10 May and has had no water yet."""
    (side,) = [c for c in due("flush", "2026-05-12") if c.zone == "side"]
    assert (side.due, side.overdue_days) == (date(2026, 5, 10), 2)


def test_flush_just_before_the_season_counts() -> None:
    water = {"beds": days("2026-05-01", 40)}
    noted = {("flush", None): "2026-04-25"}  # for the whole garden
    assert not [c for c in due("flush", "2026-05-30", watered=water, noted=noted) if c.zone == "beds"]
    assert [c.due for c in due("flush", "2026-05-31", watered=water, noted=noted) if c.zone == "beds"] == [
        date(2026, 5, 31)
    ]


def test_thirty_dry_days_begin_a_new_season_of_flushing() -> None:
    water = {"beds": [*days("2026-05-01", 10), date(2026, 6, 9)]}  # 30 days after 10 May
    noted = {("flush", "beds"): "2026-05-02"}
    (chore,) = [c for c in due("flush", "2026-06-09", watered=water, noted=noted) if c.zone == "beds"]
    assert (chore.due, chore.days) == (date(2026, 6, 9), None)
    assert words_of(chore, "us").why == "watering season begins (2026-06-09)"


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
    how = "open at most 3 ends at a time: each needs 0.96 gpm; close when it runs clear"
    assert words_of(chore, "us").how == how
    assert chore.flow.end_lpm == pytest.approx(0.956 * GALLON_L, abs=0.01)
    less = replace(garden, supply=replace(garden.supply, flow_lpm=3.75 * GALLON_L))
    (chore,) = due("flush", "2026-05-01", garden=less, watered=water)
    assert chore.flow.lines_at_once == 2
    little = replace(garden, supply=replace(garden.supply, flow_lpm=1.5 * GALLON_L))
    (chore,) = due("flush", "2026-05-01", garden=little, watered=water)
    assert chore.flow.lines_at_once == 0
    assert "shut some rows off" in words_of(chore, "us").how


def _hold_beds_flow(garden: Garden, flow_lpm: float) -> Garden:
    """With the zone's flow measured, so that the figure does not hang on the friction reckoned."""
    beds, side = garden.zones
    plantings = tuple(replace(p, measured_flow_lpm=flow_lpm) for p in beds.plantings)
    return replace(garden, zones=(replace(beds, plantings=plantings), side))


def test_lines_without_a_known_diameter_get_no_invented_flow() -> None:
    (side,) = [c for c in due("flush", "2026-05-12") if c.zone == "side"]
    assert side.flow is None
    assert "tapes.thick.inside_diameter" in words_of(side, "us").how


# --- filter --------------------------------------------------------------------------------------


def test_filter_every_14_days_of_watering_since_the_last_rinse() -> None:
    """Water from 1 May on, rinsed on 20 May: due on 3 June, two days overdue on the 5th."""
    water = {"beds": days("2026-05-01", 40)}
    noted = {("filter", None): "2026-05-20"}
    assert not due("filter", "2026-06-02", watered=water, noted=noted)
    (chore,) = due("filter", "2026-06-05", watered=water, noted=noted)
    assert (chore.due, chore.overdue_days, chore.zone) == (date(2026, 6, 3), 2, None)
    assert "16 days of watering; last noted 2026-05-20" in words_of(chore, "us").why


def test_filter_counts_from_the_first_water_without_a_note() -> None:
    water = {"beds": days("2026-05-01", 15), "side": days("2026-05-10", 9)}
    assert not due("filter", "2026-05-14", watered=water)
    assert [c.due for c in due("filter", "2026-05-15", watered=water)] == [date(2026, 5, 15)]


@pytest.mark.parametrize(("gap_days", "is_due"), [(29, True), (30, False)])
def test_thirty_days_without_water_set_the_filter_back(gap_days: int, is_due: bool) -> None:
    """Rinsed on 1 May, water until 5 May, then again after the gap."""
    again = date(2026, 5, 5) + timedelta(days=gap_days)
    water = {"beds": [*days("2026-05-01", 5), again]}
    assert (
        bool(due("filter", again.isoformat(), watered=water, noted={("filter", None): "2026-05-01"}))
        == is_due
    )


def test_no_filter_rinse_in_winter() -> None:
    water = {"beds": days("2026-05-01", 100)}
    assert due("filter", "2026-09-06", watered=water)  # the last water was on 8 August, 29 days before
    assert not due("filter", "2026-09-07", watered=water)


# --- bucket --------------------------------------------------------------------------------------


def test_bucket_is_good_for_180_days() -> None:
    """Timed on 1 April; 28 September is the 180th day after."""
    noted = {("bucket", None): "2026-04-01"}
    assert not due("bucket", "2026-09-27", noted=noted)
    (chore,) = due("bucket", "2026-09-28", noted=noted)
    assert (chore.due, chore.overdue_days) == (date(2026, 9, 28), 0)
    assert date(2026, 4, 1) + timedelta(days=180) == date(2026, 9, 28)


def test_bucket_never_noted_counts_from_the_first_water_known() -> None:
    water = {"beds": days("2025-05-01", 30)}
    assert due("bucket", "2026-05-01", watered=water)
    assert not due("bucket", "2026-05-01")


def test_no_bucket_in_winter() -> None:
    assert not due("bucket", "2027-01-10", noted={("bucket", None): "2026-04-01"})


# --- tape ----------------------------------------------------------------------------------------


def _third_crop(text: str) -> Garden:
    return plot(text.replace("  side:\n", "      - {crop: lettuce, planted: 2027-04-01}\n  side:\n"))


def test_tape_is_past_its_crops_with_the_third() -> None:
    """Laid 10 April 2026, lasts two: tomato, broccoli; the lettuce of 1 April 2027 is one more."""
    garden = _third_crop(plot_text())
    assert not due("tape", "2026-09-20", garden=garden)
    assert not due("tape", "2027-03-17", garden=garden)
    (ahead,) = due("tape", "2027-03-18", garden=garden)  # 14 days before
    assert (ahead.zone, ahead.due, ahead.overdue_days) == ("beds", date(2027, 4, 1), 0)
    assert (words_of(ahead, "us").what, ahead.level) == ("lay new tape", "look")
    assert "lettuce (2027-04-01)" in words_of(ahead, "us").why
    (late,) = due("tape", "2027-04-11", garden=garden)
    assert (late.due, late.overdue_days, late.level) == (date(2027, 4, 1), 10, "info")


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
    assert (chore.due, chore.level, chore.overdue_days) == (date(2026, 11, 2), "look", 0)
    assert "2026-11-03" in words_of(chore, "us").why
    assert chore.tmin_c == -0.5


@pytest.mark.parametrize(
    ("tmin", "levels"),
    [(0.0, ["look"]), (0.1, ["info"]), (2.0, ["info"]), (2.1, []), (float("nan"), [])],
)
def test_frost_and_near_frost(tmin: float, levels: list[str]) -> None:
    assert [c.level for c in due("drain", "2026-11-01", tmin={"2026-11-02": tmin})] == levels


def test_frost_tonight_is_due_today_and_past_frost_is_past() -> None:
    (chore,) = due("drain", "2026-11-01", tmin={"2026-11-01": -1.0})
    assert chore.due == date(2026, 11, 1)
    assert not due("drain", "2026-11-02", tmin={"2026-11-01": -1.0})


def test_drained_is_drained_until_water_runs_again() -> None:
    tmin = {"2026-11-12": -3.0}
    noted = {("drain", None): "2026-11-02"}
    assert not due("drain", "2026-11-11", tmin=tmin, noted=noted)
    assert not due("drain", "2026-11-11", tmin=tmin, noted=noted, watered={"beds": [date(2026, 11, 1)]})
    assert due("drain", "2026-11-11", tmin=tmin, noted=noted, watered={"beds": [date(2026, 11, 5)]})


def test_temperatures_in_the_growers_words() -> None:
    (chore,) = due("drain", "2026-11-01", tmin={"2026-11-02": 0.0})
    assert words_of(chore, "us").why == "frost forecast for 2026-11-02: 32 F"


# --- notes, and all together ---------------------------------------------------------------------


def test_newest_note_of_each_chore() -> None:
    at = datetime(2026, 6, 1, tzinfo=UTC)
    notes = [
        Note("filter", date(2026, 5, 20), at),
        Note("filter", date(2026, 5, 6), at),
        Note("tape", date(2026, 4, 9), at, "beds"),
        Note("chore", date(2026, 5, 2), at, "beds", {"chore": "flush"}),
        Note("chore", date(2026, 5, 3), at, None, {"chore": "sharpen the hoe"}),
        Note("rain", date(2026, 5, 3), at, None, {"mm": 3.0}),
    ]
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
    late = [c.overdue_days for c in found]
    assert late == sorted(late, reverse=True)
    for chore in found:
        assert chore.overdue_days == max((day - chore.due).days, 0)
        assert chore.basis
    # what has been done today is not asked for today
    done = {("filter", None): day, ("bucket", None): day, ("flush", None): day, ("drain", None): day}
    after = chores_due(GARDEN, day, noted=done, watered=watered, tmin_ahead_c=tmin)
    assert {c.kind for c in after} <= {"tape"}
    # what happens after today changes nothing
    earlier = {zone: {when for when in dates if when <= day} for zone, dates in watered.items()}
    assert chores_due(GARDEN, day, noted=noted, watered=earlier, tmin_ahead_c=tmin) == found


def test_intervals_are_those_of_the_trade() -> None:
    """Filter 14 days, flush 30 days, bucket 180 days (common practice, no source); 1 ft/s (UC ANR)."""
    assert (upkeep.FILTER_EVERY_DAYS, upkeep.FLUSH_EVERY_DAYS, upkeep.BUCKET_GOOD_FOR_DAYS) == (14, 30, 180)
    assert pytest.approx(12 * INCH) == upkeep.FLUSH_M_S
