"""Days, times and lengths of time at the command line: read the same way by every command."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from datetime import datetime
from importlib import import_module
from zoneinfo import ZoneInfo

import click
import pytest
from cli.conftest import Grower

from scheduler.cli.common import LocalDate
from scheduler.cli.main import COMMANDS

DAY_OPTIONS = {"--date", "--from", "--to"}
MOMENT_OPTIONS = {"--at", "--since"}
READ_IN_THE_COMMAND = {("changeover", "--from"), ("changeover", "--to")}
"""A file or a date."""
MOMENTS = {
    ("note rain", "--at"): ["note", "rain", "0.6in"],
    ("note rain", "--since"): ["note", "rain", "0.6in"],
    ("note soil", "--at"): ["note", "soil", "beans", "35 cb", "--depth", "8in"],
}
"""Command and option: how to call it."""


def options() -> Iterator[tuple[str, str, click.Parameter]]:
    """Every long option of every command."""
    todo: list[tuple[str, click.Command]] = [
        (name, import_module(f"scheduler.cli.{name.replace('-', '_')}").command) for name in COMMANDS
    ]
    while todo:
        name, command = todo.pop()
        if isinstance(command, click.Group):
            todo += [(f"{name} {sub}", below) for sub, below in command.commands.items()]
        for param in command.params:
            for option in param.opts:
                yield name, option, param


@pytest.fixture
def clock(monkeypatch: pytest.MonkeyPatch) -> Callable[[str], None]:
    """Sets the site's time."""

    def at(text: str) -> None:
        moment = datetime.fromisoformat(text)
        monkeypatch.setattr("scheduler.clock.site_now", lambda zone: moment.replace(tzinfo=ZoneInfo(zone)))

    return at


def test_every_option_that_takes_a_day_takes_it_as_people_type_it() -> None:
    found = {(name, option): param for name, option, param in options() if option in DAY_OPTIONS}
    assert len(found) > 15
    others = {key for key, param in found.items() if not isinstance(param.type, LocalDate)}
    assert others == READ_IN_THE_COMMAND


def test_every_option_that_takes_a_time_is_tried_here() -> None:
    assert {(name, option) for name, option, _ in options() if option in MOMENT_OPTIONS} == set(MOMENTS)


@pytest.mark.parametrize(("command", "option"), sorted(MOMENTS))
def test_times_as_people_type_them(
    grower: Grower, clock: Callable[[str], None], command: str, option: str
) -> None:
    clock("2015-07-03T12:00")
    call = MOMENTS[command, option]
    for typed in ("yesterday 6:30 pm", "7/2 18:30", "thu 18:30", "2015-07-02T18:30", "18:30 yesterday"):
        assert grower(*call, option, typed).status == 0
    said = grower(*call, option, "yestreday 18:00")
    assert said.status == 2
    assert option in said.err
    assert 'did you mean "yesterday"?' in said.err


@pytest.mark.parametrize(
    "call", [["changeover", "--to", "2015-08-20", "--from"], ["hold", "beans", "until"], ["day", "--date"]]
)
def test_a_mistyped_day_gets_the_nearest_word(grower: Grower, call: list[str]) -> None:
    said = grower(*call, "firday")
    assert (said.status, said.out) == (2, "")
    assert 'did you mean "friday"?' in said.err


def test_a_friday_from_morning_to_evening(grower: Grower, clock: Callable[[str], None]) -> None:
    """Before, during and after the watering hours (04:00 to 10:00) of Friday 3 July 2015."""
    clock("2015-07-03T03:00")
    assert grower("day").status in (0, 3)
    said = grower("note", "applied", "beans", "20", "min", "--date", "yesterday")
    assert said.err == 'rowwater: "yesterday" is taken as Thu 2 Jul 2015\n'
    assert said.out.startswith("beans 2015-07-02: 20 min")
    clock("2015-07-03T06:00")
    assert grower("note", "applied", "beans", "1:15", "h", "--date", "7/1").out.startswith(
        "beans 2015-07-01: 75 min"
    )
    assert grower("note", "applied", "beans", "120", "gal", "--date", "wed").out.startswith(
        "beans 2015-07-01"
    )
    said = grower("hold", "squash", "until", "monday")
    assert "squash kept dry until 2015-07-06" in said.out
    assert said.err == 'rowwater: "monday" is taken as Mon 6 Jul 2015\n'
    assert 'write "1 h 15 min"' in grower("note", "applied", "beans", "1:15").err
    assert "go in quotes" in grower("note", "applied", "beans", "20", "min", "--date", "last", "friday").err
    clock("2015-07-03T20:00")
    assert "2015-07-04" in grower("hold", "beans", "until", "4", "July").out
    assert grower("note", "applied", "beans", "20 min", "--date", "tomorrow").status == 2
    assert "0.6 in of rain" in grower("note", "rain", "0.6", "in", "--since", "today").out
    rows = grower("log", "--from", "wed", "--to", "yesterday", "--json").json["days"]
    assert {row["date"] for row in rows if row["zone"] == "beans"} == {"2015-07-01", "2015-07-02"}
    assert grower("morning", "--date", "today").status in (0, 3)


def test_the_order_of_figures_is_the_displays(grower: Grower, clock: Callable[[str], None]) -> None:
    clock("2015-07-03T12:00")
    assert "Tue 2 Jun 2015" in grower("why", "beans", "--date", "6/2").err
    grower.edit("display: us", "display: metric")
    assert "Fri 6 Feb 2015" in grower("why", "beans", "--date", "6/2").err
    said = grower("why", "beans", "--date", "6/20")
    assert said.status == 2
    assert 'day/month is read here - did you mean "20/6"?' in said.err


def test_the_day_is_the_sites_not_the_computers(grower: Grower, monkeypatch: pytest.MonkeyPatch) -> None:
    """At 01:00 UTC it is still the evening before in the eastern United States (UTC-4 in July)."""
    world = datetime.fromisoformat("2015-07-03T01:00+00:00")
    monkeypatch.setattr("scheduler.clock.site_now", lambda zone: world.astimezone(ZoneInfo(zone)))
    assert "Wed 1 Jul 2015" in grower("why", "beans", "--date", "yesterday").err
