"""The commands a person waits for load nothing heavy, whether the garden is read or remembered."""

from __future__ import annotations

import json
import os
import subprocess
import sys

import pytest
from cli.conftest import Grower

from scheduler.cli.site import KEPT

DAY = "2015-07-01"
PLANNING = {
    "alembic", "apscheduler", "highspy", "icalendar", "numpy", "pandas", "pint", "pyet", "requests",
    "sqlalchemy",
}  # fmt: skip
READING = {"pydantic", "yaml"}  # of garden.yaml, where it was edited since it was last read
RUN = """
import json, sys
from scheduler.cli.main import main
try:
    main(sys.argv[1:])
except SystemExit as end:
    code = end.code
print(json.dumps([code, sorted({name.split(".")[0] for name in sys.modules})]), file=sys.stderr)
"""


def loaded(grower: Grower, *words: str) -> tuple[int, set[str]]:
    ran = subprocess.run(
        [sys.executable, "-c", RUN, *words], capture_output=True, text=True, timeout=60, check=True,
        cwd=grower.folder,
        env=os.environ | {"ROWWATER_DATA": str(grower.data), "ROWWATER_CONFIG": str(grower.garden)},
    )  # fmt: skip
    status, names = json.loads(ran.stderr.splitlines()[-1])
    return status, set(names)


@pytest.mark.parametrize(
    ("words", "expected"),
    [
        (("why", "tomatoes"), 0),
        (("log", "--to", DAY), 0),
        (("stop",), 1),  # its valves are turned by hand
        (("water", "tomatoes", "20 min"), 1),  # nobody listens
    ],
)
def test_a_quick_command_loads_nothing_heavy(grower: Grower, words: tuple[str, ...], expected: int) -> None:
    grower("day", "--date", DAY)
    grower("log")  # reads garden.yaml, and remembers what it says
    status, names = loaded(grower, *words)
    assert status == expected
    assert names & (PLANNING | READING) == set()


def test_a_note_that_bears_on_no_plan_loads_nothing_of_planning(grower: Grower) -> None:
    grower("day", "--date", DAY)
    status, names = loaded(grower, "note", "rain", "0.2in")  # today: long after the plan
    assert status == 0
    assert names & PLANNING == set()


@pytest.mark.parametrize("command", [("why", "tomatoes"), ("log", "--to", DAY), ("stop",)])
def test_what_is_remembered_says_the_same(grower: Grower, command: tuple[str, ...]) -> None:
    grower("day", "--date", DAY)
    read = grower(*command)
    assert (grower.data / KEPT).exists()
    assert grower(*command) == read
    (grower.data / KEPT).write_text("{")  # torn
    assert grower(*command) == read


def test_an_edited_garden_is_read_again(grower: Grower) -> None:
    grower("day", "--date", DAY)
    assert grower("why", "tomatoes").status == 0
    shown = grower("log", "--to", DAY).out
    grower.edit("tomatoes:", "love-apples:")
    assert "garden.yaml no longer has tomatoes" in grower("why", "tomatoes").out
    grower.edit("love-apples:", "tomatoes:")
    assert grower("log", "--to", DAY).out == shown
    grower.edit("zones:", "zonse:")
    wrong = grower("log", "--to", DAY)
    assert wrong.status == 2
    assert "zonse" in wrong.err
