"""The watched first run, at the command line and step by step."""

from __future__ import annotations

import json
import os
import signal
import subprocess
import sys
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from functools import partial
from http.server import BaseHTTPRequestHandler
from pathlib import Path
from typing import Any

import pytest
from click.testing import CliRunner, Result
from relays.fakes import FakeDriver, FakeWatcher
from relays.tools import Recorder, RelayServer, answer, until

from scheduler.cli import common, valve_test
from scheduler.cli.valve_test import Trial, result_text
from scheduler.errors import BadInput, CouldNot
from scheduler.relays import specs
from scheduler.relays.base import ValveFailed
from scheduler.relays.lock import hold_valves
from scheduler.service.guardlink import GuardLink

GARDEN = """\
garden: Test plot
location: {{latitude: 35.61, longitude: -82.44, elevation: 650 m, timezone: America/New_York}}
display: metric
supply: {{flow: 20 L/min}}
tapes: {{thin: {{flow: 5 L/h/m}}}}
{more}
zones:
  tomatoes: {{{zone}, valve: {{command: ["{program}"]}}}}
  beans: {{{zone}, valve: {{command: ["{program}"]}}}}
  kale: {{{zone}, valve: {{command: ["{program}", "3"]}}}}
  chard: {{{zone}, valve: {{by_hand: true}}}}
"""
ZONE = (
    "rows: {count: 6, length: 20, spacing: 1.5}, tape: thin, soil: sandy loam, "
    "plantings: [{crop: tomato, planted: 2026-04-20}]"
)


@pytest.fixture
def run(
    tmp_path: Path, record: Callable[..., Recorder], monkeypatch: pytest.MonkeyPatch
) -> Callable[..., Result]:
    def call(
        *args: str,
        answers: str = "",
        program: str = "",
        more: str = "",
        terminal: bool = True,
        garden: str = GARDEN,
    ) -> Result:
        recorder = record(program)
        text = garden.format(zone=ZONE, program=recorder.program, more=more)
        (tmp_path / "garden.yaml").write_text(text)
        monkeypatch.setattr(common, "asking_is_possible", lambda: terminal)
        monkeypatch.setattr(valve_test, "Trial", partial(Trial, sleep=lambda _: None))
        places = {"config": str(tmp_path / "garden.yaml"), "data": str(tmp_path / "data")}
        return CliRunner().invoke(valve_test.command, args, input=answers, obj=places)

    return call


def told(tmp_path: Path) -> list[str]:
    file = tmp_path / "recorded.txt"
    return file.read_text().splitlines() if file.exists() else []


def test_each_valve_is_asked_for_opened_closed_and_looked_at(run: Any, tmp_path: Path) -> None:
    said = run("--seconds", "1", answers="y\ny\nn\n")
    assert said.exit_code == 0, said.output
    assert said.stdout.splitlines()[-2:] == [
        "tomatoes, beans (command): the right rows got water",
        "kale (command): not tried",
    ]
    first_closed = ["tomatoes,beans close", "kale 3 close"]
    assert told(tmp_path) == [
        *first_closed, "tomatoes,beans open 1", "tomatoes,beans close", *first_closed
    ]  # fmt: skip


def test_cautions_come_before_the_first_question(run: Any) -> None:
    said = run("--seconds", "1", answers="n\nn\n").output
    question = said.index("open for 1 seconds?")
    for word in ("hand valve", "GFCI", "backflow preventer", "tape's rating", "licensed", "Local codes"):
        assert said.index(word) < question
    assert "opened by hand, nothing to test: chard" in said


def test_the_wrong_rows(run: Any) -> None:
    said = run("kale", "--seconds", "1", answers="y\nn\n")
    assert said.exit_code == 3
    assert said.stdout.splitlines()[-1] == "kale (command): NOT the right rows"


def test_without_a_terminal_it_refuses_and_nothing_moves(run: Any, tmp_path: Path) -> None:
    said = run(terminal=False)
    assert isinstance(said.exception, BadInput)
    assert "no terminal to ask on" in said.exception.text
    assert told(tmp_path) == []


def test_yes_asks_nothing_and_json_is_all_on_stdout(run: Any) -> None:
    said = run("--yes", "--json", "--seconds", "1", "kale", terminal=False)
    assert said.exit_code == 0, said.output
    assert json.loads(said.stdout) == {
        "valves": [
            {
                "zones": ["kale"], "driver": "command", "simulated": False, "tried": True, "right_rows": None,
                "problem": None,
            }
        ]
    }  # fmt: skip
    assert "?" not in said.stderr


def test_only_by_hand(run: Any, tmp_path: Path) -> None:
    said = run("chard", "--yes")
    assert said.stdout == "no valve was tried\n"
    assert told(tmp_path) == []


def test_an_unknown_zone(run: Any) -> None:
    said = run("kal", "--yes")
    assert isinstance(said.exception, BadInput)
    assert said.exception.hint == 'did you mean "kale"?'


def test_while_another_process_drives_the_valves(run: Any, tmp_path: Path) -> None:
    with hold_valves(tmp_path / "data", "the daemon"):
        said = run("--yes")
    assert isinstance(said.exception, CouldNot)
    assert "the daemon, process" in said.exception.text
    assert told(tmp_path) == []


def test_a_valve_that_fails_to_open_is_closed_and_told(run: Any, tmp_path: Path) -> None:
    said = run("kale", "--yes", "--seconds", "1", program="sys.exit('open' in sys.argv)")
    assert isinstance(said.exception, CouldNot)
    assert "open 1: failed with status 1" in said.stdout
    assert told(tmp_path)[-2:] == ["tomatoes,beans close", "kale 3 close"]
    assert "it is closed again and again for 120 s" in said.stderr
    assert told(tmp_path).count("kale 3 close") >= 10


class Refusing:
    """A relay on HTTP that opens, and then confirms none of so many closes: 503, or not a word."""

    def __init__(self, closes: int) -> None:
        self.left, self.open = closes, False

    def __call__(self, handler: BaseHTTPRequestHandler) -> None:
        closes = handler.path.endswith("off")
        if closes and self.open and self.left:
            self.left -= 1
            if self.left % 2:
                handler.close_connection = True
                return
            answer(503)(handler)
            return
        self.open = not closes
        answer(200)(handler)


@pytest.mark.parametrize("closes", [6, 10_000])
def test_a_close_that_fails_is_sent_until_it_is_confirmed_and_nothing_opens_before(
    run: Any, tmp_path: Path, relay_server: RelayServer, monkeypatch: pytest.MonkeyPatch, closes: int
) -> None:
    links: list[GuardLink] = []

    def link(*args: Any, **more: Any) -> GuardLink:
        links.append(GuardLink(*args, **more))
        return links[-1]

    monkeypatch.setattr("scheduler.service.guardlink.GuardLink", link)
    relay_server.behave = refusing = Refusing(closes)
    (tmp_path / "data").mkdir()
    (tmp_path / "data" / "valves.quiet").touch()
    on, off = relay_server.url("/relay/1?on"), relay_server.url("/relay/1?off")
    valve = f'{{{{http: {{{{open: {{{{url: "{on}"}}}}, close: {{{{url: "{off}"}}}}}}}}, limit: 1 s}}}}'
    said = run("--yes", "--seconds", "1", garden=GARDEN.replace('{{command: ["{program}"]}}', valve))
    assert isinstance(said.exception, CouldNot)
    assert "tomatoes, beans: NOT closed yet. Close it by hand, at the hand valve" in said.stderr
    assert not (tmp_path / "data" / "valves.quiet").exists(), "the service waits for a close that comes late"
    opened = "kale 3 open 1" in told(tmp_path)
    if closes == 6:
        assert not refusing.open
        assert opened
        assert "tomatoes, beans: closed\n" in said.stderr
        assert [path for _, path, *_ in relay_server.calls].count("/relay/1?off") == 1 + 6 + 1 + 1
        return
    assert links[0].alive, "it goes on at it"
    links[0].bye()
    assert not opened
    assert "tomatoes, beans: still NOT closed; nothing more is opened" in said.stderr
    assert "NOT closed: tomatoes, beans (" in said.stderr
    assert said.stdout.splitlines()[-1] == "kale (command): not tried"


def test_the_master_valve_opens_first(run: Any, tmp_path: Path) -> None:
    program = tmp_path / "relay.py"
    said = run("kale", "--yes", "--seconds", "1", more=f'master_valve: {{command: ["{program}", "main"]}}')
    assert said.exit_code == 0, said.output
    assert told(tmp_path)[3:7] == [
        "master valve main open 21", "kale 3 open 1", "kale 3 close", "master valve main close"
    ]  # fmt: skip


def test_a_killed_trial_is_closed_by_the_guard(run: Any, tmp_path: Path) -> None:
    run("chard", "--yes")  # writes the garden
    assert (tmp_path / "data" / "valves.quiet").exists()
    script = "from scheduler.cli.valve_test import command; command()"
    places = ["--config", str(tmp_path / "garden.yaml"), "--data", str(tmp_path / "data")]
    with subprocess.Popen(
        [sys.executable, "-c", script, "kale", "--yes", "--seconds", "60", *places], stderr=subprocess.DEVNULL
    ) as process:
        try:
            assert until(lambda: "kale 3 open 60" in told(tmp_path), 30)
            guard = guard_of(process.pid)
        finally:
            process.kill()
    assert until(lambda: told(tmp_path)[-1].endswith("close"), 2)
    assert not (tmp_path / "data" / "valves.quiet").exists(), "nobody knows what was sent"
    os.kill(guard, signal.SIGTERM)  # it would wait a while to close once more


def guard_of(parent: int) -> int:
    children = Path(f"/proc/{parent}/task/{parent}/children").read_text().split()
    (guard,) = [
        pid for pid in children if b"scheduler.service.guard" in Path(f"/proc/{pid}/cmdline").read_bytes()
    ]
    return int(guard)


def test_ctrl_c_closes(run: Any, tmp_path: Path) -> None:
    run("chard", "--yes")
    script = (  # a test run in the background of a shell hands down a SIGINT that is ignored
        "import signal; signal.signal(signal.SIGINT, signal.default_int_handler); "
        "from scheduler.cli.valve_test import command; command()"
    )
    places = ["--config", str(tmp_path / "garden.yaml"), "--data", str(tmp_path / "data")]
    with subprocess.Popen(
        [sys.executable, "-c", script, "kale", "--yes", "--seconds", "60", *places], stderr=subprocess.PIPE
    ) as process:
        assert until(lambda: "kale 3 open 60" in told(tmp_path), 30)
        process.send_signal(signal.SIGINT)
        _, err = process.communicate(timeout=10)
    assert process.returncode == 1
    assert b"Traceback" not in err
    assert told(tmp_path)[-3:] == ["kale 3 close", "tomatoes,beans close", "kale 3 close"]


# --- step by step ---------------------------------------------------------------------------------


class FakeLink(FakeWatcher):
    def __init__(self, seen: list[tuple[str, str]]) -> None:
        super().__init__(seen)
        self.said: list[str] = []

    def start(self, specs: list[dict[str, Any]]) -> None:
        self.said.append(f"start {len(specs)}")

    @contextmanager
    def beating(self) -> Iterator[None]:
        yield

    def bye(self) -> None:
        self.said.append("bye")


class Bench:
    def __init__(self, monkeypatch: pytest.MonkeyPatch, **drivers: FakeDriver) -> None:
        self.seen: list[tuple[str, str]] = []
        self.link = FakeLink(self.seen)
        self.drivers = drivers
        for driver in drivers.values():
            driver._seen = self.seen
        monkeypatch.setattr(specs, "driver_of", lambda spec, _: drivers[spec["key"]])

    def trial(self, master: str | None = None) -> Trial:
        made = [
            {"driver": "fake", "key": key, "settings": {}, "zones": [f"bed {key}"]} for key in self.drivers
        ]
        return Trial(made, master, self.link, 5, True, sleep=lambda _: None)  # type: ignore[arg-type]


def test_a_valve_that_cannot_be_closed_first_is_not_opened(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    bench = Bench(monkeypatch, a=FakeDriver("a", [], fails=99), b=FakeDriver("b", []))
    first, second = bench.trial().walk({"bed a", "bed b"})
    assert result_text(first) == "bed a (fake): cannot be closed: a did not answer"
    assert (second.tried, second.problem) == (True, None)
    assert ("a", "open 5") not in bench.seen
    assert bench.link.said == ["start 2"], "the guard is not dismissed: it goes on closing"
    assert "NOT closed: bed a (a did not answer). Close it by hand NOW" in capsys.readouterr().err


def test_nothing_opens_behind_a_broken_master(monkeypatch: pytest.MonkeyPatch) -> None:
    bench = Bench(monkeypatch, m=FakeDriver("m", [], fails=3), a=FakeDriver("a", []))
    (result,) = bench.trial("m").walk({"bed a"})
    assert result.problem == "cannot be closed: m did not answer"
    assert not [what for _, what in bench.seen if what.startswith("open")]
    assert bench.link.said == ["start 2", "bye"], "at the end it could be closed"


def test_a_mock_is_said_to_be_one_and_nobody_is_asked_for_water(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    bench = Bench(monkeypatch, a=FakeDriver("a", []))
    bench.drivers["a"].simulated = True
    (result,) = bench.trial().walk({"bed a"})
    assert result_text(result) == "bed a (fake): opened and closed [simulated]"
    assert "open for 5 s (simulated)" in capsys.readouterr().err


def test_a_valve_without_a_driver(monkeypatch: pytest.MonkeyPatch) -> None:
    bench = Bench(monkeypatch, a=FakeDriver("a", []))

    def none(*_: Any) -> Any:
        raise ValveFailed("no library", hint="install it")

    monkeypatch.setattr(specs, "driver_of", none)
    (result,) = bench.trial().walk({"bed a"})
    assert result.problem == "cannot be closed: no library (install it)"
    assert bench.link.said == ["start 1", "bye"]
