"""Random faults for the played shed."""

from __future__ import annotations

import copy
import random
from collections.abc import Callable
from dataclasses import dataclass
from datetime import datetime, time, timedelta

from service.played import PlayedDisk
from service.plot import HOURS, PLAN_AT, PLOT, Plot
from service.world import World, renamed

from scheduler.service.requests import Request

CALM_S = 1500.0  # afterwards, with all well: whatever hangs must come to an end
HOUR = 3600.0


@dataclass(frozen=True)
class Lived:
    """Watering hours, and what is played of them: from ten minutes before the plan until after their end.

    busy: hours after the begin between which nearly all faults strike, one pair for each window.
    """

    hours: tuple[time, time]
    plan_at: time
    length_h: float
    busy: tuple[tuple[float, float], ...]
    evening: tuple[time, time] | None = None

    @property
    def start(self) -> datetime:
        return datetime(2026, 6, 1, self.plan_at.hour - 1, 50, tzinfo=PLOT.zone)


MORNING = Lived(HOURS, PLAN_AT, 7.8, ((3.9, 7.41),))
OTHER_HOURS = (
    Lived((time(22), time(4)), time(21), 7.8, ((3.0, 7.41),)),
    Lived((time(18), time(0)), time(17), 7.8, ((3.0, 7.41),)),  # midnight itself is their end
    Lived((time(19), time(21)), time(18), 8.8, ((1.2, 3.2), (4.6, 8.2)), (time(22, 30), time(2))),
    Lived((time(4), time(6)), time(3), 23.8, ((1.2, 3.2), (19.2, 23.1)), (time(22), time(2))),
)
"""Over midnight, and two windows."""


def clock_step(w: World) -> None:
    by = w.rng.choice([-HOUR, -300.0, -30.0, 1800.0, 2 * HOUR, 3 * 86400.0, 365 * 86400.0, -365 * 86400.0])
    w.note(f"clock stepped by {by:.0f} s")
    w.set_by += by
    if w.rng.random() < 0.7:
        w.at(w.rng.uniform(20, HOUR), lambda: w.sync(-by))


def lost_sync(w: World) -> None:
    w.synced = False
    w.at(w.rng.uniform(5, 2 * HOUR), lambda: w.sync(0.0))


def lost_after_record(w: World) -> None:
    """The next record reaches the disk, and before its valve opens the clock is no longer trusted."""
    w.loses_clock_at_record = True


def kill(w: World) -> None:
    w.die("kill -9")


def kill_both(w: World) -> None:
    w.die("daemon and guard killed", guard=False)


def cut(w: World) -> None:
    stale = w.rng.choice([0.0, 0.0, 9 * HOUR, 600.0])
    w.power_cut(w.rng.choice([1.0, 40.0, 40 * 60.0, 5 * HOUR]), stale_s=stale)


def freeze(w: World) -> None:
    w.freeze(w.rng.choice([1.0, 2.5, 30.0]))


def set_back_while_away(w: World) -> None:
    """The service dies, its summary is lost, the clock goes back: only the books know what time it was."""
    w.die("kill -9")
    w.published_newest = None
    w.set_by -= HOUR
    w.at(w.rng.uniform(60, HOUR), lambda: w.sync(HOUR))


def relay(w: World) -> None:
    valve = w.rng.choice(list(w.valves.values()))
    valve.mode = w.rng.choice(["deaf", "mute"])
    w.note(f"{valve.key} {valve.mode}")

    def well() -> None:
        valve.mode, valve.well_since = "ok", w.now

    w.at(w.rng.uniform(1, HOUR), well)


def late_relay(w: World) -> None:
    """Its opens are not confirmed, and take effect later; what kills the service may come right after one."""
    valve = w.rng.choice(list(w.valves.values()))
    valve.mode = "late"
    w.note(f"{valve.key} late")
    strike = w.rng.choice([None, kill, kill_both, freeze, cut, lost_sync, disk_full])
    if strike is not None:
        valve.after_open = lambda: strike(w)
    if w.alive and w.rng.random() < 0.5:
        zone = w.rng.choice(
            [name for name, (key, _, _) in w.plot.zones.items() if key == valve.key] or [None]
        )
        if zone is not None:
            w.wishes.append(Request("water", zone, 20.0, lambda _ok, said: w.note(said)))

    def well() -> None:
        valve.mode, valve.well_since = "ok", w.now

    w.at(w.rng.uniform(1, HOUR), well)


def slow_relay(w: World) -> None:
    """Half of its closes are not answered, and take effect later: perhaps on the next run."""
    valve = w.rng.choice(list(w.valves.values()))
    valve.mode = "slow"
    w.note(f"{valve.key} slow to close")

    def well() -> None:
        valve.mode, valve.well_since = "ok", w.now

    w.at(w.rng.uniform(60, 3 * HOUR), well)
    if w.rng.random() < 0.3:
        w.at(w.rng.uniform(60, HOUR), lambda: kill(w))


def disk_full(w: World) -> None:
    w.note("disk full")
    w.disk_full = True

    def room() -> None:
        w.disk_full = False

    w.at(w.rng.uniform(5, HOUR), room)


def locked(w: World) -> None:
    w.locked_until = w.now + 60


def deleted(w: World) -> None:
    w.note("database deleted")
    day = datetime.fromtimestamp(w.wall, w.plot.zone).date()
    w.gone_day |= {day + timedelta(days=k) for k in (-1, 0, 1, 2)}
    w.disk = PlayedDisk(replaced=True, replaced_on=day)
    w.gone = True


def old_copy(w: World) -> None:
    """A copy of the records of now is put in their place later, while the service runs or after it died."""
    copied = copy.deepcopy(w.disk)

    def put_back() -> None:
        w.note("old copy put back")
        day = datetime.fromtimestamp(w.wall, w.plot.zone).date()
        w.gone_day |= {day + timedelta(days=k) for k in (-1, 0, 1, 2)}
        if w.rng.random() < 0.5:
            w.die("kill -9")
        w.disk, w.gone = copied, w.alive

    w.at(w.rng.uniform(60, 3 * HOUR), put_back)


def weather(w: World) -> None:
    w.weather_ok = False

    def back() -> None:
        w.weather_ok = True

    w.at(w.rng.uniform(600, 3 * HOUR), back)


def bad_edit(w: World) -> None:
    """The reader refuses it: the version in use goes on, so nothing reaches the runner but a line."""
    w.runner.notices.tell(
        "garden", "problem", "garden.yaml:3: ...", datetime.fromtimestamp(w.wall, w.plot.zone)
    )


def good_edit(w: World) -> None:
    """A valve is taken out, and comes back."""
    key = w.rng.choice([v["key"] for v in w.plot.brief().valves])
    w.note(f"edit: {key} taken out")
    w.brief = w.adopt = renamed(w.plot.brief(), key)

    def back() -> None:
        w.note("edit: it is back")
        w.brief = w.plot.brief()
        if w.alive:
            w.adopt = w.brief
            from scheduler.service.valve_threads import ValveState

            w.bank.cares.setdefault(key, ValveState(key, w.plot.cap_s))

    w.at(w.rng.uniform(10, HOUR), back)


def water(w: World) -> None:
    zone = w.rng.choice(list(w.plot.zones))
    minutes = w.rng.choice([0.5, 5.0, 20.0])
    w.note(f"water {zone} {minutes}")
    w.wishes.append(Request("water", zone, minutes, lambda _ok, said: w.note(said)))


def stop(w: World) -> None:
    zone = w.rng.choice([None, *w.plot.zones])
    w.note(f"stop {zone}")
    w.wishes.append(Request("stop", zone, 0.0, lambda _ok, said: w.note(said)))


FAULTS: dict[Callable[[World], None], int] = {
    late_relay: 8,
    relay: 12,  # a valve that does not do as it is told is what capacity and recovery hang on
    kill: 2,
    clock_step: 1, lost_sync: 1, lost_after_record: 1, set_back_while_away: 1, kill_both: 1, cut: 1,
    freeze: 1, disk_full: 1, locked: 1, deleted: 1, weather: 1, bad_edit: 1, good_edit: 1, water: 1, stop: 1,
}  # fmt: skip
"""How often each is drawn."""
OLD_COPIES = 0.15
"""How often the records are exchanged for an old copy beside all that: drawn apart from the others."""
SLOW_RELAYS = 0.3
"""The same of relays whose closes are late."""
NEED_LIFE = {deleted, bad_edit, good_edit, water, stop}


def sequence(seed: int) -> World:
    """A day's hours with three to eight faults; raises Violation."""
    rng = random.Random(f"plot {seed}")
    aside = random.Random(f"hours {seed}")
    lived = aside.choice(OTHER_HOURS) if aside.random() < 1 / 3 else MORNING
    cap_s = rng.choice([900.0, 3 * HOUR])
    plot = Plot(
        PLOT.zones,
        usable_lpm=rng.choice([12.5, 12.5, 20.0, 45.0]),
        cap_s=cap_s,
        planned_cap_s=rng.choice([cap_s, cap_s, 3 * HOUR]),
        master=rng.random() < 0.2,
        hours=lived.hours,
        evening=lived.evening,
        plan_at=lived.plan_at,
        daily_cap_l=rng.choice([None, 900.0]),
        apart=rng.choice([(), (("tomatoes", "beans"), ("beans", "onions", "lettuce"))]),
    )
    w = World(seed, plot, start=lived.start, beat_s=120.0)
    length_s = lived.length_h * HOUR
    for fault in rng.choices([*FAULTS], [*FAULTS.values()], k=rng.randint(3, 8)):

        def strike(fault: Callable[[World], None] = fault) -> None:
            if w.alive or fault not in NEED_LIFE:
                fault(w)

        begin, end = (h * HOUR for h in aside.choice(lived.busy))  # nearly all strike while water runs
        if rng.random() < 0.1:
            begin, end = 0.0, length_s
        w.at(rng.uniform(begin, end), strike)
    if aside.random() < OLD_COPIES:
        w.at(aside.uniform(0.0, length_s / 2), lambda: old_copy(w))
    if aside.random() < SLOW_RELAYS:
        begin, end = (h * HOUR for h in aside.choice(lived.busy))
        w.at(aside.uniform(begin, end), lambda: slow_relay(w))
    w.run(length_s)
    calm(w)
    return w


def calm(w: World) -> None:
    """All well again: nothing stays open, nothing stays unsaid."""
    w.disk_full, w.locked_until, w.weather_ok = False, 0.0, True
    for valve in w.valves.values():
        valve.mode, valve.well_since = "ok", w.now
    w.run(w.now + CALM_S)
    true_day = datetime.fromtimestamp(w.true0 + w.now, w.plot.zone).date()
    if w.alive and w.trust._doubt(w.wall, w.synced) is None:
        open_books = w.disk.openings.keys() - w.disk.closings
        in_hand = {h.opening.uid for h in w.runner.ledger.open_runs.values()}
        assert open_books <= in_hand, f"P5: never settled: {open_books - in_hand}"
        if datetime.fromtimestamp(w.wall, w.plot.zone).date() == true_day:
            for day in (true_day - timedelta(days=1), true_day):
                if w.wall > w.plot.windows(day)[-1][1].timestamp() + w.idle_s:  # it had its ticks since
                    w.check_day(day)
    w.check()
