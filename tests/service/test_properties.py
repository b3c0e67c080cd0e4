"""P1 to P10 over random fault sequences and over a season in the played shed; every seed can be repeated."""

from __future__ import annotations

import copy
import gc
import logging
import os
import random
import sys
import time
import types
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import replace
from datetime import date, datetime, timedelta
from datetime import time as clock_time
from zoneinfo import ZoneInfo

import pytest
from long_run import LONG
from service.faults import sequence
from service.played import Trace
from service.plot import PLOT
from service.world import MOST_STEPS, Violation, World

from scheduler.model import Applied, Opening, Share, Unsettled
from scheduler.service.actions import Book, Write
from scheduler.service.recovery import Recovery

SEQUENCES = 10_000 if LONG else 1_500
CHUNK = 125  # so that the workers of a test run share them out
SEASON_DAYS = 200
SEASON_AIM_S = 10.0
SEASON_LIMIT_S = 5 * SEASON_AIM_S  # a busy machine is no finding
FLAT = 0.05  # memory at the end of the season against its middle
DAY_S = 86_400.0


@contextmanager
def silent_log() -> Iterator[None]:
    logging.disable(logging.CRITICAL)
    try:
        yield
    finally:
        logging.disable(logging.NOTSET)


def first_seed() -> int:
    """The same sequences each time; in a long run others, wherever nobody asks for these."""
    asked = os.environ.get("ROWWATER_TEST_SEED")
    if asked is None and LONG:
        return random.randrange(10**9)
    return int(asked or 0)


@pytest.mark.parametrize("part", range(SEQUENCES // CHUNK))
def test_the_properties_hold_over_random_fault_sequences(part: int) -> None:
    """A failing seed is printed: `sequence(seed)` plays it again."""
    ticks = bookings = 0
    failed = []
    first = first_seed() + part * CHUNK
    with silent_log():
        for seed in range(first, first + CHUNK):
            try:
                world = sequence(seed)
            except Exception as error:
                failed.append(f"seed {seed}: {type(error).__name__}: {str(error)[:300]}")
                continue
            ticks += world.ticks
            bookings += world.checked_bookings
    assert not failed, "\n".join(failed)
    assert ticks > 100 * CHUNK  # the days really were played
    assert bookings > 3 * CHUNK  # bookings held against the valves


def test_the_checks_can_fail() -> None:
    """A shed whose valve stays open, and a ledger that opens twice, are found."""
    world = World(3)
    world.run(6 * 3600.0)
    valve = world.valves["gpio:1"]
    valve.open_since = world.now - world.plot.cap_s - 10
    with pytest.raises(Violation, match="P2"):
        world.check()
    valve.open_since = world.now
    for other in world.valves.values():
        other.open_since = world.now
    with pytest.raises(Violation, match="P1"):
        world.check()
    opened = next(iter(world.disk.openings.values()))
    for valve in world.valves.values():
        valve.open_since = None
    with pytest.raises(Violation, match="P4"):
        world.opening_sent(world.valves[opening_valve(world, opened.uid)], opened.uid, 60.0)
    with pytest.raises(Violation, match="P9"):
        world.opening_sent(world.valves["gpio:1"], "never written", 60.0)
    booked = world.disk.applied[0]
    world.check_day(booked.day)
    world.disk.applied.append(booked)
    with pytest.raises(Violation, match="P4"):
        world.check_day(booked.day)
    with pytest.raises(Violation, match="P5: .* opened after it was booked"):
        world.opened_late(world.valves[opening_valve(world, opened.uid)], opened.uid)
    late = world.valves["gpio:1"]
    late.open_since = late.late_since = world.started_at
    with pytest.raises(Violation, match="P2: .* opened late and stays open"):
        world.check()
    late.shut()
    world.ran[opened.uid] = 1.0
    with pytest.raises(Violation, match="P5"):
        world._check_booking(next(b for b in world.books_seen if b.uid == opened.uid))
    world.disk.applied.clear()
    world.disk.identities.clear()
    with pytest.raises(Violation, match="P10"):
        world.check_day(booked.day)


def test_a_day_that_does_not_end_is_found() -> None:
    world = World(3)

    def again() -> None:
        world.at(0.0, again)

    world.at(60.0, again)
    world._next = lambda: world.now  # type: ignore[method-assign]
    with pytest.raises(Violation, match="does not end: seed 3"):
        world.run(120.0)
    assert world.ticks <= MOST_STEPS


@pytest.mark.parametrize("restart", [False, True])
@pytest.mark.parametrize("remembered", [True, False])
def test_an_old_copy_put_back_opens_nothing_twice(restart: bool, remembered: bool) -> None:
    """The morning's runs over, its early copy back; without a trace the check finds that it waters again."""
    world = plain(usable_lpm=45.0, hours=(clock_time(4), clock_time(16)), finish="early")
    world.run(1800.0)
    early = copy.deepcopy(world.disk)
    world.run(7 * 3600.0)
    assert runs_of(world, DAY) == pytest.approx(WHOLE, abs=0.2)
    opened = dict(world.opened_identities)
    if restart:
        world.die("kill")
    world.disk, world.gone = early, world.alive
    if not remembered:
        world.trace = Trace()
        if restart:
            with pytest.raises(Violation, match="P4"):
                world.run(EVENING_S)
        return
    world.run(EVENING_S)
    assert world.opened_identities == opened
    assert runs_of(world, DAY) == pytest.approx(WHOLE, abs=0.2)
    assert any("older records" in text for text in world.told)
    world.disk.older_through = None  # a person says that they are right
    world.run(2 * DAY_S)
    assert runs_of(world, DAY + timedelta(days=1)) == pytest.approx(WHOLE, abs=0.2)


def test_what_is_written_down_is_checked() -> None:
    """With a clock that is not right, for too long, twice, or with litres that are not on record."""
    world = World(3)
    world.run(6 * 3600.0)
    uid, opening = next(iter(world.disk.openings.items()))
    now = datetime.fromtimestamp(world.wall, world.plot.zone)
    with pytest.raises(Violation, match="P5: .* twice"):
        world.handed_in(Book(uid, (), now))
    with pytest.raises(Violation, match="P2"):
        world.handed_in(Write(replace(opening, seconds=world.plot.cap_s + 1)))
    world.synced = False
    world.moment()
    with pytest.raises(Violation, match="P8: an opening"):
        world.handed_in(Write(opening))
    world.clock_was_right = False
    with pytest.raises(Violation, match="P8: written down"):
        world.handed_in(Book(None, (), now))
    world.disk.applied.append(world.disk.applied[-1])
    with pytest.raises(Violation, match="litres"):
        world.check_liters()


def opening_valve(world: World, uid: str) -> str:
    return world.disk.openings[uid].valve


def test_a_season_is_fast_and_its_memory_flat() -> None:
    """Memory: all that the service's objects and modules hold on to, in the middle and at the end."""
    world = World(7, beat_s=120.0)
    with silent_log():
        begin = time.process_time()
        world.run(SEASON_DAYS // 2 * DAY_S)
        took = time.process_time() - begin
        middle = kept_bytes(world)
        begin = time.process_time()
        world.run(SEASON_DAYS * DAY_S)
        took += time.process_time() - begin
    late = kept_bytes(world)
    print(f"{SEASON_DAYS} days in {took:.1f} s of CPU (aim {SEASON_AIM_S:.0f}); kept {middle}, {late} bytes")
    assert took < SEASON_LIMIT_S
    assert abs(late - middle) < FLAT * middle
    days = {record.day for record in world.disk.applied if record.outcome == "done"}
    assert len(days) == SEASON_DAYS
    for day in days:
        world.check_day(day)
    wanted = sum(minutes for _, _, minutes in PLOT.zones.values()) * SEASON_DAYS
    assert sum(record.minutes for record in world.disk.applied) == pytest.approx(wanted, rel=0.01)
    assert world.opened_identities
    assert max(world.opened_identities.values()) == 1
    world.runner.recovery.lost = [bytes(1000) for _ in range(100)]  # type: ignore[misc]
    assert kept_bytes(world) > late + 100_000  # a leak would show


def kept_bytes(world: World) -> int:
    """What can be reached from the service and from the variables of its modules, but not the played shed."""
    gc.collect()
    played = {id(one) for one in (world, world.books, world.bank, world.disk)}
    shared = (type, types.ModuleType, types.FunctionType, types.BuiltinFunctionType, types.MethodType)
    modules = [vars(m) for name, m in sys.modules.items() if name.startswith("scheduler.")]
    left: list[object] = [world.runner, world.trust, *world.bank.cares.values()]
    left += [v for names in modules for k, v in names.items() if not k.startswith("__")]
    seen: set[int] = set(played)
    total = 0
    while left:
        one = left.pop()
        if (
            id(one) in seen
            or isinstance(one, shared)
            or type(one).__module__.startswith(("logging", "click"))
        ):
            continue
        seen.add(id(one))
        total += sys.getsizeof(one)
        left += gc.get_referents(one)
    return total


# --- rows of the table, one by one, with the very same parts ---


def plain(start: datetime | None = None, **plot: object) -> World:
    return World(1, replace(PLOT, **plot), start=start, beat_s=60.0)  # type: ignore[arg-type]


def runs_of(world: World, day: date) -> dict[str, float]:
    given: dict[str, float] = {}
    for record in world.disk.applied:
        if record.day == day:
            given[record.zone] = given.get(record.zone, 0.0) + record.minutes
    return given


DAY = date(2026, 6, 1)
START = datetime(2026, 6, 1, 4, tzinfo=PLOT.zone)
WHOLE = {name: minutes for name, (_, _, minutes) in PLOT.zones.items()}


@pytest.mark.parametrize("stale_s", [9 * 3600.0, 365 * DAY_S])
def test_row_1_a_stale_clock_opens_nothing_until_it_is_set(stale_s: float) -> None:
    world = plain()
    world.run(600.0)
    world.power_cut(30.0, stale_s=stale_s)
    world.events = [e for e in world.events if e[0] <= world.now + 31]  # it is set later, by hand
    world.at(2 * 3600.0, lambda: world.sync(stale_s))
    world.run(2 * 3600.0)
    assert not world.opened_identities
    assert any("clock not trusted" in text for text in world.told)
    world.run(9 * 3600.0)
    assert runs_of(world, DAY) == pytest.approx(WHOLE, abs=0.2)


@pytest.mark.parametrize("step_s", [1800.0, 2 * 3600.0, 3 * DAY_S, 365 * DAY_S])
def test_row_2_the_clock_steps_forward_over_a_due_time(step_s: float) -> None:
    world = plain()
    world.run(1800.0)
    ticks = world.ticks
    world.sync(step_s)
    world.run(8 * 3600.0)
    assert world.ticks - ticks < 1000  # no making up for missed ticks
    assert max(world.opened_identities.values(), default=0) <= 1
    day = (datetime.fromtimestamp(world.true0, world.plot.zone) + timedelta(seconds=step_s)).date()
    if step_s < DAY_S:
        assert runs_of(world, DAY) == pytest.approx(WHOLE, abs=0.2)
    else:
        assert runs_of(world, day)  # the new day is watered by a plan of its own
        told = [line.text for line in world.runner.notices.in_order()]
        assert sum("of 2026-06-01" in text and "did not happen" in text for text in told) >= 1


@pytest.mark.parametrize("restart", [False, True])
@pytest.mark.parametrize("after_s", [600.0, 4 * 3600.0])
def test_row_3_the_clock_steps_back_in_or_after_a_run(after_s: float, restart: bool) -> None:
    world = plain()
    world.run(3 * 3600.0)
    while not any(valve.open_since is not None for valve in world.valves.values()):
        world.run(world.now + 60)
    world.run(world.now + after_s)
    world.sync(-3600.0)
    if restart:
        world.die("kill")
    world.run(world.now + 10 * 3600.0)
    assert max(world.opened_identities.values()) == 1
    for record in world.disk.applied:  # P5 is checked at each booking; here: nobody got more than planned
        assert record.minutes <= WHOLE[record.zone] + 0.1


CHANGES = [
    ("America/New_York", date(2026, 3, 8)),
    ("America/New_York", date(2026, 11, 1)),
    ("Europe/Berlin", date(2026, 3, 29)),
    ("Europe/Berlin", date(2026, 10, 25)),
    ("Australia/Lord_Howe", date(2026, 4, 5)),
    ("Australia/Lord_Howe", date(2026, 10, 4)),
]
"""Nights on which these zones change their offset in 2026: the IANA time zone database."""


@pytest.mark.parametrize("hours", ["01:30", "02:30", "05:00"])
@pytest.mark.parametrize(("zone", "day"), CHANGES)
def test_row_4_one_run_per_local_date_over_a_clock_change(zone: str, day: date, hours: str) -> None:
    begin = clock_time.fromisoformat(hours)
    until = clock_time(begin.hour + 6, begin.minute)
    plan_at = clock_time(0, 50)
    site = ZoneInfo(zone)
    start = datetime(day.year, day.month, day.day, tzinfo=site) - timedelta(days=1)
    world = plain(start, zone=site, hours=(begin, until), plan_at=plan_at)
    world.run(3 * DAY_S)
    for k in (-1, 0, 1):
        given = runs_of(world, day + timedelta(days=k))
        assert given == pytest.approx(WHOLE, abs=0.2), day + timedelta(days=k)
    assert max(world.opened_identities.values()) == 1


@pytest.mark.parametrize("off_s", [2400.0, 3 * DAY_S])
def test_row_6_power_off_over_the_due_time(off_s: float) -> None:
    hours = (clock_time(2, 30), clock_time(8, 0))
    world = plain(datetime(2026, 6, 1, tzinfo=PLOT.zone), hours=hours, plan_at=clock_time(1, 30))
    world.run(2 * 3600.0)
    world.power_cut(off_s)
    world.run(world.now + off_s + 6 * 3600.0)
    today = datetime.fromtimestamp(world.wall, PLOT.zone).date()
    assert runs_of(world, today) == pytest.approx(WHOLE, abs=0.2)
    assert max(world.opened_identities.values()) == 1


def test_row_7_runs_that_outgrow_the_hours_are_cut_with_a_reason() -> None:
    world = plain(usable_lpm=12.5)
    world.run(8 * 3600.0)  # 205 min of single runs in six hours, but held up for four
    assert runs_of(world, DAY) == pytest.approx(WHOLE, abs=0.5)
    late = plain(usable_lpm=12.5)
    late.disk_full = True
    late.at(5 * 3600.0 + 600, lambda: setattr(late, "disk_full", False))
    late.run(8 * 3600.0)
    given = runs_of(late, DAY)
    assert sum(given.values()) < sum(WHOLE.values())
    late.check_day(DAY)


def test_row_27_and_29_a_close_is_repeated_until_it_is_confirmed() -> None:
    world = plain()
    world.run(3 * 3600.0)
    world.valves["gpio:4"].mode = "deaf"
    closes = world.closes["gpio:4"]
    world.run(world.now + 5.5 * 3600.0)
    assert world.closes["gpio:4"] > closes
    assert any("does not confirm" in text or "did not open" in text for text in world.told)
    world.valves["gpio:4"].mode, world.valves["gpio:4"].well_since = "ok", world.now
    world.run(world.now + 60.0)
    assert world.valves["gpio:4"].open_since is None


# --- interruptions and a lost clock, one by one ---


ROOMY = {"usable_lpm": 45.0, "hours": (clock_time(4), clock_time(16)), "finish": "early"}
EVENING_S = 14 * 3600.0


def opened() -> World:
    """A morning with time to spare, whose first run has been on for ten minutes."""
    world = plain(**ROOMY)
    world.run(3600.0)
    while not any(valve.open_since is not None for valve in world.valves.values()):
        world.run(world.now + 1)
    world.run(world.now + 600.0)
    return world


def interrupted(world: World) -> list[Applied]:
    return [record for record in world.disk.applied if record.outcome == "interrupted"]


def test_trust_lost_between_record_and_opening_opens_nothing() -> None:
    world = plain(**ROOMY)
    world.run(3600.0)
    world.loses_clock_at_record = True
    world.run(EVENING_S)
    first = next(iter(world.disk.openings))
    assert first not in world.ran
    (record, *_) = [r for r in world.disk.applied if r.zone == world.disk.openings[first].shares[0].zone]
    assert record.outcome == "never opened"
    assert any("did not open: the clock is not trusted" in text for text in world.told)
    assert runs_of(world, DAY) == pytest.approx(WHOLE, abs=0.2)  # planned again once it is right


def test_what_was_interrupted_is_planned_again_the_same_day() -> None:
    world = opened()
    world.die("kill")
    world.run(world.now + 60.0)
    assert interrupted(world)
    world.run(world.now + 300.0)
    assert sum("plan 2026-06-01" in line for line in world.log) == 2
    world.run(EVENING_S)
    assert runs_of(world, DAY) == pytest.approx(WHOLE, abs=1.5)  # between bounds the middle counts
    assert world.runner.ledger.used_l[DAY] == pytest.approx(sum(map(world.most_liters, world.disk.applied)))


@pytest.mark.parametrize("stale_s", [9 * 3600.0, 365 * DAY_S])
def test_what_a_power_cut_interrupted_waits_for_the_right_date_and_is_then_planned_again(
    stale_s: float,
) -> None:
    """The books are read under the wrong date first: what the right one finds missing is not forgotten."""
    world = opened()
    world.power_cut(30.0, stale_s=stale_s)
    world.events = [e for e in world.events if e[0] <= world.now + 31]  # it is set later, by hand
    set_at = world.now + 3600.0
    world.at(3600.0, lambda: world.sync(stale_s))
    world.run(set_at - 1.0)
    assert not interrupted(world)
    world.run(EVENING_S)
    assert {record.recorded_at.date() for record in interrupted(world)} == {DAY}
    assert runs_of(world, DAY) == pytest.approx(WHOLE, abs=4.0)  # four heartbeats and more in doubt


def test_an_interrupted_run_ends_at_its_confirmed_close_however_late_it_is_written_down() -> None:
    world = opened()
    opening = next(iter(world.disk.openings.values()))
    world.synced = False
    world.die("kill")
    world.at(3600.0, lambda: world.sync(0.0))
    world.run(world.now + 1800.0)
    assert not interrupted(world)
    closed = world.valves[opening.valve].confirmed_mono
    assert closed is not None
    world.run(EVENING_S)
    for record in interrupted(world):
        assert record.most_minutes == pytest.approx((closed - opening.monotonic_s) / 60, abs=0.05)


def test_a_clock_that_went_back_while_the_service_was_away_opens_nothing_until_it_is_right() -> None:
    """Its summary is lost too: that the clock is wrong is known from the books alone."""
    world = opened()
    before = len(world.disk.openings)
    world.die("kill")
    world.published_newest = None
    world.set_by -= 3600.0
    world.at(1800.0, lambda: world.sync(3600.0))
    world.run(world.now + 1700.0)
    assert len(world.disk.openings) == before
    assert any("earlier than the newest record" in text for text in world.told)
    world.run(EVENING_S)
    assert runs_of(world, DAY) == pytest.approx(WHOLE, abs=1.5)


def test_a_cap_the_plan_does_not_know_of_holds() -> None:
    world = plain(cap_s=900.0)
    world.run(8 * 3600.0)
    assert world.disk.openings
    assert max(opening.seconds for opening in world.disk.openings.values()) == 900.0
    assert max(world.ran.values()) < 905.0


def test_books_that_know_less_make_nothing_forgotten() -> None:
    """An answer about the day that was on its way while a run was begun."""
    world = opened()
    tried = set(world.runner.ledger.tried)
    assert tried
    world.runner._day_read(world.moment(), replace(world.books._day(DAY), tried=frozenset()))
    assert world.runner.ledger.tried >= tried


def test_what_is_settled_is_not_found_open_again() -> None:
    """The books are asked what is open before they have what was just handed in."""
    recovery = Recovery("this one", 30.0)
    share = Share("beans", DAY, 1, 10.0, 8.0, 0.05, 0.055, 0.0)
    left = [
        Unsettled(Opening(uid, "a", 600.0, (share,), START, "this one", 0.0), None, None) for uid in "abc"
    ]
    recovery.settled("a")
    recovery.found(left, in_hand=["b"])
    assert [lost.opening.uid for lost in recovery.lost] == ["c"]
