"""`why` begins with three plain lines: what the zone lacks, what it can spare, what today gives."""

from __future__ import annotations

import pytest
from cli.conftest import Grower


def plain(grower: Grower, zone: str, day: str) -> list[str]:
    """The lines, which stand above the working, and are the same in `--json`."""
    assert grower("day", "--date", day).status in (0, 3)
    told = grower("why", zone, "--json").json["plain"]
    text = grower("why", zone).out
    head, _, rest = text.partition("The working behind")
    assert " ".join(" ".join(told).split()) == " ".join(head.split("\n", 1)[1].split())
    assert "Dr(i-1)" in rest or "Weather of" in rest
    return [str(line) for line in told]


def test_the_first_day_says_what_it_takes_for_granted(grower: Grower) -> None:
    lacks, spares, today = plain(grower, "tomatoes", "2015-07-01")
    assert lacks.startswith("First day of the record: it is taken by the weather of the weeks before that ")
    assert "rowwater note soil tomatoes" in lacks
    assert spares.startswith("Water is due from ")
    assert today.startswith(("Open it by hand at ", "It rests today; next likely "))


def test_a_zone_that_rests_and_one_that_runs_by_hand(grower: Grower) -> None:
    grower.weeks("2015-07-01", "2015-07-09")
    said = {zone: plain(grower, zone, "2015-07-09") for zone in ("tomatoes", "beans", "lettuce", "squash")}
    page = {zone["zone"]: zone for zone in grower("morning", "--json").json["zones"]}
    assert {zone["state"] for zone in page.values()} >= {"runs"}
    for name, (lacks, spares, today) in said.items():
        assert lacks.startswith("Since the water of ")
        assert " the crop used 0." in lacks
        shown = f"{page[name]['deficit_mm'] / 25.4:.2f} in"  # 25.4 mm are an inch, by definition
        assert f"the root zone lacks {shown}." in lacks
        assert f"{page[name]['trigger_mm'] / 25.4:.2f} in" in spares
        if page[name]["state"] == "runs":
            assert today.startswith("Open it by hand at ")
            assert f"gives {page[name]['net_mm'] / 25.4:.2f} in" in today
        else:
            assert today.startswith("It rests today; ")


def test_a_zone_with_a_valve_of_its_own_runs_by_itself(grower: Grower) -> None:
    grower.edit("valve: {by_hand: true}", 'valve: {command: ["true"]}')
    text = grower.garden.read_text()
    for n in range(4):  # a valve each
        text = text.replace('command: ["true"]', f'command: ["true", "{n}"]', 1)
    grower.garden.write_text(text)
    grower.edit("display: us", "display: metric")
    for day in range(1, 10):
        lines = plain(grower, "lettuce", f"2015-07-{day:02}")
        if lines[2].startswith("It runs at "):
            assert " mm" in lines[2]
            return
    raise AssertionError("lettuce never ran")


@pytest.mark.parametrize("zone", ["tomatoes", "squash"])
def test_on_hold(grower: Grower, zone: str) -> None:
    grower.edit("  days: all\n", "  days: [mon, wed]\n")
    grower("day", "--date", "2015-07-01")
    grower("hold", zone, "until", "2030-07-05")  # a Friday
    *_, today = plain(grower, zone, "2015-07-02")
    assert today == "On hold until Fri 5 Jul: water may run from Mon 2030-07-08 04:00."


def test_nothing_grows_yet(grower: Grower) -> None:
    bare, following, note = plain(grower, "lettuce", "2015-03-01")
    assert bare == "Nothing grows in lettuce today, so it gets no water."
    assert following.startswith(("The next is ", "No planting"))
    assert "rowwater note planted lettuce" in note


def test_a_day_without_water_by_the_rules(grower: Grower) -> None:
    grower.edit("  days: all\n", "  days: [sun]\n")
    for day in range(1, 5):  # Wed to Sat
        *_, today = plain(grower, "lettuce", f"2015-07-0{day}")
    assert today.startswith("It gets nothing today; it goes ")
    assert "not a watering day: the next is Sun 2015-07-05" in today
    assert today.endswith("h.") or "; next likely Sun 5 Jul" in today


def test_a_zone_that_draws_too_much_says_what_limits_it(grower: Grower) -> None:
    grower.edit("time: 40 s", "time: 300 s")
    for day in range(1, 6):
        *_, today = plain(grower, "tomatoes", f"2015-07-0{day}")
    assert "It gets nothing today; it goes " in today
    assert "short: it needs " in today
    assert " gpm and the supply can feed " in today
