"""A grower's notes over whole days: before, during and after the watering hours, late, mistyped, corrected.

The Creekside plot is opened by hand (hours 04:00 to 10:00).  What each day must say follows from what the
documents promise; no outside numbers.
"""

from __future__ import annotations

import json
import random
from datetime import date, datetime, time, timedelta
from zoneinfo import ZoneInfo

import pytest
from cli.conftest import Clock, Grower

from scheduler.cli import common

MM_PER_INCH = 25.4  # exact
Runs = dict[str, tuple[str, float]]


@pytest.fixture
def thirsty(grower: Grower, clock: Clock) -> Grower:
    """Friday 3 July 2015, 03:00: water was given on Wednesday and Thursday; some is planned for today."""
    for day in ("2015-06-29", "2015-06-30", "2015-07-01", "2015-07-02"):
        clock(f"{day}T03:00")
        grower("day")
        clock(f"{day}T11:00")
        grower("note", "applied", "--as-planned")
    clock("2015-07-03T03:00")
    assert grower("day").status in (0, 3)
    assert len(page(grower)["runs"]) >= 2
    return grower


def page(grower: Grower) -> dict:  # type: ignore[type-arg]
    return json.loads((grower.data / "today.json").read_text())  # type: ignore[no-any-return]


def planned(grower: Grower) -> Runs:
    return {f"{run['zone']} {run['pulse']}": (run["start"], run["minutes"]) for run in page(grower)["runs"]}


def by_zone(runs: Runs) -> dict[str, float]:
    """Minutes of all pulses."""
    found: dict[str, float] = {}
    for key, (_, minutes) in runs.items():
        found[key.split()[0]] = found.get(key.split()[0], 0.0) + minutes
    return found


def given(grower: Grower, first: str, last: str) -> dict[tuple[str, str], float]:
    rows = grower("log", "--from", first, "--to", last, "--json").json["days"]
    return {(row["date"], row["zone"]): row["minutes"] for row in rows if row["minutes"] is not None}


def asked(grower: Grower) -> dict[tuple[str, str], float]:
    return {(one["date"], one["zone"]): one["minutes"] for one in page(grower)["unanswered"]}


def deficit(grower: Grower, zone: str) -> float:
    return float(next(one for one in page(grower)["zones"] if one["zone"] == zone)["deficit_mm"])


NOTES = {
    "filter": ("note", "filter"),
    "rain": ("note", "rain", "1.5in"),
    "soil": ("note", "soil", "beans", "12", "cb"),
    "hold": ("hold", "beans", "until", "2015-07-06"),
    "pulled": ("note", "pulled", "tomatoes"),
    "tape": ("note", "tape", "squash"),
    "another zone": ("note", "applied", "ONE", "5min"),
    "chore": ("note", "chore", "flush"),
    "the day again": ("day",),
}


@pytest.mark.parametrize("note", NOTES)
def test_after_the_hours_no_note_unplans_a_run(thirsty: Grower, clock: Clock, note: str) -> None:
    said = planned(thirsty)
    clock("2015-07-03T12:30")
    one = min(key.split()[0] for key in said)
    words = [one if word == "ONE" else word for word in NOTES[note]]
    assert thirsty(*words).status in (0, 3)
    assert planned(thirsty) == said
    clock("2015-07-04T03:00")
    thirsty("day")
    wanted = by_zone(said)
    if note == "another zone":  # which this answers
        del wanted[one]
    assert asked(thirsty) == {("2015-07-03", zone): minutes for zone, minutes in wanted.items()}
    morning = thirsty().out
    assert "Was this water given on Fri 3 Jul?" in morning
    assert thirsty("note", "applied", "--as-planned").status == 0
    books = given(thirsty, "2015-07-03", "2015-07-03")
    assert {zone: books["2015-07-03", zone] for zone in wanted} == wanted


def test_water_owed_is_not_planned_twice_nor_counted_as_given(thirsty: Grower, clock: Clock) -> None:
    before = {zone["zone"]: zone["deficit_mm"] for zone in page(thirsty)["zones"]}
    said = planned(thirsty)
    clock("2015-07-03T06:30")  # some runs are under way, there are hours left
    thirsty("note", "filter")
    again = page(thirsty)
    begun = {key: run for key, run in said.items() if run[0] <= "2015-07-03T06:30"}
    assert begun
    assert begun.items() <= planned(thirsty).items()
    for zone in {key.split()[0] for key in begun}:
        assert sum(run["minutes"] for run in again["runs"] if run["zone"] == zone) == pytest.approx(
            sum(minutes for key, (_, minutes) in said.items() if key.split()[0] == zone), abs=1.0
        )
    assert {zone["zone"]: zone["deficit_mm"] for zone in again["zones"]} == before


def test_as_planned_during_the_hours_books_what_is_over(thirsty: Grower, clock: Clock) -> None:
    runs, said_first = sorted(page(thirsty)["runs"], key=lambda run: run["stop"]), planned(thirsty)
    clock(runs[0]["start"][:16])
    said = thirsty("note", "applied", "--as-planned")
    assert said.status == 2
    assert "is over yet" in said.err
    first_over = [run for run in runs if run["stop"] <= runs[0]["stop"]]
    clock(runs[0]["stop"][:16])
    said = thirsty("note", "applied", "--as-planned", "--date", "today")
    assert said.status == 0
    assert set(given(thirsty, "2015-07-03", "2015-07-03")) == {
        ("2015-07-03", run["zone"]) for run in first_over
    }
    later = [run for run in runs if run not in first_over]
    assert len(later) == 0 or "not over yet" in said.out
    clock("2015-07-04T00:30")  # after midnight, before the next plan: the rest
    assert thirsty("note", "applied", "--as-planned").status == (0 if later else 2)
    books = given(thirsty, "2015-07-03", "2015-07-03")
    assert books == {("2015-07-03", name): minutes for name, minutes in by_zone(said_first).items()}


def test_as_planned_books_what_the_morning_said_though_the_garden_was_edited(
    thirsty: Grower, clock: Clock
) -> None:
    runs = page(thirsty)["runs"]
    clock("2015-07-03T11:00")
    thirsty.edit("crop: bush bean, planted: 2015-05-20", "crop: bush bean, planted: 2015-06-20")
    thirsty("note", "filter")
    thirsty("note", "rain", "2in")
    clock("2015-07-05T09:00")  # a morning was left out
    thirsty("day")
    thirsty("note", "applied", "--as-planned", "--date", "fri")
    rows = thirsty("log", "--from", "2015-07-03", "--to", "2015-07-03", "--json").json["days"]
    for zone in {run["zone"] for run in runs}:
        row = next(row for row in rows if row["zone"] == zone)
        minutes, net = (sum(run[key] for run in runs if run["zone"] == zone) for key in ("minutes", "net_mm"))
        assert (row["minutes"], row["net_mm"]) == (minutes, pytest.approx(net, abs=1e-3))


def test_pulses_are_answered_one_by_one(grower: Grower, clock: Clock) -> None:
    grower.edit("display: us\n", "display: us\ncrop_coefficient: single\n")
    grower.edit("  beans:", "    longest_pulse: 30 min\n    pulse_rest: 10 min\n  beans:")
    for day in ("2015-06-29", "2015-06-30", "2015-07-01", "2015-07-02"):
        clock(f"{day}T03:00")
        grower("day")
    pulses = [run for run in page(grower)["runs"] if run["zone"] == "tomatoes"]
    assert len(pulses) >= 2
    clock(pulses[0]["stop"][:16])
    grower("note", "applied", "--as-planned", "--date", "today")
    assert given(grower, "2015-07-02", "2015-07-02")["2015-07-02", "tomatoes"] == pulses[0]["minutes"]
    clock("2015-07-02T12:00")
    grower("note", "filter")
    clock("2015-07-03T03:00")
    grower("day")
    rest = sum(run["minutes"] for run in pulses[1:])
    assert asked(grower)["2015-07-02", "tomatoes"] == pytest.approx(rest, abs=1.0)
    grower("note", "applied", "tomatoes", "40min", "--date", "yesterday")  # told of all the rest
    assert ("2015-07-02", "tomatoes") not in asked(grower)


def test_an_answer_for_one_zone_answers_no_other(thirsty: Grower, clock: Clock) -> None:
    zones = {run["zone"] for run in page(thirsty)["runs"]}
    one = min(zones)
    clock("2015-07-03T10:30")
    thirsty("note", "applied", one, "12min")
    clock("2015-07-04T03:00")
    thirsty("day")
    assert {zone for day, zone in asked(thirsty) if day == "2015-07-03"} == zones - {one}


def test_the_day_after_no_note_touches_yesterdays_plan(thirsty: Grower, clock: Clock) -> None:
    """Before today's plan is made, also where valves should have opened and the service was down."""
    thirsty.edit("valve: {by_hand: true}", "valve: {gpio: 17}")
    said = planned(thirsty)
    clock("2015-07-04T02:00")
    for note in (("note", "filter"), ("note", "rain", "1in"), ("note", "applied", "squash", "0min")):
        assert thirsty(*note).status == 0
        assert planned(thirsty) == said


# --- taken back ---------------------------------------------------------------------------------


def test_a_note_taken_back_leaves_no_trace_in_the_morning(thirsty: Grower, clock: Clock) -> None:
    before = page(thirsty)
    notes = [note for key, note in NOTES.items() if key != "another zone"]
    for note in (*notes, ("note", "planted", "beans", "okra"), ("note", "applied", "beans", "3min")):
        if note == ("day",):
            continue
        said = thirsty(*note)
        assert said.status == 0, said.err
        back = thirsty("note", "undo")
        assert back.status == 0
        assert back.out.startswith("taken back: ")
        again = page(thirsty)
        for key in ("zones", "unanswered", "applied", "weather", "runs"):
            assert again[key] == before[key], (note, key)


def test_the_list_numbers_all_and_an_undo_can_be_undone(thirsty: Grower, clock: Clock) -> None:
    before = len(thirsty("note", "list", "--json").json["notes"])
    dry = deficit(thirsty, "beans")
    thirsty("note", "applied", "beans", "30min")
    wet = deficit(thirsty, "beans")
    assert wet < dry
    thirsty("note", "filter")
    assert "beans 30 min" in thirsty("note", "undo", str(before + 1)).out
    assert deficit(thirsty, "beans") == dry
    twice = thirsty("note", "undo", str(before + 1))
    assert twice.status == 2
    assert f"rowwater note undo {before + 3}" in twice.err
    assert thirsty("note", "undo", str(before + 3)).status == 0
    assert deficit(thirsty, "beans") == wet
    listed = thirsty("note", "list", "--json").json["notes"]
    assert [one["number"] for one in listed] == list(range(1, before + 5))
    kinds = [(one["kind"], one["withdraws"], one["withdrawn_by"]) for one in listed[before:]]
    assert kinds == [
        ("applied", None, None),
        ("filter", None, None),
        ("undo", before + 1, before + 4),
        ("undo", before + 3, None),
    ]
    text = thirsty("note", "list").out
    assert "Fri 3 Jul 2015: beans 30 min" in text
    assert all(len(line) <= 80 for line in text.splitlines())
    assert thirsty("note", "undo", "99").status == 2


def test_undo_of_an_answer_asks_the_question_again(thirsty: Grower, clock: Clock) -> None:
    said = planned(thirsty)
    clock("2015-07-03T11:00")
    thirsty("note", "applied", "--as-planned")
    thirsty("note", "undo")
    assert planned(thirsty) == said
    assert given(thirsty, "2015-07-03", "2015-07-03") == {}
    clock("2015-07-04T03:00")
    thirsty("day")
    assert {zone for _, zone in asked(thirsty)} == {key.split()[0] for key in said}


def test_nothing_to_take_back_is_said(grower: Grower) -> None:
    said = grower("note", "undo")
    assert (said.status, said.out) == (2, "")
    assert "no note to take back" in said.err
    assert grower("note", "list").out == "nothing has been noted yet\n"


# --- readings -----------------------------------------------------------------------------------


@pytest.mark.parametrize("at", [(), ("--at", "2015-07-03T07:00")], ids=["minutes later", "same time"])
def test_a_reading_again_corrects_the_first(thirsty: Grower, clock: Clock, at: tuple[str, ...]) -> None:
    """6 in, then 0.6 in: 0.60 in fell, not 6.60."""
    clock("2015-07-03T07:00")
    thirsty("note", "rain", "0.6in")
    once = {zone["zone"]: zone["deficit_mm"] for zone in page(thirsty)["zones"]}
    thirsty("note", "undo")
    thirsty("note", "rain", "6in")
    clock("2015-07-03T07:04")
    said = thirsty("note", "rain", "0.6in", *at)
    assert "replaces 6.00 in read Fri 07:00" in said.out
    assert {zone["zone"]: zone["deficit_mm"] for zone in page(thirsty)["zones"]} == once
    assert page(thirsty)["weather"]["yesterday"]["rain_mm"] == pytest.approx(0.6 * MM_PER_INCH)
    assert "counts again: " in thirsty("note", "undo").out  # and then that is said
    assert page(thirsty)["weather"]["yesterday"]["rain_mm"] == pytest.approx(6 * MM_PER_INCH)


def test_an_evening_reading_adds_to_the_mornings(thirsty: Grower, clock: Clock) -> None:
    clock("2015-07-03T07:00")
    assert thirsty("note", "rain", "0.6in").out.startswith("noted for 2015-07-02: 0.6in of rain")
    clock("2015-07-03T19:00")
    assert thirsty("note", "rain", "0.5in").out.startswith("noted for 2015-07-03: 0.5in of rain")
    clock("2015-07-04T03:00")
    thirsty("day")
    assert page(thirsty)["weather"]["yesterday"]["rain_mm"] == pytest.approx(0.5 * MM_PER_INCH)


def test_a_soil_reading_shows_its_effect_at_once(thirsty: Grower, clock: Clock) -> None:
    clock("2015-07-03T06:30")
    before = deficit(thirsty, "beans") / MM_PER_INCH
    said = thirsty("note", "soil", "beans", "12", "cb", "--depth", "8in")
    after = deficit(thirsty, "beans") / MM_PER_INCH
    assert f"deficit of beans {before:.2f} -> {after:.2f} in" in said.out
    assert (
        "set aside: a tensiometer cannot measure above 85 cb" in thirsty("note", "soil", "beans", "95 cb").out
    )
    clock("2015-07-03T15:00")
    assert "counts from tomorrow morning on" in thirsty("note", "soil", "beans", "12 cb").out
    assert "mm" not in said.out


# --- doubts -------------------------------------------------------------------------------------

DOUBTFUL = [
    ("note", "rain", "20in"),
    ("note", "planted", "beans", "okra", "--date", "2015-08-07"),
    ("note", "applied", "beans", "10 h"),
    ("note", "applied", "beans", "3000 gal"),
    ("note", "filter", "--date", "2014-07-03"),
    ("note", "rain", "1in", "--at", "2014-07-03T07:00"),
]


@pytest.mark.parametrize("words", DOUBTFUL, ids=" ".join)
def test_a_doubtful_value_is_asked_about(
    thirsty: Grower, monkeypatch: pytest.MonkeyPatch, words: tuple[str, ...]
) -> None:
    before = len(thirsty("note", "list", "--json").json["notes"])
    said = thirsty(*words)
    assert said.status == 2
    assert "nothing was noted" in said.err
    assert "--yes" in said.err
    asked_for: list[str] = []
    answers = iter([False, True])
    monkeypatch.setattr(common, "asking_is_possible", lambda: True)
    monkeypatch.setattr("click.confirm", lambda text: (asked_for.append(text), next(answers))[1])
    assert thirsty(*words).status == 2
    assert len(thirsty("note", "list", "--json").json["notes"]) == before
    assert thirsty(*words).status == 0
    assert len(asked_for) == 2
    assert thirsty(*words, "--yes").status == 0
    assert len(thirsty("note", "list", "--json").json["notes"]) == before + 2


# --- crops that garden.yaml does not know -------------------------------------------------------


def test_a_crop_of_no_planting_breaks_no_later_note(thirsty: Grower, clock: Clock) -> None:
    assert thirsty("note", "planted", "squash", "radish").status == 0
    assert thirsty("note", "applied", "squash", "12min").status == 0
    clock("2015-07-03T11:00")
    assert thirsty("note", "applied", "--as-planned").status == 0


def test_a_crop_that_leaves_crops_yaml_is_said_and_breaks_nothing(thirsty: Grower, clock: Clock) -> None:
    crops = thirsty.folder / "crops.yaml"
    crops.write_text(
        "oca:\n  stages:\n    - {stage: initial, days: 30, kc: 0.5}\n    - {stage: development, days: 40}\n"
        "    - {stage: mid-season, days: 45, kc: 1.1}\n    - {stage: late season, days: 30, kc_end: 0.8}\n"
        "  root_depth: {start: 0.2 m, full: 0.5 m}\n  depletion: 0.35\n"
    )
    assert thirsty("note", "planted", "squash", "oca").status == 0
    crops.unlink()
    clock("2015-07-04T03:00")
    assert thirsty("day").status == 3
    assert "your note of 2015-07-03 (oca planted) cannot be followed" in json.dumps(page(thirsty)["notices"])
    assert thirsty("note", "applied", "squash", "12min").status == 0
    assert thirsty("note", "undo").status == 0


def test_a_zone_renamed_breaks_no_note(thirsty: Grower, clock: Clock) -> None:
    thirsty("note", "planted", "squash", "radish")
    thirsty("note", "soil", "squash", "20 cb")
    thirsty.edit("  squash:", "  courgettes:")
    clock("2015-07-03T11:00")
    assert thirsty("note", "applied", "courgettes", "12min").status == 0
    assert thirsty("note", "applied", "--as-planned").status == 0
    assert thirsty("note", "list").status == 0
    lost = "garden.yaml no longer has squash: its record ("
    assert [one["level"] for one in page(thirsty)["notices"] if lost in one["text"]] == ["look"]
    clock("2015-07-04T03:00")
    assert thirsty("day").status in (0, 3)
    assert [one["level"] for one in page(thirsty)["notices"] if lost in one["text"]] == ["info"]


# --- any sequence -------------------------------------------------------------------------------

SITE = ZoneInfo("America/Los_Angeles")
ZONES = ("tomatoes", "beans", "lettuce", "squash")
Key = tuple[str, str, int]  # date, zone, pulse
Minutes = dict[tuple[str, str], float]  # by date and zone


class Notebook:
    """The books beside the program: what was planned when it began, told, answered, taken back."""

    def __init__(self) -> None:
        self.told: list[tuple[Minutes, bool, frozenset[Key]]] = []  # water, all of the day, what it answers
        self.standing: list[int] = []
        self.begun: dict[Key, tuple[datetime, float]] = {}  # stop, minutes

    def see(self, shown: dict, now: datetime) -> None:  # type: ignore[type-arg]
        """The plan as it stood until now."""
        for run in shown["runs"]:
            start, stop = (datetime.fromisoformat(run[key]) for key in ("start", "stop"))
            if start <= now:
                self.begun.setdefault((shown["date"], run["zone"], run["pulse"]), (stop, run["minutes"]))

    def tell(
        self, water: Minutes | None = None, *, total: bool = False, answers: frozenset[Key] = frozenset()
    ) -> None:
        self.standing.append(len(self.told))
        self.told.append((water or {}, total, answers))

    def given(self) -> Minutes:
        out: Minutes = {}
        for water, total, _ in (self.told[k] for k in self.standing):
            for key, minutes in water.items():
                out[key] = minutes if total else out.get(key, 0.0) + minutes
        return out

    def unanswered(self) -> frozenset[Key]:
        answered = {key for k in self.standing for key in self.told[k][2]}
        return frozenset(key for key in self.begun if key not in answered)

    def minutes(self, keys: frozenset[Key]) -> Minutes:
        out: Minutes = {}
        for day, zone, pulse in keys:
            out[day, zone] = out.get((day, zone), 0.0) + self.begun[day, zone, pulse][1]
        return out


def act(grower: Grower, book: Notebook, now: datetime, rng: random.Random) -> None:
    day, zone = str(now.date()), rng.choice(ZONES)
    match rng.choice(["as planned", "amount", "total", "filter", "rain", "undo", "hold", "day"]):
        case "as planned":
            over = frozenset(key for key in book.unanswered() if book.begun[key][0] <= now)
            assert grower("note", "applied", "--as-planned").status == (0 if over else 2)
            if over:
                book.tell(book.minutes(over), answers=over)
        case "amount" | "total" as how:
            amount, total = rng.choice([0, 10, 45]), how == "total"
            assert grower("note", "applied", zone, f"{amount} min", *["--total"] * total).status == 0
            mine = frozenset(key for key in book.begun if key[:2] == (day, zone))
            book.tell({(day, zone): amount}, total=total, answers=mine)
        case "filter":
            assert grower("note", "filter").status == 0
            book.tell()
        case "rain":
            since = f"{now - timedelta(minutes=3):%H:%M}"
            assert grower("note", "rain", "0.1in", "--since", since).status == 0
            book.tell()
        case "hold":
            assert grower("hold", zone, "until", str(now.date() + timedelta(days=1))).status == 0
            book.tell()
        case "undo":
            assert grower("note", "undo").status == (0 if book.standing else 2)
            book.standing = book.standing[:-1]
        case "day":
            assert grower("day").status in (0, 3)


@pytest.mark.parametrize("seed", range(3))
def test_after_any_sequence_of_notes_the_books_are_right(grower: Grower, clock: Clock, seed: int) -> None:
    """Three days of acts at random, against books kept beside the program."""
    rng, book = random.Random(seed), Notebook()
    clock("2015-06-30T03:00")
    grower("day")
    for day in (date(2015, 7, 1), date(2015, 7, 2), date(2015, 7, 3)):
        morning = datetime.combine(day, time(3), SITE)
        book.see(page(grower), morning)
        clock(f"{day}T03:00")
        grower("day")
        assert asked(grower) == book.minutes(book.unanswered())
        for step in sorted(rng.sample(range(60, 1200, 7), 6)):
            now = morning + timedelta(minutes=step)
            clock(f"{now:%Y-%m-%dT%H:%M}")
            book.see(page(grower), now)
            act(grower, book, now, rng)
            kept = {run["zone"] + str(run["pulse"]): run["minutes"] for run in page(grower)["runs"]}
            begun = {zone + str(n): run[1] for (on, zone, n), run in book.begun.items() if on == str(day)}
            assert begun.items() <= kept.items(), now
            assert given(grower, "2015-06-30", str(day)) == book.given(), now
