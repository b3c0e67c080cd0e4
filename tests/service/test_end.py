"""The end of the service: the guard hears of it until all is closed and written down."""

from __future__ import annotations

import time
from contextlib import AbstractContextManager
from threading import Lock
from types import SimpleNamespace
from typing import Any

from scheduler.service.end import close_last
from scheduler.service.guard import SILENCE_S
from scheduler.service.guardlink import GuardLink

WAIT_S = (
    1.1  # of a relay, and again of the disk: longer together than half of what the guard takes for silence
)


class Guard:
    def __init__(self) -> None:
        self.heard: list[float] = []

    def beat(self) -> None:
        self.heard.append(time.monotonic())

    def beating(self) -> AbstractContextManager[None]:
        return GuardLink.beating(self)  # type: ignore[arg-type]

    def bye(self) -> None:
        self.heard.append(time.monotonic())


def test_slow_relays_and_a_slow_disk_are_not_taken_for_silence() -> None:
    """Three seconds of closing, and the guard ended the service before it had written down what ran."""

    def waits(seconds: float, answer: Any) -> Any:
        assert seconds > 0
        time.sleep(WAIT_S)
        return answer

    guard = Guard()
    service: Any = SimpleNamespace(
        stop=SimpleNamespace(why="SIGTERM"), ticking=Lock(), guard=guard,
        runner=SimpleNamespace(
            perform=lambda *_: None, tick=lambda *_, **__: None,
            ledger=SimpleNamespace(stop=lambda *_: [], open_runs={}),
        ),
        threads=SimpleNamespace(every_valve=list, end=lambda seconds: waits(seconds, [])),
        valves=SimpleNamespace(leave=lambda: None),
        books=SimpleNamespace(end=lambda seconds: waits(seconds, True)),
        watch=SimpleNamespace(stop=lambda: None), control=SimpleNamespace(close=lambda: None),
        periphery=SimpleNamespace(close=lambda: None), moment=lambda: None,
    )  # fmt: skip
    begin = time.monotonic()
    assert close_last(service, 0) == 0
    assert time.monotonic() - begin > SILENCE_S, "nothing was slow"
    pauses = [later - at for at, later in zip([begin, *guard.heard], guard.heard, strict=False)]
    assert max(pauses) < SILENCE_S / 2, pauses
