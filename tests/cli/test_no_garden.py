"""Before there is a garden each command that needs one says where it looked, and points to init."""

from __future__ import annotations

import pytest
from cli.conftest import Grower

from scheduler.cli.main import COMMANDS

NEEDS_NONE = {"init", "bucket", "crops", "completion", "selfcheck"}
CALLS = {
    "morning": ["morning"],
    "check": ["check"],
    "changeover": ["changeover", "--from", "2015-07-01", "--to", "2015-09-01"],
    "parts": ["parts"],
    "day": ["day"],
    "week": ["week"],
    "weather": ["weather"],
    "history": ["history"],
    "why": ["why", "beans"],
    "note": ["note", "rain", "0.1in"],
    "note list": ["note", "list"],
    "note applied": ["note", "applied", "--as-planned"],
    "note soil": ["note", "soil", "beans", "35cb"],
    "note planted": ["note", "planted", "beans", "lettuce"],
    "hold": ["hold", "beans", "until", "tomorrow"],
    "log": ["log"],
    "report": ["report", "r.html"],
    "study": ["study", "--weather", "weather.csv"],
    "facts": ["facts", "--import", "facts.jsonl"],
    "page": ["page", "pair"],  # alone it shows the example: tests/web
    "water": ["water", "beans", "5"],
    "stop": ["stop"],
    "valve-test": ["valve-test", "--yes"],
    "season": ["season", "--weather", "weather.csv", "--from", "2015-06-01", "--to", "2015-06-03"],
    "alone": [],
}
OF_ITS_OWN_PROCESS = {"serve"}
"""Replaces the process that it is called in: see tests/service/test_process.py."""


def test_no_command_is_left_out() -> None:
    assert set(COMMANDS) == {name.split()[0] for name in CALLS} - {"alone"} | NEEDS_NONE | OF_ITS_OWN_PROCESS


@pytest.mark.parametrize("name", CALLS)
def test_a_command_without_a_garden_points_to_init(
    grower: Grower, name: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    grower.garden.unlink()
    monkeypatch.delenv("ROWWATER_CONFIG")
    monkeypatch.setenv("XDG_CONFIG_HOME", str(grower.folder / "settings"))
    said = grower(*CALLS[name])
    assert said.status == 2
    assert "no garden.yaml found; looked for " in said.err
    for looked in ("/etc/rowwater/garden.yaml", "settings/rowwater/garden.yaml", str(grower.garden)):
        assert looked in said.err
    assert "`rowwater init`" in said.err
    assert said.out == ""
    assert not (grower.data / "rowwater.db").exists()
    monkeypatch.setenv("ROWWATER_CONFIG", "elsewhere.yaml")  # named, and not there
    said = grower(*CALLS[name])
    assert said.status == 2
    assert "elsewhere.yaml: no such file (named by $ROWWATER_CONFIG)" in said.err
    assert "`rowwater init`" in said.err


def test_what_needs_no_garden_works_without(grower: Grower, monkeypatch: pytest.MonkeyPatch) -> None:
    grower.garden.unlink()
    monkeypatch.delenv("ROWWATER_CONFIG")
    monkeypatch.setenv("XDG_CONFIG_HOME", str(grower.folder / "settings"))
    assert grower("bucket", "--volume", "5gal", "--time", "58s").status == 0
    assert grower("crops", "lettuce").status == 0
    assert grower("completion", "bash").status == 0
    assert grower("selfcheck").status == 0
