"""Real processes, really killed and frozen. The valve is a program that writes down when it was told what."""

from __future__ import annotations

import json
import os
import signal
import subprocess
import sys
import time
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import pytest
from relays.tools import Broker, Ear, RelayServer, until

import scheduler
from scheduler.service import guardlink
from scheduler.service.guard import Order
from scheduler.service.guardlink import GuardGone, GuardLink

PARENT = """\
import json, os, sys, time
from scheduler.service import guardlink
from scheduler.service.guard import Order
from scheduler.service.guardlink import GuardLink
from scheduler.relays.specs import driver_of
order = json.loads(sys.argv[1])
link = GuardLink(os.environ, **order["limits"])
link.start(order["specs"])
with link.beating(0.2):
    for spec in order["specs"]:
        link.opened(spec["key"], order["seconds"])
        if order["open"]:
            driver_of(spec, os.environ).open(order["seconds"])
    print(link.pid, flush=True)
    exec(order["then"])
"""


def valve(folder: Path, before: str = "", **more: Any) -> dict[str, Any]:
    """A valve whose program notes the time and what it was told."""
    program, file = folder / "relay.sh", folder / "told.txt"
    program.write_text(f'#!/bin/sh\n{before}\necho "$(date +%s.%N) $*" >> {file}\n')
    program.chmod(0o755)
    return {
        "driver": "command", "key": f"command:{folder}", "settings": {"command": [str(program)]},
        "zones": ["beans"], "broker": None, "cap_s": 3600.0, **more,
    }  # fmt: skip


@dataclass
class Parent:
    """A process that opens a valve and beats; `then` is what it does after that."""

    process: subprocess.Popen[str]
    file: Path
    guard: int = 0

    @classmethod
    def start(
        cls,
        folder: Path,
        *specs: dict[str, Any],
        then: str = "time.sleep(60)",
        seconds: float = 60,
        opens: bool = True,
        **limits: float,
    ) -> Parent:
        limits = {"in_flight_s": 0.0, **limits}
        order = {"specs": specs, "limits": limits, "then": then, "seconds": seconds, "open": opens}
        process = subprocess.Popen(
            [sys.executable, "-c", PARENT, json.dumps(order)],
            stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True, start_new_session=True,
        )  # fmt: skip
        return cls(process, folder / "told.txt")

    def wait_ready(self) -> None:
        assert self.process.stdout is not None
        line = self.process.stdout.readline()
        assert line, self.process.communicate()
        self.guard = int(line)

    def told(self) -> list[str]:
        return [line.split(" ", 1)[1] for line in self._lines()]

    def closed_at(self) -> float | None:
        times = [float(line.split(" ", 1)[0]) for line in self._lines() if line.endswith(" close")]
        return times[0] if times else None

    def _lines(self) -> list[str]:
        return self.file.read_text().splitlines() if self.file.exists() else []

    def end(self) -> None:
        self.process.kill()
        ended = not self.guard or until(lambda: not runs(self.guard), 20)
        if not ended:
            os.kill(self.guard, signal.SIGKILL)
        self.process.communicate()
        assert ended, "the guard ends when all is closed"


def runs(pid: int) -> bool:
    try:
        return Path(f"/proc/{pid}/stat").read_text().rsplit(")", 1)[1].split()[0] != "Z"
    except FileNotFoundError:
        return False


@pytest.fixture
def parents() -> Iterator[list[Parent]]:
    started: list[Parent] = []
    yield started
    for parent in started:
        parent.end()


def several(folder: Path, count: int, parents: list[Parent]) -> list[Parent]:
    for n in range(count):
        own = folder / str(n)
        own.mkdir()
        parents.append(Parent.start(own, valve(own)))
    for parent in parents:
        parent.wait_ready()
    return parents


def test_kill_9_closes_within_a_second_20_of_20(tmp_path: Path, parents: list[Parent]) -> None:
    took = []
    for parent in several(tmp_path, 20, parents):
        killed_at = time.time()
        parent.process.kill()
        assert until(lambda parent=parent: parent.closed_at(), 5)
        took.append((parent.closed_at() or 0) - killed_at)
        assert parent.told() == ["open 60", "close"]
    print(f"kill -9 to close: median {sorted(took)[10] * 1000:.0f} ms, longest {max(took) * 1000:.0f} ms")
    assert len(took) == 20
    assert max(took) < 1


def test_a_frozen_parent_is_ended_and_closed_within_five_seconds_20_of_20(
    tmp_path: Path, parents: list[Parent]
) -> None:
    took = []
    frozen_at = {}
    for parent in several(tmp_path, 20, parents):
        frozen_at[parent.process.pid] = time.time()
        parent.process.send_signal(signal.SIGSTOP)
    for parent in parents:
        assert until(lambda parent=parent: parent.closed_at(), 10)
        took.append((parent.closed_at() or 0) - frozen_at[parent.process.pid])
        assert parent.process.wait(5) == -signal.SIGKILL, "it can never wake and open again"
    print(f"SIGSTOP to close: median {sorted(took)[10]:.2f} s, longest {max(took):.2f} s")
    assert len(took) == 20
    assert min(took) > 1.5
    assert max(took) < 5


def test_a_valve_held_by_a_frozen_parent(tmp_path: Path, parents: list[Parent]) -> None:
    """As a pin: it can only be had when the process that holds it is dead."""
    (tmp_path / "hold").write_text("")
    script = f'[ "$1" = close ] && kill -0 "$(cat {tmp_path}/holder)" 2>/dev/null && exit 1'
    parent = Parent.start(tmp_path, valve(tmp_path, script), silence_s=0.5)
    (tmp_path / "holder").write_text(str(parent.process.pid))
    parents.append(parent)
    parent.wait_ready()
    parent.process.send_signal(signal.SIGSTOP)
    assert parent.process.wait(5) == -signal.SIGKILL  # and reaped, so kill -0 fails from here on
    assert until(parent.closed_at)


def test_an_unwatched_end_closes_too(tmp_path: Path, parents: list[Parent]) -> None:
    """No kill, no signal: the program just ends without a word (sys.exit, an error, out of its main)."""
    parents.append(Parent.start(tmp_path, valve(tmp_path), then="os._exit(0)"))
    parents[0].wait_ready()
    assert until(parents[0].closed_at, 2)


def test_what_the_terminal_sends_to_all_does_not_reach_the_guard(
    tmp_path: Path, parents: list[Parent]
) -> None:
    """Ctrl-Z, or a kill of the whole process group."""
    parents.append(Parent.start(tmp_path, valve(tmp_path), silence_s=0.5))
    parents[0].wait_ready()
    os.killpg(parents[0].process.pid, signal.SIGSTOP)
    assert until(parents[0].closed_at, 3)


def test_goodbye_leaves_the_valves_alone(tmp_path: Path, parents: list[Parent]) -> None:
    parents.append(Parent.start(tmp_path, valve(tmp_path), then="link.bye(); print(link.alive, flush=True)"))
    parent = parents[0]
    parent.wait_ready()
    assert parent.process.stdout is not None
    assert parent.process.stdout.readline() == "False\n"
    assert parent.process.wait(5) == 0
    assert not runs(parent.guard)
    assert parent.told() == ["open 60"]


def test_a_valve_left_open_ends_the_parent_though_it_beats(tmp_path: Path, parents: list[Parent]) -> None:
    parents.append(Parent.start(tmp_path, valve(tmp_path), seconds=0.5, margin_s=0.4))
    parent = parents[0]
    parent.wait_ready()
    ready_at = time.time()
    assert parent.process.wait(5) == -signal.SIGKILL
    assert until(parent.closed_at)
    assert 0.3 < (parent.closed_at() or 0) - ready_at < 2


def test_what_the_parent_could_not_close_the_guard_closes(tmp_path: Path, parents: list[Parent]) -> None:
    """It may have the descriptors or the memory that the parent lacks. The parent goes on."""
    then = (
        "link.close(order['specs'][0]['key'])\n"
        "while not (there := link.closed_there()):\n    link.beat(); time.sleep(0.05)\n"
        f"open({str(tmp_path / 'there')!r}, 'w').write(repr(there))\n"
        "while True:\n    link.beat(); time.sleep(0.05)"
    )
    parents.append(Parent.start(tmp_path, valve(tmp_path), then=then))
    parents[0].wait_ready()
    assert until(parents[0].closed_at)
    assert until((tmp_path / "there").exists)
    assert (tmp_path / "there").read_text() == repr([valve(tmp_path)["key"]])
    assert parents[0].process.poll() is None
    assert parents[0].told() == ["open 60", "close"]


def test_a_valve_closed_in_time_does_not(tmp_path: Path, parents: list[Parent]) -> None:
    then = "link.closed(order['specs'][0]['key']); time.sleep(1); link.bye(); sys.exit(7)"
    parents.append(Parent.start(tmp_path, valve(tmp_path), then=then, seconds=0.5, margin_s=0.2))
    parents[0].wait_ready()
    assert parents[0].process.wait(5) == 7


def test_an_open_still_on_its_way_is_closed_after_it(tmp_path: Path, parents: list[Parent]) -> None:
    """The program that opens outlives its killed parent, and opens after the first close."""
    slow = '[ "$1" = open ] && sleep 0.6'
    then = "driver_of(order['specs'][0], os.environ).open(60)"
    parents.append(Parent.start(tmp_path, valve(tmp_path, slow), then=then, opens=False, in_flight_s=1.4))
    parent = parents[0]
    parent.wait_ready()
    time.sleep(0.2)
    parent.process.kill()
    assert until(lambda: not runs(parent.guard), 5)
    assert parent.told()[-1] == "close"
    assert "open 60" in parent.told()


def test_sigterm_closes_before_the_guard_ends(tmp_path: Path, parents: list[Parent]) -> None:
    parents.append(
        Parent.start(tmp_path, valve(tmp_path), then="time.sleep(1); print(link.alive, flush=True)")
    )
    parent = parents[0]
    parent.wait_ready()
    os.kill(parent.guard, signal.SIGINT)  # Ctrl-C and a lost terminal are not for the guard
    os.kill(parent.guard, signal.SIGHUP)
    os.kill(parent.guard, signal.SIGTERM)
    assert until(parent.closed_at, 2)
    assert parent.process.stdout is not None
    assert parent.process.stdout.readline() == "False\n", "the parent lives, and sees that its guard is gone"
    assert parent.process.wait(5) == 0


def test_a_paused_guard_does_the_parent_no_harm(tmp_path: Path, parents: list[Parent]) -> None:
    parents.append(Parent.start(tmp_path, valve(tmp_path), silence_s=0.5))
    parent = parents[0]
    parent.wait_ready()
    os.kill(parent.guard, signal.SIGSTOP)
    time.sleep(1.2)
    os.kill(parent.guard, signal.SIGCONT)
    time.sleep(0.8)
    assert parent.process.poll() is None
    assert parent.told() == ["open 60"]


def test_every_kind_of_valve(tmp_path: Path, parents: list[Parent]) -> None:
    broker, server = Broker(tmp_path), RelayServer()
    ear = Ear(broker.port)
    more = {"zones": ["beans"], "broker": broker.settings, "cap_s": 3600.0}
    specs = [
        valve(tmp_path),
        {"driver": "http", "key": "http", "settings": server.settings(), **more},
        {"driver": "mqtt", "key": "mqtt", "settings": {"topic": "relay"}, **more},
        {"driver": "gpio", "key": "gpio", "settings": {"pin": 17}, **more},
        {"driver": "by_hand", "key": "by_hand:kale", "settings": {}, **more},
    ]
    os.environ["GPIOZERO_PIN_FACTORY"] = "mock"
    try:
        parents.append(Parent.start(tmp_path, *specs))
        parents[0].wait_ready()
    finally:
        del os.environ["GPIOZERO_PIN_FACTORY"]
    parents[0].process.kill()
    assert until(parents[0].closed_at, 2)
    assert until(lambda: server.calls[-1][1] == "/relay/1?off")
    assert until(lambda: ear.said_on("relay")[-1:] == [{"open": False}])
    assert until(lambda: not runs(parents[0].guard)), "all five are confirmed"
    ear.stop()
    server.stop()
    broker.stop()


def test_it_is_tried_until_the_relay_answers_again(tmp_path: Path, parents: list[Parent]) -> None:
    script = f'[ "$1" = close ] && [ -e {tmp_path}/broken ] && exit 1'
    (tmp_path / "broken").touch()
    parents.append(Parent.start(tmp_path, valve(tmp_path, script)))
    parents[0].wait_ready()
    parents[0].process.kill()
    time.sleep(0.6)
    assert parents[0].told() == ["open 60"]
    (tmp_path / "broken").unlink()
    assert until(parents[0].closed_at, 5)


class TestLink:
    def specs(self, tmp_path: Path) -> list[dict[str, Any]]:
        return [valve(tmp_path)]

    def test_a_killed_guard_is_noticed_and_can_be_replaced(self, tmp_path: Path) -> None:
        (spec,) = self.specs(tmp_path)
        link = GuardLink(os.environ)
        assert not link.alive
        link.start([spec])
        link.beat()
        link.opened(spec["key"], 60)
        assert link.alive
        assert link.pid is not None
        os.kill(link.pid, signal.SIGKILL)
        assert until(lambda: not link.alive, 1)
        with pytest.raises(GuardGone):
            link.opened(spec["key"], 60)
        link.beat()
        link.start([spec])
        assert link.alive
        link.bye()
        assert not link.alive
        assert link.pid is None
        assert not (tmp_path / "told.txt").exists()

    def test_a_frozen_guard_is_noticed(self, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
        monkeypatch.setattr(guardlink, "ANSWER_S", 1.0)
        link = GuardLink(os.environ)
        link.start(self.specs(tmp_path))
        for _ in range(10):
            link.beat()
            time.sleep(0.02)
        assert link.alive, "it answers"
        assert link.pid is not None
        os.kill(link.pid, signal.SIGSTOP)
        link.beat()
        assert until(lambda: not link.alive)
        link.start(self.specs(tmp_path))
        assert link.alive
        link.bye()

    def test_a_full_pipe_never_holds_up_the_parent(self, tmp_path: Path) -> None:
        link = GuardLink(os.environ)
        link.start(self.specs(tmp_path))
        assert link.pid is not None
        os.kill(link.pid, signal.SIGSTOP)
        key = self.specs(tmp_path)[0]["key"]
        start = time.monotonic()
        for _ in range(70_000):
            link.closed(key)
            if not link.alive:
                break
        assert not link.alive
        assert time.monotonic() - start < 5
        link.start([])
        link.bye()

    def test_a_guard_deaf_to_goodbye_is_ended(self, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
        monkeypatch.setattr("scheduler.service.guardlink.BYE_S", 0.2)
        link = GuardLink(os.environ)
        link.start(self.specs(tmp_path))
        pid = link.pid
        assert pid is not None
        os.kill(pid, signal.SIGSTOP)
        link.bye()
        assert not runs(pid)

    def test_what_the_guard_does_not_know(self, tmp_path: Path) -> None:
        link = GuardLink(os.environ)
        link.bye()  # harmless before the start, as is a beat
        link.beat()
        link.start(self.specs(tmp_path))
        with pytest.raises(ValueError, match="was not told of other"):
            link.opened("other", 60)
        for seconds in (0, -1, float("nan"), float("inf")):
            with pytest.raises(ValueError, match="not a time"):
                link.opened(self.specs(tmp_path)[0]["key"], seconds)
        link.bye()

    def test_a_guard_that_does_not_start(self, monkeypatch: pytest.MonkeyPatch) -> None:
        monkeypatch.setattr(sys, "executable", "/bin/true")
        with pytest.raises(GuardGone, match="did not start"):
            GuardLink(os.environ).start([])

    def test_an_interrupt_while_it_starts_leaves_none_behind(self, monkeypatch: pytest.MonkeyPatch) -> None:
        begun: list[subprocess.Popen[bytes]] = []

        def interrupted(process: subprocess.Popen[bytes], _: bytes) -> bool:
            begun.append(process)
            raise KeyboardInterrupt

        monkeypatch.setattr("scheduler.service.guardlink._ordered", interrupted)
        link = GuardLink(os.environ)
        with pytest.raises(KeyboardInterrupt):
            link.start([])
        assert begun[0].returncode == -signal.SIGKILL
        assert not link.alive

    def test_beating_beats(self, tmp_path: Path) -> None:
        link = GuardLink(os.environ, silence_s=0.3)
        link.start(self.specs(tmp_path))
        with link.beating(0.05):
            time.sleep(0.8)
            assert link.alive
        link.bye()
        assert not (tmp_path / "told.txt").exists()


class TestCloseAll:
    def run(self, file: Path) -> subprocess.CompletedProcess[str]:
        return subprocess.run(
            [sys.executable, "-m", "scheduler.service.guard", "--close-all", str(file)],
            capture_output=True,
            text=True,
        )

    def test_all_confirmed(self, tmp_path: Path) -> None:
        file = tmp_path / "valves.json"
        file.write_text(json.dumps([valve(tmp_path)]))
        said = self.run(file)
        assert said.returncode == 0, said.stderr
        assert (tmp_path / "told.txt").read_text().endswith(" close\n")

    def test_no_file(self, tmp_path: Path) -> None:
        said = self.run(tmp_path / "valves.json")
        assert said.returncode == 1
        assert "Traceback" not in said.stderr


def test_the_guard_is_light() -> None:
    """Idle it has loaded no driver, and none of the libraries that take memory or seconds."""
    heavy = (
        "numpy", "pandas", "sqlalchemy", "alembic", "yaml", "pydantic", "requests", "urllib3",
        "click", "rich", "apscheduler", "paho", "gpiozero", "lgpio", "http.client", "ssl", "asyncio",
        *(f"scheduler.relays.{name}" for name in ("gpio", "mqtt", "http", "command", "by_hand", "broker")),
        "json", "enum", "contextlib", "re", "signal", "site", "threading", "logging", "collections",
    )  # fmt: skip
    script = (
        "import os, sys\n"
        f"sys.path.insert(0, {str(Path(scheduler.__file__).parents[1])!r})\n"
        "from scheduler.service.guard import main\n"
        "assert main([], {}) == 0\n"
        f"print([name for name in {heavy!r} if name in sys.modules], file=sys.stderr)\n"
    )
    order = Order(os.getpid(), [{"driver": "gpio", "key": "k", "cap_s": 60.0}]).line().decode()
    said = subprocess.run(
        [sys.executable, "-I", "-S", "-c", script],
        input=f"{order}\n\nopened 5 k\nclosed k\nbye\n", capture_output=True, text=True, check=True,
    )  # fmt: skip
    assert said.stdout == "."
    assert said.stderr.strip() == "[]"
