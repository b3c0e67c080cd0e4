"""What the guard concludes from what it hears, and what it then does; here, with a clock turned by hand."""

from __future__ import annotations

import builtins
import json
import os
import signal
import socket
import subprocess
import sys
import threading
import time
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest

from scheduler.relays import closing
from scheduler.service import guard as guard_module
from scheduler.service.guard import Guard, Order, Pipe, Watch, close_all, main, now_s, plain, watch_parent


class Clock:
    def __init__(self) -> None:
        self.now = 1000.0

    def __call__(self) -> float:
        return self.now


def order(*keys: str, **limits: Any) -> Order:
    return Order(parent=os.getppid(), valves=[spec(key) for key in keys], **limits)


def spec(key: str, **more: Any) -> dict[str, Any]:
    return {"driver": "by_hand", "key": key, "settings": {}, "zones": [key], "cap_s": 3600.0, **more}


def line(word: str, key: str = "", seconds: float | None = None) -> bytes:
    return " ".join(str(one) for one in (word, seconds, key) if one not in (None, "")).encode()


class TestWatch:
    def test_silence(self) -> None:
        watch = Watch(order("a"), 1000)
        watch.hear(line("opened", "a", 60), 1000)
        assert watch.alarm(1001.9) is None
        assert watch.alarm(1002) == "silence"
        watch.hear(b"", 1002)
        assert watch.alarm(1003.9) is None
        assert watch.next_look() == 1004

    def test_with_nothing_open_the_parent_may_beat_seldom(self) -> None:
        watch = Watch(order("a"), 1000)
        assert watch.alarm(1059.9) is None
        assert watch.alarm(1060) == "silence"
        watch.hear(line("opened", "a", 60), 1030)
        assert watch.alarm(1032) == "silence"
        watch.hear(line("closed", "a"), 1031)
        assert watch.alarm(1090.9) is None

    @pytest.mark.parametrize("key", ["gpio:17", 'http:{"u": "\\u00fc"}', "by_hand:a\nb", "\x1e\x1f ü"])
    def test_any_key_survives_the_pipe(self, key: str) -> None:
        sent = Order(7, [spec(key, cap_s=30.0)], margin_s=1.0, lifeline=5)
        assert b"\n" not in sent.line()
        told = Order.read(sent.line())
        assert (told.parent, told.lifeline, told.valves) == (7, 5, [spec(key, cap_s=30.0)])
        watch = Watch(told, 1000)
        watch.hear(b"opened 60.0 " + plain(key), 1000)
        assert watch.due == {key: 1031}
        watch.hear(b"closed " + plain(key), 1000)
        assert watch.due == {}

    @pytest.mark.parametrize("said", [line("opened", "a", 60), line("closed", "a"), b"nonsense", b"[7]"])
    def test_every_line_is_a_sign_of_life(self, said: bytes) -> None:
        watch = Watch(order("a"), 1000)
        watch.hear(said, 1005)
        assert watch.heard_at == 1005

    def test_a_valve_open_past_its_time(self) -> None:
        watch = Watch(order("a", "b"), 1000)
        watch.hear(line("opened", "a", 60), 1000)
        watch.hear(line("opened", "b", 600), 1000)
        watch.hear(b"", 1089)
        assert watch.alarm(1089) is None
        assert watch.next_look() == 1090
        watch.hear(b"", 1090)
        assert watch.alarm(1090) == "overdue"
        watch.hear(line("closed", "a"), 1090)
        assert watch.alarm(1090) is None

    def test_closed_twice_is_harmless(self) -> None:
        watch = Watch(order("a"), 1000)
        watch.hear(line("closed", "a"), 1000)
        assert watch.due == {}

    @pytest.mark.parametrize(
        ("seconds", "due"),
        [
            ("600", 1600),
            ("999999", 4600),
            ("NaN", 1000),
            ("-Infinity", 1000),
            ("Infinity", 4600),
            ("-5", 1000),
        ],
    )
    def test_no_number_keeps_a_valve_open_past_its_cap(self, seconds: str, due: float) -> None:
        watch = Watch(order("a", margin_s=30), 1000)
        watch.hear(f"opened {seconds} a".encode(), 1000)
        assert watch.due == {"a": due + 30}

    def test_a_valve_that_nobody_knows_is_due_at_once(self) -> None:
        watch = Watch(order("a"), 1000)
        watch.hear(line("opened", "other", 600), 1000)
        assert watch.due == {"other": 1030}

    def test_a_guard_that_was_held_up_gives_time_to_catch_up(self) -> None:
        watch = Watch(order("a"), 1000)
        watch.hear(line("opened", "a", 10), 1000)
        watch.held_up(2000)
        assert watch.alarm(2000) is None
        assert watch.alarm(2002) == "overdue"

    def test_nonsense_is_told(self, capsys: pytest.CaptureFixture[str]) -> None:
        watch = Watch(order("a"), 1000)
        for said in (b"{", b"opened a", b"opened a 60", b"bye bye"):
            watch.hear(said, 1000)
        assert len(capsys.readouterr().err.splitlines()) == 4
        assert watch.due == {}

    def test_opens_that_may_still_be_on_their_way(self) -> None:
        watch = Watch(order("a", "b", "c"), 1000)
        for key, at in (("a", 1000), ("b", 1009), ("c", 1009)):
            watch.hear(line("opened", key, 60), at)
        watch.hear(line("closed", "c"), 1010)
        assert watch.late_s(1012) == {"b": 9.0}
        watch.hear(line("answered", "b", 0), 1012)
        assert watch.late_s(1012) == {}

    def test_an_open_that_was_not_confirmed_counts_as_long_as_it_may_act(self) -> None:
        """Begun, it may act so long after its command; and until then nobody can say that it is closed."""
        watch = Watch(Order(os.getppid(), [spec("a", acts_within_s=120.0)], in_flight_s=12.0), 1000)
        watch.hear(line("opened", "a", 10), 1000)
        assert watch.late_s(1000) == {"a": 132.0}
        watch.hear(line("answered", "a", 120), 1010)
        assert watch.late_s(1129) == {"a": 1.0}
        assert watch.due == {"a": 1010 + 120 + 30}
        watch.hear(line("closed", "a"), 1130)
        assert (watch.due, watch.late_s(1130)) == ({}, {})

    def test_goodbye(self) -> None:
        watch = Watch(order("a"), 1000)
        watch.hear(line("bye"), 1000)
        assert watch.alarm(5000) == "bye"


class Ends:
    """A guard of this process, and its parent's ends of the pipes."""

    def __init__(self) -> None:
        read, self.write_fd = os.pipe()
        self.wake, self.waker = socket.socketpair()
        self.echoes: list[bytes] = []
        self.killed: list[int] = []
        self.clock = Clock()
        self.pipe = Pipe(read, self.wake.fileno())
        self.guard = Guard(self.pipe, self.echoes.append, {}, clock=self.clock, kill=self.killed.append)
        self._read = read

    def say(self, *lines: bytes) -> None:
        os.write(self.write_fd, b"".join(said + b"\n" for said in lines))

    def order(self, *specs: dict[str, Any], **limits: Any) -> bytes:
        return Order(**{"parent": os.getppid(), "valves": specs, "in_flight_s": 0.0, **limits}).line()

    def hang_up(self) -> None:
        if self.write_fd >= 0:
            os.close(self.write_fd)
            self.write_fd = -1

    def close(self) -> None:
        self.hang_up()
        os.close(self._read)
        self.wake.close()
        self.waker.close()


@pytest.fixture
def ends(monkeypatch: pytest.MonkeyPatch) -> Iterator[Ends]:
    monkeypatch.setattr(guard_module, "PARENT_GONE_S", 0.05)
    made = Ends()
    yield made
    made.close()


@pytest.fixture
def closings(monkeypatch: pytest.MonkeyPatch) -> list[list[str]]:
    """What was told to close, round by round."""
    rounds: list[list[str]] = []
    real = closing.Closing

    class Counted(real):  # type: ignore[misc, valid-type]
        def __init__(self, specs: Any, *args: Any, **kwargs: Any) -> None:
            rounds.append([s["key"] for s in specs])
            super().__init__(specs, *args, first_pause_s=0.01, longest_pause_s=0.01, **kwargs)

    monkeypatch.setattr(closing, "Closing", Counted)
    return rounds


def after(seconds: float, do: Callable[[], object]) -> threading.Timer:
    timer = threading.Timer(seconds, do)
    timer.start()
    return timer


@pytest.fixture
def soon_silent(monkeypatch: pytest.MonkeyPatch) -> None:
    """No valve is open: then it waits a minute."""
    monkeypatch.setattr(guard_module, "IDLE_SILENCE_S", 0.2)


class TestGuard:
    def test_goodbye_closes_nothing(self, ends: Ends, closings: list[list[str]]) -> None:
        ends.say(ends.order(spec("a")), b"", line("opened", "a", 60), line("closed", "a"), line("bye"))
        assert ends.guard.run() == 0
        assert closings == []
        assert ends.echoes == [b"."]

    def test_goodbye_and_hang_up_at_once(self, ends: Ends, closings: list[list[str]]) -> None:
        ends.say(ends.order(spec("a")), line("bye"))
        ends.hang_up()
        assert ends.guard.run() == 0
        assert closings == []

    def test_a_parent_that_never_ordered(self, ends: Ends, closings: list[list[str]]) -> None:
        ends.hang_up()
        assert ends.guard.run() == 0
        assert closings == []

    def test_asked_to_stop_before_the_order(self, ends: Ends, closings: list[list[str]]) -> None:
        ends.guard.ask_to_stop()
        ends.waker.send(b"x")
        assert ends.guard.run() == 0
        assert closings == []

    def test_an_order_in_two_pieces(self, ends: Ends, closings: list[list[str]]) -> None:
        whole = ends.order(spec("a")) + b"\n"
        os.write(ends.write_fd, whole[:20])
        timer = after(0.05, lambda: os.write(ends.write_fd, whole[20:] + line("bye") + b"\n"))
        assert ends.guard.run() == 0
        timer.join()

    def test_the_end_of_the_pipe_closes_all_valves_opened_or_not(
        self, ends: Ends, closings: list[list[str]]
    ) -> None:
        ends.say(ends.order(spec("a"), spec("b")), line("opened", "a", 60))
        ends.hang_up()
        assert ends.guard.run() == 0
        assert closings == [["a", "b"]]
        assert ends.killed == []

    def test_beats_are_answered(self, ends: Ends, closings: list[list[str]]) -> None:
        ends.say(ends.order())
        timers = [after(0.05 * n, lambda: ends.say(b"")) for n in (1, 2, 3)] + [after(0.3, ends.hang_up)]
        assert ends.guard.run() == 0
        assert ends.echoes == [b"."] * 4
        for timer in timers:
            timer.join()

    @pytest.mark.usefixtures("soon_silent")
    def test_silence_ends_the_parent_then_closes(self, ends: Ends, closings: list[list[str]]) -> None:
        ends.guard = Guard(ends.pipe, ends.echoes.append, {}, kill=ends.killed.append)  # the true clock
        ends.say(ends.order(spec("a"), silence_s=0.2))
        assert ends.guard.run() == 0
        assert ends.killed == [os.getppid()]
        assert closings == [["a"]]

    @pytest.mark.usefixtures("soon_silent")
    def test_a_stranger_is_never_killed(self, ends: Ends, closings: list[list[str]]) -> None:
        ends.guard = Guard(ends.pipe, ends.echoes.append, {}, kill=ends.killed.append)
        ends.say(ends.order(spec("a"), silence_s=0.2, parent=1))
        assert ends.guard.run() == 0
        assert ends.killed == []
        assert closings == [["a"]]

    @pytest.mark.usefixtures("soon_silent")
    def test_a_parent_that_dies_just_before_it_is_ended(self, ends: Ends, closings: list[list[str]]) -> None:
        def gone(_: int) -> None:
            raise ProcessLookupError

        ends.guard = Guard(ends.pipe, ends.echoes.append, {}, kill=gone)
        ends.say(ends.order(spec("a"), silence_s=0.1))
        assert ends.guard.run() == 0
        assert closings == [["a"]]

    def test_a_guard_that_slept_takes_no_alarm(self, ends: Ends, closings: list[list[str]]) -> None:
        """It wakes far later than it wanted and has heard nothing: the whole machine may have slept."""
        ends.say(ends.order(spec("a"), silence_s=0.1))
        real_sleep, naps = ends.pipe.sleep, [0, 3600.0, 0.0]

        def sleep(seconds: float) -> None:
            real_sleep(0.01)
            if not naps:
                ends.hang_up()
                return
            ends.clock.now += naps.pop(0)

        ends.pipe.sleep = sleep  # type: ignore[method-assign]
        assert ends.guard.run() == 0
        assert ends.killed == []
        assert naps == []

    def test_a_valve_that_does_not_close_while_the_parent_lives_ends_the_parent(
        self, ends: Ends, closings: list[list[str]]
    ) -> None:
        """As a pin that the parent holds. Its pipe is lost, but it is there."""
        ends.guard = Guard(ends.pipe, ends.echoes.append, {}, kill=ends.killed.append)
        ends.say(ends.order(spec("a", driver="none"), try_for_s=0.4))
        ends.hang_up()
        assert ends.guard.run() == 1
        assert set(ends.killed) == {os.getppid()}

    def test_goodbye_while_closing_is_believed(self, ends: Ends, closings: list[list[str]]) -> None:
        """Both were asked to stop; the parent holds its pins, closes them, and says so."""
        ends.say(ends.order(spec("a", driver="none")))
        ends.guard.ask_to_stop()
        timer = after(0.2, lambda: ends.say(line("bye")))
        assert ends.guard.run() == 0
        timer.join()
        assert ends.killed == []

    def test_asked_to_stop_it_closes_and_gives_up_in_the_end(
        self, ends: Ends, closings: list[list[str]], capsys: pytest.CaptureFixture[str]
    ) -> None:
        ends.guard = Guard(ends.pipe, ends.echoes.append, {}, kill=ends.killed.append)
        ends.say(ends.order(spec("a"), spec("b", driver="none")))
        with pytest.MonkeyPatch.context() as patch:
            patch.setattr(guard_module, "STOP_FOR_S", 0.2)
            ends.guard.ask_to_stop()
            ends.guard.ask_to_stop()  # twice changes nothing
        assert ends.guard.run() == 1
        assert 'rowwater guard: b: NOT closed: b: there is no driver "none"\n' in capsys.readouterr().err

    def test_an_open_on_its_way_is_closed_again(self, ends: Ends, closings: list[list[str]]) -> None:
        ends.guard = Guard(ends.pipe, ends.echoes.append, {}, kill=ends.killed.append)
        ends.say(ends.order(spec("a"), spec("b"), in_flight_s=0.4), line("opened", "b", 60))
        ends.hang_up()
        start = time.monotonic()
        assert ends.guard.run() == 0
        assert closings == [["a", "b"]]
        assert 0.3 < time.monotonic() - start < 1

    def test_asked_to_stop_meanwhile_it_goes_on_for_a_while(
        self,
        ends: Ends,
        closings: list[list[str]],
        capsys: pytest.CaptureFixture[str],
        monkeypatch: pytest.MonkeyPatch,
    ) -> None:
        monkeypatch.setattr(guard_module, "STOP_FOR_S", 0.2)
        ends.guard = Guard(ends.pipe, ends.echoes.append, {}, kill=ends.killed.append)
        ends.say(ends.order(spec("a"), in_flight_s=60), line("opened", "a", 60))
        ends.hang_up()

        def stop() -> None:
            ends.guard.ask_to_stop()
            ends.waker.send(b"x")

        timer = after(0.3, stop)
        start = time.monotonic()
        assert ends.guard.run() == 1
        timer.join()
        assert closings == [["a"]]
        assert 0.4 < time.monotonic() - start < 2
        assert "a: NOT closed: closed for now" in capsys.readouterr().err

    def test_goodbye_before_the_second_close(self, ends: Ends, closings: list[list[str]]) -> None:
        ends.say(ends.order(spec("a", driver="none"), in_flight_s=60), line("opened", "a", 60))
        ends.guard.ask_to_stop()
        timer = after(0.1, lambda: ends.say(line("bye")))
        assert ends.guard.run() == 0
        timer.join()
        assert closings == [["a"]]


class TestMain:
    @pytest.fixture(autouse=True)
    def signals(self) -> Iterator[None]:
        before = {n: signal.getsignal(n) for n in (signal.SIGINT, signal.SIGHUP, signal.SIGTERM)}
        yield
        for number, handler in before.items():
            signal.signal(number, handler)

    def test_the_guard_of_a_process(self) -> None:
        read, write = os.pipe()
        answers, echo = os.pipe()
        say = Order(os.getppid(), []).line() + b"\n"
        os.write(write, say + line("bye") + b"\n")
        assert watch_parent(read, echo, {}) == 0
        assert os.read(answers, 10) == b"."
        for fd in (read, write, answers, echo):
            os.close(fd)

    def test_a_signal_stops_it_and_nobody_needs_to_listen(self) -> None:
        read, write = os.pipe()
        answers, echo = os.pipe()
        os.close(answers)
        os.write(write, Order(os.getppid(), []).line() + b"\n")
        timer = after(0.2, lambda: os.kill(os.getpid(), signal.SIGTERM))
        assert watch_parent(read, echo, {}) == 0
        timer.join()
        for fd in (read, write, echo):
            os.close(fd)

    def test_close_all(self, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
        file = tmp_path / "valves.json"
        file.write_text(json.dumps([spec("a")]))
        assert main(["--close-all", str(file)], {}) == 0
        mark = tmp_path / "valves.quiet"
        assert not mark.exists(), "who drove them last left something behind: this close ends nothing of it"
        mark.touch()
        assert close_all(file, {}, limit_s=5.0) == 0
        assert mark.exists()
        file.write_text(json.dumps([spec("a"), spec("b", driver="none")]))
        assert close_all(file, {}, limit_s=0.1) == 1
        assert not mark.exists()
        said = capsys.readouterr().err.splitlines()
        assert said[-1] == 'rowwater guard: b: NOT closed: b: there is no driver "none"'
        assert main(["--close-all", str(tmp_path / "none.json")], {}) == 1

    def test_without_arguments_it_watches(self, monkeypatch: pytest.MonkeyPatch) -> None:
        monkeypatch.setattr(guard_module, "watch_parent", lambda *args: args)
        assert main([], {"A": "b"}) == (0, 1, {"A": "b"})

    def test_usage(self, capsys: pytest.CaptureFixture[str]) -> None:
        assert main(["--help"], {}) == 2
        assert capsys.readouterr().err.startswith("rowwater guard: usage: ")

    def test_its_clock_only_goes_forward(self) -> None:
        assert now_s() <= now_s()


def test_what_closes_is_asked_for_again_where_the_disk_does_not_give_it(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    real, failures = builtins.__import__, [OSError(5, "Input/output error"), ImportError("no such module")]

    def failing(name: str, *args: Any) -> Any:
        if name == "scheduler.relays.closing" and failures:
            raise failures.pop()
        return real(name, *args)

    monkeypatch.setattr(builtins, "__import__", failing)
    monkeypatch.setattr(guard_module, "LOAD_AGAIN_S", 0.0)
    assert guard_module.closer() is closing.Closing
    assert len(capsys.readouterr().err.splitlines()) == 2


def test_a_guard_that_waits_carries_next_to_nothing() -> None:
    script = "import sys, scheduler.service.guard; print(*sys.modules)"
    ran = subprocess.run([sys.executable, "-P", "-c", script], capture_output=True, text=True, check=True)
    heavy = {"logging", "dataclasses", "typing", "socket", "threading", "inspect", "scheduler.relays"}
    assert heavy & set(ran.stdout.split()) == set()
