"""Closing many valves at once, of which some are stuck, late or broken; the lock; the watched trial."""

from __future__ import annotations

import logging
import os
import subprocess
import sys
import threading
import time
from collections.abc import Mapping
from pathlib import Path
from types import MappingProxyType
from typing import Any

import pytest
from relays.fakes import FakeDriver, FakeWatcher
from relays.tools import until

from scheduler.errors import CouldNot
from scheduler.relays import closing
from scheduler.relays.base import Driver, ValveFailed
from scheduler.relays.closing import Closing
from scheduler.relays.lock import hold_valves
from scheduler.relays.trial import close_again, close_surely, open_briefly


def spec(key: str, **settings: Any) -> dict[str, Any]:
    return {"driver": "fake", "key": key, "settings": settings, "zones": [key]}


class Yard:
    """Drivers by key, made anew for every try."""

    def __init__(self) -> None:
        self.seen: list[tuple[str, str]] = []
        self.fails: dict[str, int] = {}
        self.hangs: dict[str, threading.Event] = {}

    def make(self, spec: Mapping[str, Any], _: Mapping[str, str]) -> Driver:
        key = spec["key"]
        left = self.fails.get(key, 0)
        self.fails[key] = max(left - 1, 0)
        return FakeDriver(key, self.seen, fails=min(left, 1), hangs=self.hangs.get(key))

    def close(
        self,
        *keys: str,
        limit_s: float = 5,
        late_s: Mapping[str, float] = MappingProxyType({}),
        **settings: Any,
    ) -> Closing:
        return Closing(
            [spec(key, **settings) for key in keys],
            {},
            limit_s=limit_s,
            late_s=late_s,
            make=self.make,
            first_pause_s=0.01,
            longest_pause_s=0.04,
        )


def test_all_are_closed_once() -> None:
    yard = Yard()
    assert yard.close("a", "b").wait() == {}
    assert sorted(yard.seen) == [("a", "release"), ("b", "release")]


def test_while_an_open_may_still_act_the_close_is_repeated_though_confirmed() -> None:
    """Only a close that was sent after that counts; another valve is done at once."""
    yard = Yard()
    begin = time.monotonic()
    closing = yard.close("a", "b", late_s={"a": 0.3})
    assert until(lambda: "b" not in closing.unconfirmed, 0.2)
    assert "may still take effect" in closing.unconfirmed["a"]
    assert closing.wait() == {}
    assert 0.3 <= time.monotonic() - begin < 0.6
    assert yard.seen.count(("b", "release")) == 1
    assert 6 <= yard.seen.count(("a", "release")) <= 11  # 10, 20 and 40 ms apart, and the one after


def test_no_valves() -> None:
    assert Closing([], {}, limit_s=1).wait() == {}


def test_it_is_tried_until_confirmed(caplog: pytest.LogCaptureFixture) -> None:
    caplog.set_level(logging.WARNING)
    yard = Yard()
    yard.fails["a"] = 5
    assert yard.close("a").wait() == {}
    assert yard.seen == [("a", "release")] * 6
    assert caplog.messages == ["a: not closed: a did not answer", "a: closed"], (
        "the same failure is told once"
    )


def test_after_the_limit_it_is_named() -> None:
    yard = Yard()
    yard.fails["a"] = 1_000_000
    start = time.monotonic()
    assert yard.close("a", "b", limit_s=0.3).wait() == {"a": "a did not answer"}
    assert time.monotonic() - start < 1
    assert 5 < len(yard.seen) < 31


def test_pauses_grow() -> None:
    yard = Yard()
    yard.fails["a"] = 1_000_000
    working = Closing([spec("a")], {}, limit_s=0.5, make=yard.make, first_pause_s=0.02, longest_pause_s=0.16)
    assert "a" in working.wait()
    assert len(yard.seen) <= 8  # at 0, .02, .06, .14, .30, .46, .50


def test_a_stuck_driver_holds_up_no_other(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(closing, "try_limit_s", lambda _: 0.05)
    monkeypatch.setattr(closing, "MOST_STUCK", 3)
    yard = Yard()
    yard.hangs["stuck"] = threading.Event()
    working = yard.close("stuck", "a", "b", limit_s=20)
    assert until(lambda: set(working.unconfirmed) == {"stuck"}, 1)
    assert until(lambda: working.unconfirmed["stuck"] == "3 tries are stuck")
    assert working.running
    assert yard.seen.count(("stuck", "release")) == 3
    yard.hangs.pop("stuck").set()
    assert working.wait() == {}, "when the hardware comes back a new try succeeds"


def test_a_try_never_outlasts_the_limit(monkeypatch: pytest.MonkeyPatch) -> None:
    yard = Yard()
    never = yard.hangs["stuck"] = threading.Event()
    start = time.monotonic()
    assert yard.close("stuck", limit_s=0.2).wait() == {"stuck": "the driver does not come back"}
    assert time.monotonic() - start < 1
    never.set()


def test_stop_starts_no_further_try() -> None:
    yard = Yard()
    yard.fails["a"] = 1_000_000
    working = yard.close("a", limit_s=60)
    assert until(lambda: len(yard.seen) > 2)
    working.stop()
    assert until(lambda: not working.running, 1)
    assert working.unconfirmed == {"a": "a did not answer"}


def test_any_error_means_not_closed() -> None:
    def broken(*_: Any) -> Driver:
        raise SystemExit

    assert Closing([spec("a")], {}, limit_s=0, make=broken).wait() == {"a": "SystemExit"}


def test_stopped_before_the_first_try() -> None:
    class Stopped(Closing):
        def _until_closed(self, key: str) -> None:
            self.stop()
            super()._until_closed(key)

    assert Stopped([spec("a")], {}, limit_s=1).wait() == {"a": "not tried yet"}


# --- one process at a time -----------------------------------------------------------------------


def test_a_second_holder_is_refused_and_told_who(tmp_path: Path) -> None:
    folder = tmp_path / "data"
    with (
        hold_valves(folder, "the first"),
        pytest.raises(CouldNot, match=rf"the first, process {os.getpid()}$"),
        hold_valves(folder, "other"),
    ):
        pass
    with hold_valves(folder, "the second"):
        pass


def test_the_lock_dies_with_its_holder(tmp_path: Path) -> None:
    script = (
        "import pathlib, sys\n"
        "from scheduler.relays.lock import hold_valves\n"
        f"with hold_valves(pathlib.Path({str(tmp_path)!r}), 'a script'):\n"
        "    print('held', flush=True)\n"
        "    sys.stdin.read()\n"
    )
    with subprocess.Popen(
        [sys.executable, "-c", script], stdin=subprocess.PIPE, stdout=subprocess.PIPE
    ) as process:
        assert process.stdout is not None
        assert process.stdout.readline() == b"held\n"
        with pytest.raises(CouldNot, match="a script, process"), hold_valves(tmp_path, "me"):
            pass
        process.kill()
        process.wait()
        with hold_valves(tmp_path, "me"):
            pass


# --- a moment's opening --------------------------------------------------------------------------


def test_opened_in_order_closed_in_the_other() -> None:
    seen: list[tuple[str, str]] = []
    master, zone = FakeDriver("master", seen), FakeDriver("zone", seen)
    open_briefly([master, zone], 5, FakeWatcher(seen), sleep=lambda s: seen.append(("", f"wait {s:g}")))
    assert seen == [
        ("master", "guard: opened 25"), ("master", "open 25"),
        ("zone", "guard: opened 5"), ("zone", "open 5"),
        ("", "wait 5"),
        ("zone", "close"), ("zone", "guard: closed"), ("master", "close"), ("master", "guard: closed"),
    ]  # fmt: skip


@pytest.mark.parametrize("error", [KeyboardInterrupt, ZeroDivisionError])
def test_closed_on_every_way_out(error: type[BaseException]) -> None:
    seen: list[tuple[str, str]] = []

    def interrupted(_: float) -> None:
        raise error

    with pytest.raises(error):
        open_briefly([FakeDriver("zone", seen)], 5, FakeWatcher(seen), sleep=interrupted)
    assert seen[-2:] == [("zone", "close"), ("zone", "guard: closed")]


def test_an_open_that_failed_is_closed_too() -> None:
    seen: list[tuple[str, str]] = []
    zone = FakeDriver("zone", seen, fails=2)
    with pytest.raises(ValveFailed):
        open_briefly([zone], 5, FakeWatcher(seen), sleep=lambda _: None)
    assert seen == [
        ("zone", "guard: opened 5"), ("zone", "open 5"), ("zone", "close"), ("zone", "close"),
        ("zone", "guard: closed"),
    ]  # fmt: skip


def test_a_close_that_fails_to_the_last_is_told_and_the_guard_not_told_it_is_closed() -> None:
    seen: list[tuple[str, str]] = []
    with pytest.raises(ValveFailed):
        close_surely(FakeDriver("zone", seen, fails=9), FakeWatcher(seen), sleep=lambda _: None)
    assert seen == [("zone", "close")] * 3


def test_while_what_was_sent_may_act_it_is_closed_again_and_again() -> None:
    """Pauses grow, a close that fails ends nothing, and the last is sent when nothing can act any more."""
    seen: list[tuple[str, str]] = []
    slept: list[float] = []
    driver = FakeDriver("a", seen, fails=1)
    close_again(driver, FakeWatcher(seen), 120.0, late=True, sleep=slept.append, clock=lambda: 0.0)
    assert slept[:5] == [1.0, 2.0, 4.0, 8.0, 15.0]
    assert sum(slept) == 120.0
    assert seen[0] == ("a", "guard: may act for 120")
    assert seen[1:] == [("a", "close")] * (len(slept) + 1) + [("a", "guard: closed")]


class Reporting(FakeDriver):
    """Says of itself what it is told to say."""

    reads_state = True
    says = {True: True, False: False}

    def __init__(self, key: str, seen: list[tuple[str, str]]) -> None:
        super().__init__(key, seen)
        self.opened = False

    def open(self, seconds: float) -> None:
        super().open(seconds)
        self.opened = True

    def close(self) -> None:
        super().close()
        self.opened = False

    def state(self, limit_s: float) -> bool | None:
        return self.says[self.opened]


@pytest.mark.parametrize(
    ("says", "problem"),
    [
        ({True: True, False: False}, None),
        ({True: False, False: False}, "it reports closed while it should be open"),
        ({True: True, False: True}, "it reports open while it should be closed"),
    ],
)
def test_a_trial_asks_the_valve_itself(says: dict[bool, bool], problem: str | None) -> None:
    driver = Reporting("a", seen := [])
    driver.says = says
    if problem is None:
        open_briefly([driver], 5, FakeWatcher(seen), sleep=lambda _: None)
    else:
        with pytest.raises(ValveFailed, match=problem):
            open_briefly([driver], 5, FakeWatcher(seen), sleep=lambda _: None)
    assert ("a", "close") in seen
