"""What the process needs is used up while valves are open: they close in time, none opens, it is told."""

from __future__ import annotations

import os
import resource
import threading
import time
from collections.abc import Callable, Iterator
from http.server import BaseHTTPRequestHandler
from pathlib import Path
from typing import Any

import pytest
from relays.tools import answer
from service.yard import Yard

from scheduler.service.ask import ask
from scheduler.service.reserve import FILES, FOR_A_CLOSE, MEMORY, SHORT_LOOK_S, THREADS, Reserve
from scheduler.service.stopped import COULD_NOT, DONE

CLOSE_S = 5.0  # after its time, at most
RUN_S = 4.0


@pytest.fixture
def make_yard(tmp_path: Path) -> Iterator[Callable[..., Yard]]:
    yards: list[Yard] = []

    def make(**more: Any) -> Yard:
        yards.append(Yard(tmp_path / f"yard{len(yards)}", **more))
        return yards[-1]

    yield make
    for yard in yards:
        yard.end()


FAULTS: dict[str, tuple[Callable[[Yard], None], str]] = {
    "files used up": (Yard.use_up_files, FILES),
    "no files at all": (lambda yard: yard.limit("nofile", 3), FILES),
    "memory": (Yard.use_up_memory, MEMORY),
    "processes": (lambda yard: yard.limit("nproc", 1), THREADS),
}


@pytest.mark.parametrize("fault", FAULTS)
def test_with_nothing_left_each_valve_closes_in_time_and_none_opens(
    make_yard: Callable[..., Yard], fault: str
) -> None:
    strike, told = FAULTS[fault]
    yard = make_yard(as_user=fault == "processes")
    yard.plan([(zone, 1, 0.0, RUN_S) for zone in yard.zones])
    yard.start(quick=True)
    yard.until(lambda: all(map(yard.is_open, yard.zones)), 30, "all runs")
    deadline = time.monotonic() + RUN_S
    strike(yard)
    took = yard.closed_after(deadline)
    print({zone: round(late, 2) for zone, late in took.items()})
    assert max(took.values()) < CLOSE_S
    where = yard.log if fault == "no files at all" else yard.said  # today.json is a file too
    yard.until(lambda: f"nothing opens: {told}" in where(), 15, "the line")
    if fault == "no files at all":  # there is none for a visitor either
        return
    status, said = ask(yard.data, {"do": "water", "zone": "http", "minutes": 0.1})
    assert (status, told in said) == (COULD_NOT, True), said
    assert ask(yard.data, {"do": "stop", "zone": "mqtt"})[0] == DONE, "the way to stop stays open"


def test_what_the_service_lacks_to_close_again_its_guard_has(make_yard: Callable[..., Yard]) -> None:
    """The relay refuses the first close; by then the service has no descriptor for a second."""
    yard = make_yard(drivers=("http",))
    yard.plan([("http", 1, 0.0, RUN_S)])
    yard.start(quick=True)
    yard.until(lambda: yard.is_open("http"), 30, "the run")
    refused_at: list[float] = []

    def refuse_once(handler: BaseHTTPRequestHandler) -> None:
        refused_at.append(time.monotonic())
        answer(500 if len(refused_at) == 1 else 200)(handler)

    yard.server.behave = refuse_once
    yard.limit("nofile", 3, guard=False)
    yard.until(lambda: len(refused_at) > 1, RUN_S + CLOSE_S, "the close")
    assert refused_at[1] - refused_at[0] < CLOSE_S
    assert yard.words("http")[-2:] == ["close", "close"]


def test_the_reserve_is_there_for_a_close_and_taken_back() -> None:
    """A limit of this process, lowered for a moment."""
    soft, hard = resource.getrlimit(resource.RLIMIT_NOFILE)
    reserve = Reserve()
    assert reserve.short() is None
    fresh = os.open(os.devnull, os.O_RDONLY)
    os.close(fresh)
    resource.setrlimit(resource.RLIMIT_NOFILE, (fresh, hard))
    try:
        with pytest.raises(OSError, match="Too many open files"):
            os.open(os.devnull, os.O_RDONLY)
        with reserve.freed():
            taken = [os.open(os.devnull, os.O_RDONLY) for _ in range(FOR_A_CLOSE)]
            with pytest.raises(OSError, match="Too many open files"):
                os.open(os.devnull, os.O_RDONLY)
        assert reserve.short() == FILES
        for fd in taken:
            os.close(fd)
    finally:
        resource.setrlimit(resource.RLIMIT_NOFILE, (soft, hard))
    later = Reserve(clock=lambda: time.monotonic() + 100)
    assert later.short() is None
    for one in (reserve, later):
        one.give_up()


def test_threads_that_cannot_start_are_noticed(monkeypatch: pytest.MonkeyPatch) -> None:
    now = [0.0]
    reserve = Reserve(clock=lambda: now[0])

    def no_thread(_: threading.Thread) -> None:
        raise RuntimeError("can't start new thread")

    with monkeypatch.context() as short:
        short.setattr(threading.Thread, "start", no_thread)
        assert reserve.short() == THREADS
        now[0] += SHORT_LOOK_S
    assert reserve.short() is None
    reserve.give_up()
