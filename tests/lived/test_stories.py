"""Hard days, each played whole: before, during and after the watering hours, and the morning after."""

from __future__ import annotations

import json
from collections.abc import Callable
from copy import copy, deepcopy
from datetime import date, datetime, timedelta
from pathlib import Path
from typing import Any

import pytest
from lived.books import compare
from lived.gardens import HUMID_GARDEN
from lived.ledger import Ledger
from lived.play import Shed, days_between
from lived.twin import Twin, differences

FIRST = date(2026, 6, 23)  # a dry week follows

NOTES: dict[str, Callable[[str, str], list[str]]] = {
    "filter": lambda runs, rests: ["note", "filter"],
    "chore": lambda runs, rests: ["note", "chore", "flush"],
    "tape": lambda runs, rests: ["note", "tape", rests],
    "rain": lambda runs, rests: ["note", "rain", "0.4in", "--at", "06:00"],
    "rain, now": lambda runs, rests: ["note", "rain", "1in"],
    "soil": lambda runs, rests: ["note", "soil", runs, "20 cb", "--depth", "8in"],
    "hold of that zone": lambda runs, rests: ["hold", runs, "until", "2026-06-30"],
    "hold of another": lambda runs, rests: ["hold", rests, "until", "2026-06-30"],
    "water of another zone": lambda runs, rests: ["note", "applied", rests, "30min"],
}


class Story:
    """A garden some dry days into June, its ledger, and its twin where all is told at once."""

    def __init__(
        self, folder: Path, first: date = FIRST, edits: tuple[tuple[str, str], ...] = (), clock: str = "03:50"
    ) -> None:
        self.place = HUMID_GARDEN
        self.shed = Shed(self.place, folder / "lived")
        self.ledger = Ledger(self.place)
        for old, new in edits:
            self.shed.edit(old, new)
        self.first = self.day = first
        self.clock = clock
        self.morning(first)
        self.twin = Twin(self.shed, folder / "at once", first, clock=clock)

    def copied(self, folder: Path) -> Story:
        other = copy(self)
        other.shed, other.ledger = self.shed.copied(folder / "lived"), deepcopy(self.ledger)
        other.twin = self.twin.copied(folder / "at once")
        return other

    def morning(self, day: date, clock: str | None = None) -> dict[str, Any]:
        self.day = day
        self.at(clock or self.clock)
        self.shed.weather()
        self.do("day")
        return self.shed.today

    def at(self, clock: str) -> None:
        self.shed.at(self.day, clock)

    def do(self, *args: str, status: tuple[int, ...] = (0, 3)) -> str:
        said = self.shed(*args)
        assert said.status in status, (args, said)
        self.equal()
        return said.out + said.err

    def equal(self) -> None:
        wrong = compare(self.ledger, self.shed)
        assert not wrong, "\n".join(wrong)

    def until_due(self, least_minutes: float = 30.0) -> list[dict[str, Any]]:
        """On to the first morning with a real run; its runs. Shorter ones are given and told at noon."""
        for day in days_between(self.day + timedelta(days=1), self.day + timedelta(days=21)):
            runs: list[dict[str, Any]] = self.morning(day)["runs"]
            if any(run["minutes"] >= least_minutes for run in runs):
                return runs
            if runs:
                self.at("12:00")
                self.as_planned()
        raise AssertionError("three weeks without a run")

    def as_planned(self) -> None:
        status = (0, 3) if self.ledger.as_planned(self.shed.now) else (2,)
        self.do("note", "applied", "--as-planned", status=status)

    def log(self, zone: str, day: date | None = None) -> dict[str, Any]:
        on = str(day or self.day)
        (row,) = self.shed("log", "--json", "--zone", zone, "--from", on, "--to", on).json["days"]
        return dict(row)

    def rests(self) -> str:
        runs = {run["zone"] for run in self.shed.today["runs"]}
        return next(zone for zone in self.place.flow_lpm if zone not in runs)

    def equals_told_at_once(self) -> None:
        """Tomorrow morning, beside a garden in which all was told in time."""
        self.morning(self.day + timedelta(days=1))
        self.compare_with_twin()

    def compare_with_twin(self) -> None:
        wrong = differences(self.shed.today, self.twin.told_at_once(self.ledger, self.shed))
        assert not wrong, "\n".join(wrong)


@pytest.fixture(scope="module")
def on_the_morning(tmp_path_factory: pytest.TempPathFactory) -> Story:
    """The first morning on which a zone is due, played once for all stories."""
    story = Story(tmp_path_factory.mktemp("due"))
    story.until_due()
    story.compare_with_twin()
    return story


@pytest.fixture
def story(on_the_morning: Story, tmp_path: Path) -> Story:
    """A zone is due; the plan was made, nothing has run yet."""
    return on_the_morning.copied(tmp_path)


def entered(ledger: Ledger, shed: Shed, args: list[str]) -> None:
    """In the ledger, too."""
    day = shed.now.date()
    match args:
        case ["note", "applied", zone, amount]:
            ledger.applied(zone, day, float(amount.removesuffix("min")))
        case ["hold", zone, _, until]:
            ledger.note("hold", day, zone=zone, until=until)
        case ["note", "rain", amount, "--at", clock]:
            at = shed.now.replace(hour=int(clock[:2]), minute=int(clock[3:]))
            ledger.note("rain", day, at=at, mm=float(amount.removesuffix("in")) * 25.4)
        case ["note", "rain", amount]:
            ledger.note("rain", day, at=shed.now, mm=float(amount.removesuffix("in")) * 25.4)
        case ["note", "soil", zone, *_]:
            ledger.note("soil", day, zone=zone, args=args[3:], at=shed.now)
        case ["note", kind, *_]:
            ledger.note(kind, day)


@pytest.mark.parametrize("when", ["after the hours", "while it runs"])
@pytest.mark.parametrize("kind", NOTES)
def test_a_note_leaves_the_mornings_runs_planned(kind: str, when: str, story: Story) -> None:
    runs = story.shed.today["runs"]
    args = NOTES[kind](runs[0]["zone"], story.rests())
    story.at("12:00" if when == "after the hours" else after(min(run["start"] for run in runs)))
    begun = [run for run in runs if run["start"] <= story.shed.now.isoformat()]
    assert begun
    entered(story.ledger, story.shed, args)
    story.do(*args)
    assert [run for run in story.shed.today["runs"] if run in begun] == begun
    story.at("12:30")
    story.as_planned()
    given = story.ledger.given_minutes()
    for run in begun:
        assert given[story.day, run["zone"]] >= run["minutes"]
    story.equals_told_at_once()


def after(moment: str) -> str:
    return f"{datetime.fromisoformat(moment) + timedelta(minutes=1):%H:%M}"


def test_a_gauge_read_as_six_inches_then_as_six_tenths(tmp_path: Path) -> None:
    story = Story(tmp_path)
    for day in (1, 2):
        story.morning(FIRST + timedelta(days=day))
    six = story.shed.now.replace(hour=6, minute=0)
    story.at("06:10")
    for inches in (6.0, 0.6):
        story.ledger.note("rain", story.day, at=six, mm=inches * 25.4)
        story.do("note", "rain", f"{inches}in", "--at", "06:00")
    story.morning(story.day + timedelta(days=1))
    weather = json.loads(story.do("weather", "--json", "--from", str(FIRST), "--to", str(story.day)))
    fell = {
        day["date"]: day["values"]["rain_mm"]["value"]
        for day in weather["days"]
        if "rain_mm" in day["values"]
    }
    read = sum(fell[str(FIRST + timedelta(days=day))] for day in (1, 2))  # dry but for this
    assert read == pytest.approx(0.6 * 25.4, abs=0.02)
    story.equals_told_at_once()


def test_as_planned_books_what_the_morning_said_though_the_garden_was_edited_since(story: Story) -> None:
    run = story.shed.today["runs"][0]
    story.at("11:00")
    story.shed.edit("flow: 0.50 gpm/100ft", "flow: 0.25 gpm/100ft")
    story.at("12:00")
    story.as_planned()
    row = story.log(run["zone"])
    assert row["minutes"] == pytest.approx(run["minutes"], abs=0.01)
    assert row["net_mm"] == pytest.approx(run["net_mm"], abs=0.01)
    assert row["liters"] == pytest.approx(run["liters"], abs=0.1)


def test_answered_after_midnight(story: Story) -> None:
    runs = story.shed.today["runs"]
    watered = story.day
    story.day += timedelta(days=1)
    story.at("00:30")
    story.as_planned()
    assert {day for day, _ in story.ledger.given_minutes()} >= {watered}
    assert story.log(runs[0]["zone"], watered)["minutes"] == pytest.approx(
        sum(run["minutes"] for run in runs if run["zone"] == runs[0]["zone"]), abs=0.01
    )
    story.day = watered
    story.equals_told_at_once()


def test_a_note_after_midnight_leaves_yesterdays_runs_open(story: Story) -> None:
    watered = story.day
    story.day += timedelta(days=1)
    story.at("00:30")
    story.ledger.note("filter", story.day)
    story.do("note", "filter")
    story.ledger.note("filter", watered)
    story.do("note", "filter", "--date", watered.isoformat())
    story.morning(story.day)
    asked = {line["date"] for line in story.shed.today["unanswered"]}
    assert watered.isoformat() in asked


def test_nine_days_of_holiday(story: Story) -> None:
    """The crontab plans on, nobody answers; what is still asked is then said to have been given."""
    for _ in range(9):
        story.morning(story.day + timedelta(days=1))
    assert story.shed.today["unanswered"]
    story.at("12:00")
    story.as_planned()
    assert not story.shed.today["unanswered"]
    story.equals_told_at_once()


def test_a_crop_that_the_garden_does_not_have_stops_no_later_note(story: Story) -> None:
    runs = story.shed.today["runs"]
    story.at("12:00")
    said = story.shed("note", "planted", "squash", "radish")
    assert said.status in (0, 2, 3)
    if said.status != 2:
        story.ledger.note("planted", story.day, zone="squash", crop="radish")
    story.as_planned()
    assert story.log(runs[0]["zone"])["minutes"] is not None
    story.morning(story.day + timedelta(days=1))
    story.ledger.applied("squash", story.day, 10)
    story.do("note", "applied", "squash", "10min")


def test_a_planting_moved_by_note_holds_for_the_whole_season(tmp_path: Path) -> None:
    story = Story(tmp_path)
    story.morning(FIRST + timedelta(days=1))
    story.at("19:00")
    planted = date(2026, 5, 20)
    story.ledger.note("planted", planted, zone="squash", crop="summer squash")
    story.do("note", "planted", "squash", "summer squash", "--date", planted.isoformat())
    story.equals_told_at_once()
    squash = next(zone for zone in story.shed.today["zones"] if zone["zone"] == "squash")
    assert squash["day"] == (story.day - planted).days + 1


def test_a_hold_forgotten_says_so_every_morning_and_ends_at_a_word(story: Story) -> None:
    runs = story.shed.today["runs"]
    zone = runs[0]["zone"]
    held = story.day
    story.at("12:00")
    story.as_planned()
    story.ledger.note("hold", held, zone=zone, until=held + timedelta(days=60))
    story.do("hold", zone, "until", str(held + timedelta(days=60)))
    for _ in range(7):
        story.morning(story.day + timedelta(days=1))
        line = next(z for z in story.shed.today["zones"] if z["zone"] == zone)
        assert line["state"] == "on hold"
        assert "hold" in story.do("morning")
        if story.shed.today["runs"]:
            story.at("12:00")
            story.as_planned()
    story.at("19:00")
    story.ledger.note("hold", story.day, zone=zone, until=story.day)
    story.do("hold", zone, "until", str(story.day))
    story.equals_told_at_once()
    assert next(z for z in story.shed.today["zones"] if z["zone"] == zone)["state"] != "on hold"


def test_as_planned_taken_back_asks_again(story: Story) -> None:
    runs = story.shed.today["runs"]
    story.at("12:00")
    story.as_planned()
    story.ledger.undo()
    story.do("note", "undo")
    story.morning(story.day + timedelta(days=1))
    asked = {line["zone"]: line["minutes"] for line in story.shed.today["unanswered"]}
    assert asked == pytest.approx(
        {zone: sum(r["minutes"] for r in runs if r["zone"] == zone) for zone in asked}
    )
    assert asked
    story.at("04:10")
    story.as_planned()
    assert not story.shed.today["unanswered"]


def test_watered_and_told_before_the_plan_is_made(story: Story, tmp_path: Path) -> None:
    """The computer was off at night: water first, `day` at half past six, and nothing is planned twice."""
    runs = story.shed.today["runs"]
    story.at("12:00")
    story.as_planned()
    given = {run["zone"]: run["minutes"] for run in runs}
    later = Story(tmp_path / "later")
    for day in days_between(later.day + timedelta(days=1), story.day - timedelta(days=1)):
        later.morning(day)
        if later.shed.today["runs"]:
            later.at("12:00")
            later.as_planned()
    later.day = story.day
    later.at("06:00")
    for zone, minutes in given.items():
        later.ledger.applied(zone, later.day, minutes)
        later.do("note", "applied", zone, f"{minutes:g}min")
    later.morning(later.day, "06:30")
    assert not [run for run in later.shed.today["runs"] if run["zone"] in given]
    assert later.morning(later.day + timedelta(days=1))["zones"] == [
        {key: pytest.approx(value) if isinstance(value, float) else value for key, value in zone.items()}
        for zone in story.morning(story.day + timedelta(days=1))["zones"]
    ]


HOURS = ('hours: {from: "05:00", until: "09:30"}', 'hours: {from: "00:30", until: "05:30"}')
DRY = (
    "    soil: sandy loam\n    plantings:\n",
    "    soil: sandy loam\n    starting_deficit: 0.4 in\n    plantings:\n",
)
CLOCK_CHANGES = {
    "spring": (date(2026, 3, 8), ("planted: 2026-05-01", "planted: 2026-02-15")),
    "autumn": (
        date(2026, 11, 1),
        ("planted: 2026-08-10, pulled: 2026-10-31", "planted: 2026-09-15, pulled: 2026-11-20"),
    ),
}


@pytest.mark.parametrize("season", CLOCK_CHANGES)
def test_the_night_of_the_clock_change(season: str, tmp_path: Path) -> None:
    """Minutes are minutes: a run across the change lasts as long as planned, and is booked so."""
    changes, crop = CLOCK_CHANGES[season]
    story = Story(tmp_path, changes, (HOURS, DRY, crop), clock="00:05")
    runs = story.shed.today["runs"]
    assert runs
    for run in runs:
        start, stop = (datetime.fromisoformat(run[key]) for key in ("start", "stop"))
        assert (stop - start).total_seconds() / 60 == pytest.approx(run["minutes"], abs=0.02)
    story.at("12:00")
    story.as_planned()
    story.equals_told_at_once()
