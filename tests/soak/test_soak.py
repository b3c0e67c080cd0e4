"""The soak in short: its clock keeps what it says, and the service lives by it among faults.

The long one is a program: python tests/soak/run.py --days 24 --speed 60
"""

from __future__ import annotations

import json
import subprocess
import sys
import time
from collections.abc import Iterator
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest
from fast_clock.clock import FastClock, environ_of
from long_run import LONG
from soak.judge import Sample, opens_of, slopes
from soak.run import Options, Soak
from soak.shed import Size

DAYS = 1.0 if LONG else 0.009  # thirteen minutes
FOUR = datetime(
    2015, 6, 10, 11, 1, tzinfo=UTC
)  # just after four at the site: the plan is made at once, and runs
WAITS = """
import json, queue, select, subprocess, threading, time
def lasted(wait):
    begin = time.monotonic(), time.time()
    wait()
    return [time.monotonic() - begin[0], time.time() - begin[1]]
def emptied():
    try:
        queue.SimpleQueue().get(timeout=60)
    except queue.Empty:
        pass
event = threading.Event()
threading.Timer(30, event.set).start()
print(json.dumps({
    "sleep": lasted(lambda: time.sleep(60)),
    "queue": lasted(emptied),
    "poll": lasted(lambda: select.poll().poll(60_000)),
    "select": lasted(lambda: select.select([], [], [], 60)),
    "program": lasted(lambda: subprocess.run(["sleep", "60"])),
    "work": lasted(lambda: sum(k * k for k in range(10**6))),
}))
"""


@pytest.fixture
def clock(tmp_path: Path) -> Iterator[FastClock]:
    made = FastClock(tmp_path, FOUR, 240)
    yield made
    made.end()


def test_waits_last_as_long_as_they_say_and_work_takes_no_time(clock: FastClock) -> None:
    begin = time.monotonic()
    done = subprocess.run(
        [sys.executable, "-c", WAITS], env=environ_of(clock, {}), capture_output=True, text=True, check=True
    )
    took = time.monotonic() - begin
    found = json.loads(done.stdout)
    work = found.pop("work")
    assert all(abs(lasted - 60) < 0.5 for both in found.values() for lasted in both), found
    assert max(work) < 0.2, work
    assert took < 5 * 60, "no faster than the world's"


def test_a_clock_that_is_set_moves_the_wall_clock_alone(clock: FastClock) -> None:
    program = "import time; print(time.time(), time.monotonic())"

    def both() -> tuple[float, float]:
        argv = [sys.executable, "-c", program]
        done = subprocess.run(argv, env=environ_of(clock, {}), capture_output=True, text=True, check=True)
        wall, mono = done.stdout.split()
        return float(wall), float(mono)

    wall, mono = both()
    clock.set_wall(timedelta(hours=-2))
    later_wall, later_mono = both()
    assert later_wall - wall == pytest.approx(later_mono - mono - 7200, abs=0.01)


def test_the_service_among_faults(tmp_path: Path) -> None:
    """Every kind of driver at once; what is wrong is said by its own judge."""
    soak = Soak(tmp_path, Options(DAYS, 240, 240, seed=3, faults_a_day=16 if LONG else 300, begin=FOUR))
    try:
        report = soak.run()
    finally:
        soak.end()
    print(report)
    assert report.wrong == []
    assert report.days >= DAYS
    assert report.opens > 0
    assert report.samples > 0
    assert sum(report.faults.values()) > 0


def test_the_judge_sees_growth_and_water_that_stays_on() -> None:
    """A check that cannot fail is none."""
    flat = [_sample(hour, 40_000, 16) for hour in range(0, 48, 2)]
    assert slopes(flat, "service").rss_kb_a_day == 0
    leaking = [_sample(hour, 40_000 + 100 * hour, 16 + hour // 12) for hour in range(0, 48, 2)]
    found = slopes(leaking, "service")
    assert found.rss_kb_a_day == pytest.approx(2400)
    assert found.descriptors_a_day == pytest.approx(2, abs=0.2)
    (one, other) = opens_of("10 a open 60\n70 a close 0\n80 b open 5\n", end=500)
    assert (one.end - one.begin, other.end - other.begin) == (60, 420)


def _sample(hour: float, rss_kb: int, descriptors: int) -> Sample:
    size = Size(rss_kb, descriptors, 13)
    return Sample(hour * 3600, 6 * 3600 + hour * 3600, 1, True, size, size, 0)
