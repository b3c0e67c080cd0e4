"""Every page as the shipped JSON Schema (draft 2020-12) has it, judged by the jsonschema library."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import click
import pytest
from cli.conftest import Grower
from jsonschema import Draft202012Validator
from jsonschema.exceptions import ValidationError

from scheduler.cli import main
from scheduler.shapes.day import TodayFile
from scheduler.shapes.fault import fault
from scheduler.shapes.schema import FILE, PAGES, page_schema, schema

SHIPPED = Path(__file__).parents[2] / "config" / FILE
DAY = "2015-07-01"


def faults(page: Any, name: str) -> list[str]:
    """Closed: a key that no type names is a fault too, and so is a date that is none."""
    validator = Draft202012Validator(
        page_schema(name, closed=True), format_checker=Draft202012Validator.FORMAT_CHECKER
    )
    return [
        f"{'.'.join(map(str, error.absolute_path))}: {error.message}" for error in validator.iter_errors(page)
    ]


@pytest.fixture
def planned(grower: Grower) -> Grower:
    """Two mornings planned, the first one answered."""
    assert grower("day", "--date", "2015-06-30").status in (0, 3)
    grower("note", "applied", "--as-planned", "--date", "2015-06-30")
    assert grower("day", "--date", DAY).status in (0, 3)
    return grower


def test_the_shipped_schema_is_the_one_the_types_make(request: pytest.FixtureRequest) -> None:
    made = json.dumps(schema(), indent=1, ensure_ascii=False) + "\n"
    if request.config.getoption("--refresh-golden"):
        SHIPPED.write_text(made)
    assert SHIPPED.read_text() == made
    Draft202012Validator.check_schema(schema())
    Draft202012Validator.check_schema(schema(closed=True))


COMMANDS = {
    "bucket": ["--volume", "5gal", "--time", "58s", "--time", "70s"],
    "changeover": ["--from", "2015-07-01", "--to", "2015-09-01"],
    "check": ["--date", DAY],
    "crops": [],
    "day": ["--date", "2015-07-02"],
    "history": [],
    "log": ["--from", "2015-06-29"],
    "morning": ["--date", DAY],
    "parts": [],
    "report": [],
    "season": ["--weather", "weather.csv", "--from", "2015-06-01", "--to", "2015-06-14"],
    "selfcheck": [],
    "study": ["--weather", "weather.csv", "--years", "2", "--unlimited", "--vary", "supply.flow=3,5gpm"],
    "note list": [],
    "page phones": [],
    "valve-test": ["--yes"],
    "weather": ["--date", DAY],
    "week": ["--date", DAY],
    "why": ["beans"],
}


@pytest.mark.parametrize("name", COMMANDS)
def test_what_a_command_prints_fits(planned: Grower, name: str) -> None:
    page = planned(*name.split(), *COMMANDS[name], "--json").json
    assert page
    assert faults(page, name) == []
    assert fault(page, PAGES[name]) is None
    spoilt = {key: value for key, value in page.items() if key != next(iter(page))}
    assert faults(spoilt, name) != []


def test_a_study_fits_whatever_it_had_to_leave_out(grower: Grower) -> None:
    """Samples, dry runs, gardens that are none, variants that are none, years without weather or ET0."""
    rows = (grower.folder / "weather.csv").read_text().splitlines()
    begin = next(n for n, row in enumerate(rows) if row.startswith("2014-04-05"))
    bare = ",".join(["2014-04-05"] + [""] * rows[0].count(","))
    (grower.folder / "late.csv").write_text("\n".join([rows[0], bare, *rows[begin + 1 :]]) + "\n")
    for name, text in (("ash", grower.garden.read_text()), ("elm", "garden: Elm\n")):
        (grower.folder / "farms" / name).mkdir(parents=True)
        (grower.folder / "farms" / name / "garden.yaml").write_text(text)
    vary = ("--vary", "supply.flow=3,5gpm", "--vary", "zones.*.tape=thin,none", "--unlimited")
    pages = [
        grower("study", *how, "--json").json
        for how in (
            ("--weather", "weather.csv", *vary, "--sample", "3", "--dry-run"),
            ("--weather", "late.csv", *vary, "--years", "2013-2015"),
            ("--weather", "weather.csv", "--gardens", "farms", "--years", "1", "--unlimited"),
        )
    ]
    assert [faults(page, "study") for page in pages] == [[], [], []]
    dry, left, many = pages
    assert (dry["sample"]["combinations"], dry["gardens"]) == (4, [])
    (garden,) = left["gardens"]
    assert [one["year"] for one in garden["left_out"]] == [2013]
    assert [one["year"] for one in garden["variants"][0]["not_run"]] == [2014]
    assert len(garden["impossible"]) == 2
    assert garden["variants"][0]["short_days"] is None
    assert len(many["bad_gardens"]) == 1
    spoilt = json.loads(json.dumps(left))
    del spoilt["gardens"][0]["variants"][0]["capacity"]["hours"]
    spoilt["gardens"][0]["enough"]["variants"] = "none"
    assert len(faults(spoilt, "study")) == 2


def test_every_command_with_json_has_its_schema() -> None:
    context = click.Context(main.cli)
    commands = {name: main.cli.get_command(context, name) for name in main.COMMANDS}
    for name, one in list(commands.items()):
        commands |= {f"{name} {sub}": two for sub, two in getattr(one, "commands", {}).items()}
    names = [name for name, one in commands.items() if one and "as_json" in {p.name for p in one.params}]
    assert {*names, "today.json", "schedule.json"} == set(PAGES)
    assert set(names) == set(COMMANDS)


@pytest.mark.parametrize("name", ["today.json", "schedule.json"])
def test_the_files_fit(planned: Grower, name: str) -> None:
    assert faults(json.loads((planned.data / name).read_text()), name) == []


def test_more_keys_may_come_for_those_who_read_the_files(planned: Grower) -> None:
    page = json.loads((planned.data / "today.json").read_text()) | {"new": 1}
    Draft202012Validator(page_schema("today.json")).validate(page)
    assert faults(page, "today.json") == [": Additional properties are not allowed ('new' was unexpected)"]


def test_a_moment_carries_its_offset(planned: Grower) -> None:
    page = json.loads((planned.data / "today.json").read_text())
    page["made_at"] = "2015-07-01T03:00:00"
    with pytest.raises(ValidationError, match="does not match"):
        Draft202012Validator(page_schema("today.json")).validate(page)


# --- a today.json of another version --------------------------------------------------------------

SPOILT = [
    (lambda page: page.pop("timezone"), "timezone is missing"),
    (lambda page: page.pop("date"), "date is missing"),
    (lambda page: page.update(zones=3), "zones is no list"),
    (lambda page: page.update(notices=None), "notices is no list"),
    (lambda page: page["zones"][0].pop("deficit_mm"), "zones[0].deficit_mm is missing"),
    (lambda page: page["zones"][0].update(trigger_mm="much"), "zones[0].trigger_mm is not a number"),
    (lambda page: page.update(window="04:00"), "window is no block"),
    (lambda page: page.update(notices=["rain"]), "notices[0] is no block"),
    (lambda page: page["notices"].append({"level": "loud", "text": ""}), "is none of info, look, problem"),
    (lambda page: page.clear(), "is missing"),
]


@pytest.mark.parametrize(("spoil", "why"), SPOILT)
def test_a_page_of_another_shape_is_told_in_a_line(
    planned_page: dict[str, Any], grower: Grower, spoil: Any, why: str
) -> None:
    page = json.loads(json.dumps(planned_page))
    spoil(page)
    grower.data.mkdir()
    (grower.data / "today.json").write_text(json.dumps(page))
    ways = [grower("morning", *how) for how in ([], ["--date", DAY], ["--date", DAY, "--json"])]
    refused = [said for said in ways if said.status not in (0, 3)]  # some way does not look at the spoilt key
    assert refused
    for said in refused:
        assert said.status == 1
        assert why in said.err
        assert "`rowwater day` writes it anew" in said.err


@pytest.fixture(scope="module")
def planned_page() -> dict[str, Any]:
    """As in the layer test, with a second zone."""
    zone = {
        "zone": "beans", "by_hand": True, "deficit_sd_mm": 1.0, "state": "runs", "deficit_mm": 9.0,
        "trigger_mm": 8.0, "crop": "beans", "day": 31, "stage": "development", "minutes": 40.0,
        "wanted_minutes": 40.0, "minutes_if_given": 40.0,
    }  # fmt: skip
    window = {"from": f"{DAY}T04:00:00+00:00", "until": f"{DAY}T10:00:00+00:00"}
    page = {
        "garden": "Creekside plot", "display": "us", "timezone": "UTC", "date": DAY,
        "made_at": f"{DAY}T03:00:00+00:00", "window": window, "weather": {"yesterday": {}, "today": {}},
        "zones": [zone, {**zone, "zone": "squash"}], "runs": [], "unmet": [], "unanswered": [], "applied": [],
        "notices": [], "sources": {"failures": [], "notices": [], "credits": []}, "digests": {},
    }  # fmt: skip
    assert fault(page, TodayFile) is None
    return page
