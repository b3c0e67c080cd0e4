"""Feed through the tape: travel times against EPANET's water age and worked numbers; windows, least runs."""

from __future__ import annotations

import math
from datetime import date, timedelta
from pathlib import Path
from typing import Any

import pytest
import yaml
from hydraulics.epanet_network import CAN_RUN, Layout, farthest_age
from hypothesis import given
from hypothesis import strategies as st

from scheduler.core.system.feed import FeedTimes, feed_asked, feed_times, least_run, travel_minutes
from scheduler.model import Feed, Mainline, Rows, Supply, Tape

REFERENCE = Path(__file__).parents[1] / "reference" / "worked_model2.yaml"
EXAMPLES = {e["id"]: e for e in yaml.safe_load(REFERENCE.read_text())["examples"]}
MONDAY = date(2026, 6, 1)


def rows(name: str) -> list[dict[str, Any]]:
    example = EXAMPLES[name]
    return [dict(zip(example["columns"], row, strict=True)) for row in example["rows"]]


def tape(inside_mm: float, spacing_m: float, lpm_per_m: float, **more: Any) -> Tape:
    return Tape("thin", lpm_per_m, emitter_spacing_m=spacing_m, inside_diameter_m=inside_mm / 1000, **more)


# --- how long it travels -------------------------------------------------------------------------


def test_worked_travel_times() -> None:
    for row in rows("travel-time"):
        one = tape(row["inside_mm"], row["emitter_spacing_m"], row["l_per_min_per_100ft"] / 30.48)
        lying = Rows(1, row["length_m"], 1.0)
        found = travel_minutes(lying, one, one.flow_lpm_per_m * lying.tape_m)
        # 48.9 is printed where the sum over 300 emitters is 48.952: ln n + 0.577 in its place gives 48.94
        assert found == pytest.approx(row["minutes"], abs=0.06)


@pytest.mark.skipif(not CAN_RUN, reason="wntr brings no EPANET library for this machine")
@pytest.mark.parametrize(
    "mainline",
    [None, Mainline(0.02, 100.0), Mainline(0.03, 100.0, feed="middle")],
    ids=["row", "line fed at its end", "line fed in its middle"],
)
def test_travel_time_against_the_age_of_water(mainline: Mainline | None, tmp_path: Path) -> None:
    """EPANET 2.2 follows the water's age from pipe to pipe, with each emitter's own flow."""
    one = tape(15.9, 0.3048, 0.05, rated_at_kpa=82.74)
    lying = Rows(5 if mainline else 1, 24.4, 1.5)
    layout = Layout(lying, one, Supply(1e6, pressure_kpa=82.74, mainline=mainline))
    flow, minutes = farthest_age(layout, tmp_path)
    assert travel_minutes(lying, one, flow, mainline) == pytest.approx(minutes, rel=0.002)


def test_what_is_not_known_is_not_made_up() -> None:
    known = tape(16.0, 0.3, 0.05)
    assert travel_minutes(Rows(1, 30.0, 1.0), Tape("thin", 0.05, emitter_spacing_m=0.3), 1.5) is None
    assert travel_minutes(Rows(1, 30.0, 1.0), Tape("thin", 0.05, inside_diameter_m=0.016), 1.5) is None
    assert travel_minutes(Rows(1, 0.2, 1.0), known, 0.01) is None
    assert travel_minutes(Rows(1, 30.0, 1.0), known, 0.0) is None


@given(
    count=st.integers(1, 9), length=st.floats(1, 90), tapes=st.integers(1, 3), flow=st.floats(0.5, 30),
    middle=st.booleans(),
)  # fmt: skip
def test_laws_of_travel(count: int, length: float, tapes: int, flow: float, middle: bool) -> None:
    one, lying = tape(16.0, 0.3, 0.05), Rows(count, length, 1.0, tapes=tapes)
    line = Mainline(0.02, 50.0, feed="middle" if middle else "end")
    alone, behind = (travel_minutes(lying, one, flow, line) for line in (None, line))
    assert alone is not None
    assert behind is not None
    assert behind > alone > 0
    # twice the flow takes half the time
    assert travel_minutes(lying, one, 2 * flow, line) == pytest.approx(behind / 2)


# --- when to inject ------------------------------------------------------------------------------


def test_worked_windows() -> None:
    for row in rows("feed-window"):
        found = feed_times(row["run_min"], travel=row["travel_min"], fill=row["fill_min"])
        if row["start"] is None:
            assert found is None
        else:
            assert found == FeedTimes(row["start"], row["stop"], row["run_min"])


def test_the_longer_injection_where_it_fits() -> None:
    """Travel 21.4: 10.7 before, 42.8 of injection, 21.4 of flushing make 74.9 minutes."""
    assert feed_times(74.0, travel=21.4, fill=3.0) == FeedTimes(31.2, 52.6, 74.0)
    assert feed_times(75.0, travel=21.4, fill=3.0) == FeedTimes(10.8, 53.6, 75.0)


def test_short_rows_are_injected_and_flushed_for_minutes_all_the_same() -> None:
    assert feed_times(40.0, travel=2.0, fill=3.0) == FeedTimes(15.0, 30.0, 40.0)
    assert feed_times(28.0, travel=2.0, fill=3.0) == FeedTimes(3.0, 18.0, 28.0)
    assert feed_times(27.0, travel=2.0, fill=3.0) is None


def test_the_tank_takes_its_time() -> None:
    assert feed_times(60.0, travel=2.0, fill=3.0, injector=40.0) == FeedTimes(10.0, 50.0, 60.0)
    assert feed_times(52.0, travel=2.0, fill=3.0, injector=40.0) is None


@given(
    run=st.floats(1, 400), travel=st.floats(0.1, 120), fill=st.floats(0, 30),
    injector=st.none() | st.floats(1, 120),
)  # fmt: skip
def test_laws_of_the_window(run: float, travel: float, fill: float, injector: float | None) -> None:
    found = feed_times(run, travel=travel, fill=fill, injector=injector)
    least = least_run(travel=travel, fill=fill, injector=injector)
    assert least == math.ceil(least)
    assert feed_times(least, travel=travel, fill=fill, injector=injector) is not None
    assert feed_times(least - 1.001, travel=travel, fill=fill, injector=injector) is None
    if found is None:
        return
    rounding = 1e-5
    assert found.start >= max(fill, travel / 2) - rounding  # the line is full, and under pressure
    assert found.stop - found.start >= max(travel, 15, injector or 0) - rounding
    assert found.flush_until - found.stop >= max(travel, 10) - rounding  # clean water to the last emitter
    assert found.flush_until == run


# --- on which days -------------------------------------------------------------------------------


def test_weekly_is_seven_days_after_the_last_note() -> None:
    days = [MONDAY + timedelta(days=k) for k in range(16)]
    asked = [feed_asked(Feed(), day, [MONDAY, MONDAY + timedelta(days=9)]) for day in days]
    assert [k for k, one in enumerate(asked) if one] == [0, 7, 8, 9]  # and again from the 16th on
    assert feed_asked(Feed(), MONDAY + timedelta(days=16), [MONDAY, MONDAY + timedelta(days=9)])


def test_weekdays_and_notes() -> None:
    wednesdays = Feed(weekdays=(2,))
    assert [k for k in range(7) if feed_asked(wednesdays, MONDAY + timedelta(days=k), [])] == [2]
    assert feed_asked(wednesdays, MONDAY, [MONDAY])  # noted: that day too
    assert feed_asked(None, MONDAY, [MONDAY])
    assert not feed_asked(None, MONDAY, [])
