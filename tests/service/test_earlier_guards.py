"""A guard outlives the service that it watched: it strikes no run of the next one, and sleeps no longer."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest
from service.shed import Shed

from scheduler.service.earlier_guards import STILL_S, WAIT_S, EarlierGuards, Process, argument, guards_of

MakeShed = Callable[..., Shed]


def ran_s(shed: Shed, seconds: float) -> float:
    """True open seconds of the opening that was to last so long."""
    (opened,) = (line for line in shed.lines() if line.word == "open" and line.seconds == seconds)
    return min(line.at for line in shed.lines() if line.word == "close" and line.at >= opened.at) - opened.at


@pytest.mark.parametrize("starts", [1, 2])
def test_the_old_guard_closes_no_run_of_the_new_service(make_shed: MakeShed, starts: int) -> None:
    """kill -9 soon after an opening, started again at once (twice: the second guard hides no first one)."""
    shed = make_shed(in_flight=4.0)
    shed.start()
    shed.plan([("a", 1, 1.0, 60.0), ("a", 2, 2.5, 6.0)])
    shed.until(lambda: shed.is_open("a"), 20, "the run")
    for _ in range(starts):
        shed.kill()
        shed.start(quick=True)
    shed.until(lambda: shed.rows("SELECT 1 FROM applied WHERE pulse = 2"), 30, "the second run")
    ((minutes, outcome),) = shed.rows("SELECT minutes, outcome FROM applied WHERE pulse = 2")
    assert minutes * 60 == pytest.approx(ran_s(shed, 6.0), abs=0.5)
    assert (minutes * 60, outcome) == (pytest.approx(6.0, abs=0.5), "done")


def test_guard_stopped_and_service_killed_at_once(make_shed: MakeShed) -> None:
    """Nobody else is there: the kernel wakes the guard."""
    shed = make_shed()
    shed.plan([("a", 1, 0.5, 60.0)])
    shed.start()
    shed.until(lambda: shed.is_open("a"), 20, "the run")
    guard = shed.guard_pid()
    assert guard is not None
    os.kill(guard, signal.SIGSTOP)
    shed.kill()
    assert shed.until(lambda: not shed.is_open("a"), 10, "the close") < 5.0


@pytest.fixture
def guard(tmp_path: Path) -> Iterator[subprocess.Popen[bytes]]:
    """One that waits for its order, and so does not end."""
    words = [sys.executable, "-P", "-m", "scheduler.service.guard", *argument(tmp_path)]
    with subprocess.Popen(words, stdin=subprocess.PIPE) as process:
        while not guards_of(tmp_path):
            time.sleep(0.01)
        yield process
        process.kill()


def test_a_guard_that_does_not_end_is_ended(guard: subprocess.Popen[bytes], tmp_path: Path) -> None:
    """It goes on at a valve that the new service tells to close just as well."""
    earlier = EarlierGuards(tmp_path, 100.0)
    assert "earlier start" in (earlier.blocked(100.0) or "")
    assert "earlier start" in (earlier.blocked(99.9 + WAIT_S) or "")
    assert guard.poll() is None
    assert earlier.blocked(100.0 + WAIT_S)
    assert guard.wait(5) == -signal.SIGKILL
    assert earlier.blocked(100.0 + WAIT_S + STILL_S / 2), "what it sent off may still arrive"
    assert earlier.blocked(100.1 + WAIT_S + STILL_S) is None


def test_only_a_guard_of_this_folder_is_waited_for(guard: subprocess.Popen[bytes], tmp_path: Path) -> None:
    elsewhere = tmp_path / "elsewhere"
    elsewhere.mkdir()
    assert EarlierGuards(elsewhere, 0.0).blocked(0.0) is None
    (tmp_path / "link").symlink_to(tmp_path)
    assert EarlierGuards(tmp_path / "link", 0.0).blocked(0.0)
    earlier = EarlierGuards(tmp_path, 0.0)
    guard.kill()
    while earlier.blocked(0.0):  # ended, and not yet reaped: that counts as gone
        time.sleep(0.01)
    assert guard.wait(5) == -signal.SIGKILL


def test_a_number_that_was_given_to_another_process_hits_nobody() -> None:
    stranger = Process(os.getpid(), "1")
    assert not stranger.lives()
    stranger.kill()
    Process(2**22 + 1, "1").kill()  # beyond the kernel's largest
