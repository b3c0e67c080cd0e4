"""The screen of the morning, from the example's today.json and from awkward ones."""

from __future__ import annotations

import copy
import json
import subprocess
import sys
from datetime import timedelta
from pathlib import Path
from typing import Any

import pytest
from screens.looked_at import NOW, Screen, buttons, fields, frame, said

from scheduler.html.screens.frame import live
from scheduler.html.screens.today import today
from scheduler.html.static_files import NAMES, static_file

ROOT = Path(__file__).parents[2]
GOLDEN = json.loads((ROOT / "tests" / "cli" / "golden" / "today.json").read_text())
UNTIL = (NOW + timedelta(minutes=45)).isoformat(timespec="minutes")
ACTIONS = {
    "look": {"/do/leave"},
    "note": {"/do/leave", "/do/given", "/do/rain", "/do/hold", "/do/chore", "/do/stop", "/do/stop-all"},
}
ACTIONS["water"] = ACTIONS["note"] | {"/confirm/water"}


def page(**more: Any) -> Any:
    """Of the example; tomatoes have a valve, the others are opened by hand."""
    made = {**copy.deepcopy(GOLDEN), **more}
    for zone in made["zones"]:
        zone["by_hand"] = zone["zone"] != "tomatoes"
    return made


def full() -> Any:
    """One of everything that can be answered."""
    return page(
        unanswered=[asked("beans"), asked("squash"), asked("onions", "2015-07-07")],
        chores=[{"chore": "filter", "text": "rinse the filter", "can_wait": True}],
    )


def asked(zone: str, day: str = "2015-07-08", minutes: float = 30.0) -> dict[str, Any]:
    return {"zone": zone, "date": day, "minutes": minutes, "liters": 100.0, "net_mm": 3.0}


def test_every_zone_stands_there_with_its_plan() -> None:
    shown = Screen(today(page(), frame()))
    rows = {said(row.find("a/bdi")): said(row) for row in shown.all("li") if row.find("a/bdi") is not None}
    assert list(rows) == ["beans", "squash", "onions", "lettuce", "tomatoes"]
    assert "06:30 3 h 23 min" in rows["tomatoes"]
    assert "0.49/0.46 in +/- 0.31" in rows["tomatoes"]
    assert "07:30 to 10:00" in rows["squash"]
    assert "Water today: 5 of 5 zones, 1,715 gal (hours 04:00 to 10:00)" in shown.words()
    assert "58 to 86 F, no rain, ET0 0.21 in (partly estimated)" in shown.words()
    assert "lettuce 53 min (51 gal), onions 17 min (8.2 gal)" in shown.words()


@pytest.mark.parametrize("may", ["look", "note", "water"])
def test_a_control_that_one_may_not_use_is_not_there(may: str) -> None:
    shown = Screen(today(full(), frame(may, open=[{"zone": "beans", "until": UNTIL}])))
    assert shown.actions() == ACTIONS[may]
    assert "beans, until 07:15" in shown.words()
    assert len(shown.forms("/do/stop-all")) == (may != "look")


def test_a_question_is_answered_with_one_touch_or_an_amount() -> None:
    shown = Screen(today(full(), frame()))
    forms = shown.forms("/do/given")
    runs = [fields(form)["run"] for form in forms]
    assert runs == [
        "2015-07-08", "2015-07-08 beans", "2015-07-08 beans", "2015-07-08 squash", "2015-07-08 squash",
        "2015-07-07 onions", "2015-07-07 onions",
    ]  # fmt: skip
    assert list(buttons(forms[1])) == [("As planned", "planned"), ("Not given", "none")]
    assert fields(forms[2])["how"] == "minutes"
    assert "minutes" in fields(forms[2])


def test_many_questions_are_asked_day_by_day_until_the_newest_are_answered() -> None:
    days = [f"2015-07-{day:02}" for day in range(4, 9)]
    many = page(unanswered=[asked(f"zone {n}", day) for day in days for n in range(8)])
    shown = Screen(today(many, frame()))
    one_by_one = {fields(form)["run"][:10] for form in shown.forms("/do/given") if " " in fields(form)["run"]}
    assert one_by_one == {"2015-07-07", "2015-07-08"}
    assert {fields(form)["run"] for form in shown.forms("/do/given")} >= set(days)


def test_rain_hold_and_water_say_what_they_send() -> None:
    shown = Screen(today(page(), frame()))
    (rain,), (hold,), (water,) = map(shown.forms, ("/do/rain", "/do/hold", "/confirm/water"))
    assert fields(rain).items() >= {"amount": "", "unit": "in", "day": ""}.items()
    assert fields(hold).items() >= {"zone": "tomatoes", "until": "2015-07-10"}.items()
    assert fields(water) == {"zone": "tomatoes", "minutes": ""}


def test_a_morning_two_days_old_says_so() -> None:
    shown = Screen(today(page(), frame(now=NOW + timedelta(days=2))))
    assert "This plan is 2 days old (made 2015-07-09 03:00)." in shown.words()
    assert "days old" not in today(page(), frame())


def test_an_opening_that_should_be_over_is_told() -> None:
    late = frame(open=[{"zone": "beans", "until": (NOW - timedelta(minutes=30)).isoformat()}])
    assert (
        "beans was to close at 06:00; the service has not said that it did"
        in Screen(today(page(), late)).words()
    )
    soon = frame(open=[{"zone": "beans", "until": (NOW + timedelta(minutes=1)).isoformat()}])
    assert live(late)["mark"] != live(soon)["mark"]


def test_a_name_is_text_whatever_stands_in_it() -> None:
    for name in (
        "<script>alert(1)</script>",
        'a"><img src=x>',
        "\u05e9\u05d5\u05e8\u05d4",
        "a/b?c#d %",
        "x" * 200,
    ):
        shown = Screen(today(renamed(name), frame(open=[{"zone": name, "until": UNTIL}], garden=name)))
        assert not shown.all("img")
        assert len(shown.all("script")) == 1
        assert name in [said(one) for one in shown.all("bdi")]
        assert name in [fields(form)["zone"] for form in shown.forms("/do/stop")]


def renamed(name: str) -> Any:
    text = json.dumps(full())
    return json.loads(text.replace('"beans"', json.dumps(name)))


def test_an_empty_garden_and_missing_values_still_make_a_screen() -> None:
    nothing = page(
        zones=[],
        runs=[],
        unmet=[],
        applied=[],
        notices=[],
        chores=[],
        windows=[],
        weather={"yesterday": {}, "today": {}},
    )
    shown = Screen(today(nothing, frame()))
    assert "No plan has been made yet." in shown.words()
    assert "temperature unknown, rain unknown" in shown.words()
    assert shown.actions() == {"/do/leave", "/do/stop-all"}


def test_what_the_last_action_did_is_told() -> None:
    told = Screen(today(page(), frame(told="beans open until 07:15:00")))
    (line,) = (one for one in told.all("p", role="status") if one.get("id") is None)
    assert said(line) == "beans open until 07:15:00"
    failed = Screen(today(page(), frame(told="beans: not opened", failed=True)))
    assert "beans: not opened" in [said(one) for one in failed.all("p", role="alert")]


def test_a_light_screen() -> None:
    """At most 60 kB with styles and script, also of a garden of 20 zones that all wait for an answer."""
    files = sum(len(static_file(name)[0]) for name in NAMES)
    assert files + len(today(full(), frame()).encode()) < 30_000
    many = page(zones=[{**GOLDEN["zones"][n % 5], "zone": f"zone number {n}"} for n in range(20)])
    many["runs"] = [{**GOLDEN["runs"][n % 5], "zone": f"zone number {n}"} for n in range(20)]
    many["unanswered"] = [asked(f"zone number {n}") for n in range(20)]
    many["chores"] = full()["chores"]
    assert files + len(today(many, frame(csrf="c" * 43, once=lambda: "o" * 22)).encode()) <= 60_000


def test_only_shipped_files_are_served() -> None:
    for name in ("../frame.py", "style.css/", "STYLE.CSS", ""):
        with pytest.raises(LookupError):
            static_file(name)


def test_it_loads_nothing_heavy() -> None:
    script = "import sys; import scheduler.html.screens.today as t; print(*sorted(sys.modules))"
    ran = subprocess.run(
        [sys.executable, "-c", script], capture_output=True, text=True, cwd=ROOT, timeout=60, check=True
    )
    heavy = {"numpy", "pandas", "sqlalchemy", "requests", "pyet", "pydantic", "yaml", "svg"}
    assert heavy.isdisjoint(ran.stdout.split())
