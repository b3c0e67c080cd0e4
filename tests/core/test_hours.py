"""Minutes into runs: never more flow than the supply has, never outside the hours, whatever the clock."""

from __future__ import annotations

import math
from dataclasses import replace
from datetime import UTC, date, datetime, time, timedelta
from itertools import pairwise
from typing import Any
from zoneinfo import ZoneInfo

import pytest
from core import gardens as g
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from scheduler.core.hours.runs import Ask, ValveAsk, into_hours
from scheduler.core.hours.windows import minutes_between, watering_windows
from scheduler.core.pulsing import Pulsing
from scheduler.model import Hours, Run, Supply, Unmet
from scheduler.show import words

DAY = date(2026, 6, 12)
NEW_YORK = "America/New_York"
SOME = settings(deadline=None, max_examples=100, suppress_health_check=list(HealthCheck))

CLOCK_CHANGES = [  # IANA time zone database: date, zone, true minutes between 01:00 and 04:00
    ("2026-03-08", NEW_YORK, 120),
    ("2026-11-01", NEW_YORK, 240),
    ("2026-03-29", "Europe/Berlin", 120),
    ("2026-10-25", "Europe/Berlin", 240),
    ("2026-10-04", "Australia/Lord_Howe", 150),  # half an hour
    ("2026-04-05", "Australia/Lord_Howe", 210),
    ("2026-06-12", NEW_YORK, 180),
]


def ask(name: str = "north", minutes: float = 30.0, flow: float = 5.0, **more: Any) -> Ask:
    return Ask(name, minutes, flow, **{"net_per_minute": 0.1, "fill_minutes": 0.0} | more)


def valve(*asks: Ask, urgency: float = 1.0, **more: Any) -> ValveAsk:
    return ValveAsk(asks, urgency, **{"shortest_minutes": 5.0, "cap_minutes": 360.0} | more)


def hours(begin: str = "04:00", until: str = "10:00", day: date = DAY, zone: str = NEW_YORK) -> Any:
    return watering_windows(day, [Hours(time.fromisoformat(begin), time.fromisoformat(until))], zone)[0]


def packed(
    *valves: ValveAsk,
    supply: Supply | None = None,
    window: Any = None,
    earliest: datetime | None = None,
    **more: Any,
) -> tuple[tuple[Run, ...], tuple[Unmet, ...]]:
    window = window or hours()
    return into_hours(
        valves,
        supply or Supply(flow_lpm=10.0),
        (window,),
        earliest=earliest or window[0],
        **{"finish": "early"} | more,
    )


def at(*clock: Run) -> list[tuple[str, str, str]]:
    return [(run.zone, f"{run.start:%H:%M}", f"{run.stop:%H:%M}") for run in clock]


# --- any asks, any supply ------------------------------------------------------------------------


@st.composite
def valves(draw: st.DrawFn) -> list[ValveAsk]:
    found, number = [], 0
    for v in range(draw(st.integers(1, 6))):
        minutes = draw(st.integers(1, 240))
        asks = []
        for _ in range(draw(st.sampled_from([1, 1, 1, 2]))):
            number += 1
            asks.append(
                ask(f"zone {number}", float(minutes), draw(g.between(0.5, 14.0)),
                    fill_minutes=draw(st.sampled_from([0.0, 2.0, 7.5])),
                    net_per_minute=draw(g.between(0.01, 0.5)))
            )  # fmt: skip
        found.append(
            ValveAsk(
                tuple(asks), urgency=draw(st.floats(0, 3)) + v * 1e-6,
                shortest_minutes=draw(st.sampled_from([0.0, 5.0, 12.5])),
                cap_minutes=draw(st.sampled_from([15.0, 90.5, 360.0])),
                pulsing=Pulsing(
                    longest=draw(st.sampled_from([math.inf, 10.0, 25.0, 37.5])),
                    holds=draw(st.sampled_from([math.inf, math.inf, 8.0, 31.3])),
                    fill=min(a.fill_minutes for a in asks),
                    least=draw(st.sampled_from([1, 1, 3])),
                    rest=draw(st.sampled_from([0.0, 20.0, 60.0])),
                ),
            )
        )  # fmt: skip
    return found


@SOME
@given(
    asks=valves(), flow=g.between(2.0, 30.0), keep_back=st.sampled_from([0.0, 0.1]),
    cap=st.none() | g.between(50.0, 3000.0), used=st.sampled_from([0.0, 200.0]),
    night=st.sampled_from(CLOCK_CHANGES), length=st.sampled_from(["03:15", "06:00", "10:00"]),
    late=st.integers(-30, 300), seconds=st.integers(0, 59), finish=st.sampled_from(["early", "late"]),
)  # fmt: skip
def test_the_laws_of_a_plan(
    asks: list[ValveAsk], flow: float, keep_back: float, cap: float | None, used: float,
    night: tuple[str, str, int], length: str, late: int, seconds: int, finish: str,
):  # fmt: skip
    supply = Supply(flow_lpm=flow, keep_back=keep_back, daily_cap_l=cap)
    window = hours("01:00", length, date.fromisoformat(night[0]), night[1])
    earliest = datetime.fromtimestamp(window[0].timestamp() + 60 * late + seconds, ZoneInfo(night[1]))
    runs, unmet = into_hours(asks, supply, (window,), earliest=earliest, finish=finish, liters_used=used)
    short = {u.zone: u for u in unmet}
    assert len(short) == len(unmet)
    for run in runs:
        assert run.start.timestamp() >= max(window[0].timestamp(), earliest.timestamp()) - 1e-3
        assert run.stop.timestamp() <= window[1].timestamp() + 1e-3
        assert minutes_between(run.start, run.stop) == pytest.approx(run.minutes, abs=1e-6)
        assert run.minutes > 0
        assert float(run.minutes).is_integer()
        assert run.liters == pytest.approx(run.minutes * run.flow_lpm)
        assert run.start.utcoffset() == run.start.astimezone(ZoneInfo(night[1])).utcoffset()
    assert list(runs) == sorted(runs, key=lambda r: r.start.timestamp())
    for run in runs:  # flow only rises where a run starts
        moment = run.start.timestamp() + 1e-3
        open_now = sum(r.flow_lpm for r in runs if r.start.timestamp() <= moment < r.stop.timestamp())
        assert open_now <= supply.usable_lpm + 1e-6
    if cap is not None:
        assert sum(run.liters for run in runs) <= max(cap - used, 0) + 1e-6
    for one in asks:
        _check_valve(one, {a.zone: [r for r in runs if r.zone == a.zone] for a in one.zones}, short)


def _check_valve(one: ValveAsk, runs: dict[str, list[Run]], short: dict[str, Unmet]) -> None:
    times = {tuple((r.start, r.stop, r.pulse) for r in mine) for mine in runs.values()}
    assert len(times) == 1  # zones on one valve open as one
    pulses = next(iter(runs.values()))
    total = sum(run.minutes for run in pulses)
    assert total <= min(one.minutes, one.cap_minutes)
    assert total == 0 or total >= min(one.shortest_minutes, one.minutes)
    assert [run.pulse for run in pulses] == list(range(1, len(pulses) + 1))
    split, longest = one.pulsing, max((run.minutes for run in pulses), default=0.0)
    assert longest <= split.longest
    if len(pulses) < min(6, total // 5):  # more would be no pulses any more, or too many
        assert longest <= split.fill + split.holds + 1
    for before, after in pairwise(pulses):
        assert minutes_between(before.stop, after.start) >= split.rest - 1e-6
    for zone in one.zones:
        given_mm = max(total - zone.fill_minutes, 0) * zone.net_per_minute
        assert sum(r.net_mm for r in runs[zone.zone]) == pytest.approx(given_mm, abs=1e-9)
        wanted_mm = max(one.minutes - zone.fill_minutes, 0) * zone.net_per_minute
        assert (zone.zone in short) == (total < one.minutes)
        if zone.zone in short:
            assert short[zone.zone].net_mm == pytest.approx(wanted_mm - given_mm, abs=1e-9)
            assert short[zone.zone].why


@SOME
@given(asks=valves(), flow=g.between(2.0, 30.0))
def test_nothing_is_left_out_that_could_run_alone(asks: list[ValveAsk], flow: float):
    """Room for one after another: hours without end serve every valve that the supply can feed."""
    free = [replace(a, cap_minutes=math.inf, shortest_minutes=0.0) for a in asks]
    _, unmet = into_hours(
        free, Supply(flow_lpm=flow),
        ((datetime(2026, 6, 12, tzinfo=UTC), datetime(2026, 6, 30, tzinfo=UTC)),),
        earliest=datetime(2026, 6, 12, tzinfo=UTC),
    )  # fmt: skip
    too_big = {z.zone for a in free if a.flow_lpm > flow + 1e-9 for z in a.zones}
    assert {u.zone for u in unmet} == too_big


# --- one case each -------------------------------------------------------------------------------


def test_zones_run_together_while_the_flow_allows():
    runs, unmet = packed(
        valve(ask("a", 60, 6.0), urgency=3),
        valve(ask("b", 30, 4.0), urgency=2),
        valve(ask("c", 20, 4.1), urgency=1),
    )
    assert at(*runs) == [("a", "04:00", "05:00"), ("b", "04:00", "04:30"), ("c", "05:00", "05:20")]
    assert not unmet


def test_keep_back_is_kept_back():
    supply = Supply(flow_lpm=10.0, keep_back=0.1)
    runs, _ = packed(valve(ask("a", 60, 5.0), urgency=2), valve(ask("b", 30, 4.1)), supply=supply)
    assert at(*runs) == [("a", "04:00", "05:00"), ("b", "05:00", "05:30")]


def test_late_ends_with_the_hours_and_early_begins_with_them():
    one = valve(ask(minutes=45))
    assert at(*packed(one, finish="late")[0]) == [("north", "09:15", "10:00")]
    assert at(*packed(one, finish="early")[0]) == [("north", "04:00", "04:45")]


def test_the_driest_goes_first_where_not_all_fit():
    window = hours("04:00", "05:00")
    runs, unmet = packed(
        valve(ask("mild", 50, 8.0), urgency=0.6), valve(ask("dry", 50, 8.0), urgency=1.4), window=window
    )
    assert at(*runs) == [("dry", "04:00", "04:50"), ("mild", "04:50", "05:00")]
    assert [(u.zone, u.why) for u in unmet] == [("mild", "the watering hours are full")]
    assert unmet[0].net_mm == pytest.approx(4.0)


def test_a_rest_below_the_shortest_run_is_left_unmet_whole():
    window = hours("04:00", "05:00")
    runs, unmet = packed(valve(ask("dry", 56, 8.0), urgency=2), valve(ask("mild", 50, 8.0)), window=window)
    assert at(*runs) == [("dry", "04:00", "04:56")]
    assert unmet[0].net_mm == pytest.approx(5.0)


def test_a_zone_too_big_for_the_supply_is_told_so():
    runs, unmet = packed(valve(ask(flow=10.2)), valve(ask("small", 10, 3.0)))
    assert at(*runs) == [("small", "04:00", "04:10")]
    assert unmet[0].numbers == (10.2, 10.0)
    assert "10.2 L/min and the supply can feed 10.0 L/min" in words(unmet[0].why, unmet[0].numbers, "metric")


def test_two_zones_on_a_valve_count_with_both_flows():
    runs, unmet = packed(valve(ask("a", 30, 6.0), ask("b", 20, 5.0)))
    assert not runs
    assert {u.zone for u in unmet} == {"a", "b"}


@pytest.mark.parametrize(
    ("limit", "minutes", "why"),
    [
        ({"cap_minutes": 20.9}, 20, "valve's cap"),
        ({"supply": Supply(flow_lpm=10.0, daily_cap_l=126.0)}, 25, "daily cap"),
        ({"supply": Supply(flow_lpm=10.0, daily_cap_l=126.0), "liters_used": 60.0}, 13, "daily cap"),
    ],
)
def test_caps(limit: dict[str, Any], minutes: int, why: str):
    cap = {k: limit.pop(k) for k in ("cap_minutes",) if k in limit}
    runs, unmet = packed(valve(ask(), **cap), **limit)
    assert [run.minutes for run in runs] == [minutes]
    assert why in unmet[0].why


def test_a_spent_cap_leaves_nothing():
    supply = Supply(flow_lpm=10.0, daily_cap_l=100.0)
    runs, unmet = packed(valve(ask()), supply=supply, liters_used=120.0)
    assert not runs
    assert "daily cap" in unmet[0].why


def test_pulses_are_even_and_rest_between_and_fill_once():
    """70 minutes in pulses of at most 30: 24 + 23 + 23, an hour apart; the line fills in the first."""
    runs, _ = packed(valve(ask(minutes=70, fill_minutes=4.0), pulsing=Pulsing(longest=30.0, rest=60.0)))
    assert at(*runs) == [
        ("north", "04:00", "04:24"),
        ("north", "05:24", "05:47"),
        ("north", "06:47", "07:10"),
    ]
    assert [run.net_mm for run in runs] == pytest.approx([2.0, 2.3, 2.3])
    assert [run.pulse for run in runs] == [1, 2, 3]


def test_a_neighbour_runs_while_a_zone_rests():
    runs, _ = packed(
        valve(ask("a", 60, 8.0), urgency=2, pulsing=Pulsing(longest=30.0, rest=45.0)),
        valve(ask("b", 40, 8.0), urgency=1),
    )
    assert at(*runs) == [("a", "04:00", "04:30"), ("b", "04:30", "05:10"), ("a", "05:15", "05:45")]


def test_pulses_number_on_from_those_already_done():
    runs, _ = packed(valve(ask(minutes=40, first_pulse=3), pulsing=Pulsing(longest=20.0)))
    assert [run.pulse for run in runs] == [3, 4]


def test_a_plan_made_in_the_middle_of_the_hours_starts_then():
    window = hours()
    late = datetime(2026, 6, 12, 9, 20, 30, tzinfo=ZoneInfo(NEW_YORK))
    runs, unmet = packed(valve(ask(minutes=60)), window=window, earliest=late)
    assert runs[0].start == late
    assert runs[0].minutes == 39  # whole minutes until 10:00
    assert unmet[0].why == "the watering hours are full"
    none, unmet = packed(valve(ask()), window=window, earliest=window[1] + timedelta(hours=1))
    assert not none
    assert "over" in unmet[0].why


def test_a_plan_asked_for_in_another_time_zone_is_told_in_the_garden_s():
    window = hours()
    runs, _ = packed(valve(ask()), window=window, earliest=datetime(2026, 6, 12, 9, 0, tzinfo=UTC))
    assert at(*runs) == [("north", "05:00", "05:30")]
    assert runs[0].start.utcoffset() == timedelta(hours=-4)


# --- clock changes -------------------------------------------------------------------------------


@pytest.mark.parametrize(("day", "zone", "minutes"), CLOCK_CHANGES)
@pytest.mark.parametrize("finish", ["early", "late"])
def test_a_night_of_a_clock_change_has_its_true_length(day: str, zone: str, minutes: int, finish: str):
    """Two runs that cannot overlap fill the hours 01:00-04:00 to the last minute, no further."""
    window = hours("01:00", "04:00", date.fromisoformat(day), zone)
    assert minutes_between(*window) == minutes
    half = valve(ask("a", minutes / 2, 8.0), urgency=2), valve(ask("b", 300, 8.0), urgency=1)
    runs, _ = packed(*half, window=window, finish=finish)
    assert sum(run.minutes for run in runs) == minutes
    assert minutes_between(window[0], runs[0].start) == 0
    assert minutes_between(runs[0].stop, runs[1].start) == 0
    assert minutes_between(runs[1].stop, window[1]) == 0
    assert (runs[0].start.hour, runs[1].stop.hour) == (1, 4)


def test_hours_that_begin_in_the_hour_that_is_skipped():
    """02:30 does not exist on that night: its minutes are spent from 03:30 summer time on."""
    begin, until = hours("02:30", "04:00", date(2026, 3, 8))
    assert (begin.isoformat(), until.isoformat()) == (
        "2026-03-08T03:30:00-04:00",
        "2026-03-08T04:00:00-04:00",
    )


def test_the_second_of_two_equal_hours_is_not_the_first():
    """1 November, New York: 01:10 standard time comes 40 minutes after 01:30 summer time."""
    window = hours("01:30", "04:00", date(2026, 11, 1))
    assert window[0].isoformat() == "2026-11-01T01:30:00-04:00"
    now = datetime(2026, 11, 1, 1, 10, tzinfo=ZoneInfo(NEW_YORK), fold=1)
    runs, _ = packed(valve(ask()), window=window, earliest=now)
    assert runs[0].start.isoformat() == "2026-11-01T01:10:00-05:00"
    assert runs[0].stop.isoformat() == "2026-11-01T01:40:00-05:00"
