"""Every command on every kind of output: closed, full, a pipe that nobody reads, terminals without colour."""

from __future__ import annotations

import json
import os
import subprocess
import sys
from importlib import import_module
from pathlib import Path

import click
from cli.conftest import Grower

from scheduler.cli.main import COMMANDS

ROOT = Path(__file__).parents[2]
CALLS = {
    "morning": ["morning", "--date", "2015-07-01"],
    "init": [
        "init",
        "--yes",
        "new.yaml",
        "--latitude",
        "35.61",
        "--longitude",
        "-82.44",
        "--elevation",
        "2130 ft",
        "--timezone",
        "America/New_York",
    ],  # fmt: skip
    "check": ["check", "--date", "2015-07-01"],
    "crops": ["crops"],
    "completion": ["completion", "bash"],
    "bucket": ["bucket", "--volume", "5gal", "--time", "58s"],
    "changeover": ["changeover", "--from", "2015-07-01", "--to", "2015-09-01"],
    "parts": ["parts"],
    "day": ["day", "--date", "2015-07-01"],
    "week": ["week", "--date", "2015-07-01"],
    "weather": ["weather", "--date", "2015-07-01"],
    "history": ["history"],
    "why": ["why", "beans"],
    "note": ["note", "rain", "0.1in"],
    "hold": ["hold", "beans", "until", "2015-07-02"],
    "log": ["log", "--csv"],
    "facts": ["facts", "--export", "-"],
    "study": ["study", "--weather", "weather.csv", "--unlimited", "--years", "1", "--csv"],
    "report": ["report", "--help"],  # no day is over yet
    "selfcheck": ["selfcheck"],
    "serve": ["serve", "--help"],  # it would not end by itself
    "page": ["page", "phones"],  # alone it would not end by itself
    "water": ["water", "beans", "5"],
    "stop": ["stop"],
    "valve-test": ["valve-test", "--yes"],
    "season": ["season", "--weather", "weather.csv", "--from", "2015-06-01", "--to", "2015-06-03", "--csv"],
}
OTHERS = {"alone": [], "help": ["--help"], "version": ["--version"], "mistyped": ["mornin"]}
QUIET = {"water", "stop", "mistyped"}
"""Without a service or a driven valve, they say what they say on stderr."""
COLOURED = {"morning", "alone", "changeover", "parts"}


def below(name: str) -> dict[str, list[str]]:
    """The help of each command below a command."""
    command = import_module(f"scheduler.cli.{name.replace('-', '_')}").command
    below = command.commands if isinstance(command, click.Group) else {}
    return {f"{name} {sub}": [name, sub, "--help"] for sub in below}


ALL = {**CALLS, **OTHERS, **{key: call for name in COMMANDS for key, call in below(name).items()}}


def tried(
    grower: Grower, condition: str, calls: dict[str, list[str]], **more: str
) -> dict[str, tuple[int, str, str]]:
    assert grower("day", "--date", "2015-07-01").status in (0, 3)
    environment = {name: value for name, value in os.environ.items() if name not in ("NO_COLOR", "TERM")}
    done = subprocess.run(
        [sys.executable, str(Path(__file__).with_name("terminal.py")), condition],
        input=json.dumps(calls), capture_output=True, text=True, timeout=200, cwd=grower.folder,
        env=environment | {"PYTHONPATH": str(ROOT), "TERM": "xterm", "OPENBLAS_NUM_THREADS": "1"} | more,
    )  # fmt: skip
    assert done.returncode == 0, done.stderr
    answers: dict[str, tuple[int, str, str]] = {
        name: tuple(said) for name, said in json.loads(done.stdout).items()
    }
    assert set(answers) == set(calls)
    for name, (_, out, err) in answers.items():
        assert "Traceback" not in out + err, (name, out + err)
        assert "Exception ignored" not in err, (name, err)
    return answers


def test_every_command_is_tried_here() -> None:
    assert set(CALLS) == set(COMMANDS)


def test_a_closed_stdin_and_stdout_change_nothing(grower: Grower) -> None:
    for name, (status, _, err) in tried(grower, "closed", ALL).items():
        assert status in ((1, 2, 3) if name in QUIET else (0, 3)), (name, status, err)


def test_a_full_disk_is_told(grower: Grower) -> None:
    for name, (status, _, err) in tried(grower, "full", ALL).items():
        if name not in QUIET:
            assert (status, "No space left on device" in err) == (1, True), (name, status, err)


def test_a_reader_that_has_gone_is_no_fault(grower: Grower) -> None:
    for name, (status, _, err) in tried(grower, "unread", ALL).items():
        if name not in QUIET:
            assert status == 0, (name, status, err)
            assert "pipe" not in err.casefold(), (name, err)


def test_no_escape_code_under_no_color(grower: Grower) -> None:
    """no-color.org: any text in it counts, whatever the terminal can do."""
    for name, (_, out, _) in tried(grower, "terminal", ALL, NO_COLOR="0").items():
        assert "\x1b" not in out, (name, out)
        assert out.strip(), name


def test_no_escape_code_on_a_terminal_that_knows_none(grower: Grower) -> None:
    calls = {name: ALL[name] for name in COLOURED | {"help"}}
    for name, (_, out, _) in tried(grower, "terminal", calls, TERM="dumb").items():
        assert "\x1b" not in out, (name, out)


def test_colour_where_it_is_wanted(grower: Grower) -> None:
    """An empty NO_COLOR is none (no-color.org); the tests above could fail."""
    calls = {name: ALL[name] for name in COLOURED}
    for name, (_, out, _) in tried(grower, "terminal", calls, NO_COLOR="").items():
        assert "\x1b[" in out, (name, out)
