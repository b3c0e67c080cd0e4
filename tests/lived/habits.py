"""A grower with habits: answers late, forgets, mistypes, corrects, takes back, edits, goes away.

What happens is drawn from packs of cards: each card comes before any comes again, so that rare things
happen too.
"""

from __future__ import annotations

import random
from collections.abc import Callable, Iterator
from datetime import date, datetime, time, timedelta
from itertools import groupby

from lived.books import compare
from lived.gardens import rain_mm
from lived.ledger import Ledger
from lived.play import Shed
from said import Said

Work = Callable[[], None]


def cards(rng: random.Random, names: tuple[str, ...]) -> Iterator[str]:
    while True:
        yield from rng.sample(names, len(names))


ANSWERS = (
    "at noon",
    "in the evening, zone by zone",
    "after midnight",
    "next morning before the hours",
    "three days late",
    "half of the first zone",
    "not given at all",
    "ten times too much, then corrected",
    "the wrong zone, taken back",
    "typed twice, taken back once",
    "by volume",
    "as planned, though one zone was dry",
    "never",
    "while the water runs",
)
REMARKS = (
    "nothing", "nothing", "filter", "gauge", "gauge, ten times too much",
    "gauge of the wrong day, taken back", "command mistyped", "zone mistyped", "unknown crop",
    "garden.yaml spoiled and mended", "kept dry till tomorrow", "hold forgotten", "day once more",
    "planted later than planned", "chore", "tape", "garden.yaml improved",
    "station silent", "undo of an undo",
)  # fmt: skip


class Grower:
    """Lives with one garden; with `books`, all that the program says is held against the ledger."""

    def __init__(self, shed: Shed, seed: int, *, books: bool = True) -> None:
        self.shed = shed
        self.rng = random.Random(f"{shed.place.name} {seed}")
        self.ledger = Ledger(shed.place)
        self.books = books
        self.diary: list[str] = []
        self.later: list[tuple[datetime, Work]] = []
        self.answers = cards(self.rng, ANSWERS)
        self.remarks = cards(self.rng, REMARKS)
        self.held: set[str] = set()
        self.moved = False

    # the clock and the commands

    def do(self, *args: str, status: tuple[int, ...] = (0, 3)) -> Said:
        said = self.shed(*args)
        self.diary.append(f"{self.shed.now:%a %d %b %H:%M} rowwater {' '.join(args)} -> {said.status}")
        if self.books:
            assert said.status in status, self.story(f"status {said.status}: {said.out}{said.err}")
        return said

    def after(self) -> None:
        """After an act: the books of the program equal the ledger."""
        if self.books:
            wrong = compare(self.ledger, self.shed)
            assert not wrong, self.story("\n".join(wrong))
        else:
            self.ledger.plan(self.shed.today, self.shed.now)

    def story(self, end: str) -> str:
        return "\n".join([*self.diary[-25:], end])

    def at(self, day: date, clock: str) -> None:
        """Move to a time, doing on the way what was put off until then."""
        hour, minute = map(int, clock.split(":"))
        moment = datetime.combine(day, time(hour, minute), self.shed.place.timezone)
        for due, work in sorted((p for p in self.later if p[0] <= moment), key=lambda p: p[0]):
            self.later.remove((due, work))
            self.shed.now = max(due, self.shed.now)
            work()
        self.shed.now = max(moment, self.shed.now)

    def put_off(self, day: date, clock: str, work: Work) -> None:
        hour, minute = map(int, clock.split(":"))
        self.later.append((datetime.combine(day, time(hour, minute), self.shed.place.timezone), work))

    # a day

    def plan(self, day: date, clock: str = "03:50") -> None:
        self.at(day, clock)
        self.shed.weather()
        self.do("day")
        self.after()

    def lives_through(self, day: date) -> None:
        """What becomes of a day after its plan."""
        if self.shed.today["runs"]:
            self.answer(day, next(self.answers))
        if self.rng.random() < 0.35:
            self.remark(day, next(self.remarks))
        self.at(day, "23:00")

    def catch_up(self) -> None:
        """Everything put off is done, everything open is answered, the station's gaps are filled."""
        self.shed.silent = frozenset()
        self.later, todo = [], sorted(self.later, key=lambda p: p[0])
        for _, work in todo:
            work()
        if self.ledger.open_questions(self.shed.now.date()):
            self.note_as_planned()

    # answers

    def answer(self, day: date, how: str) -> None:
        self.diary.append(f"{day:%a %d %b} answered: {how}")
        following = day + timedelta(days=1)
        zones = list(dict.fromkeys(run["zone"] for run in self.shed.today["runs"]))
        minutes = {
            zone: sum(r["minutes"] for r in runs)
            for zone, runs in groupby(
                sorted(self.shed.today["runs"], key=lambda r: r["zone"]), lambda r: r["zone"]
            )
        }
        first = zones[0]
        match how:
            case "at noon":
                self.at(day, "12:00")
                self.note_as_planned()
            case "in the evening, zone by zone":
                self.at(day, "20:30")
                for zone in zones:
                    self.note_applied(zone, day, round(minutes[zone]))
            case "after midnight":
                self.put_off(following, "00:30", self.note_as_planned)
            case "next morning before the hours":
                self.put_off(following, "03:55", self.note_as_planned)
            case "three days late":
                self.put_off(day + timedelta(days=3), "12:10", self.note_as_planned)
            case "half of the first zone":
                self.at(day, "12:00")
                self.note_applied(first, day, round(minutes[first] / 2))
                self.note_as_planned()
            case "not given at all":
                self.at(day, "19:00")
                for zone in zones:
                    self.note_applied(zone, day, 0)
            case "ten times too much, then corrected":
                self.at(day, "12:00")
                self.note_applied(first, day, round(minutes[first]) * 10)
                self.note_applied(first, day, round(minutes[first]), total=True)
                self.note_as_planned()
            case "the wrong zone, taken back":
                self.at(day, "12:00")
                self.note_applied(self.rng.choice(list(self.shed.place.flow_lpm)), day, 77)
                self.undo()
                self.note_as_planned()
            case "typed twice, taken back once":
                self.at(day, "12:00")
                self.note_applied(first, day, round(minutes[first]))
                self.note_applied(first, day, round(minutes[first]))
                self.undo()
                self.note_as_planned()
            case "by volume":
                self.at(day, "12:00")
                self.note_liters(first, day, round(self.ledger.liters(first, minutes[first])))
                self.note_as_planned()
            case "as planned, though one zone was dry":
                self.at(day, "12:00")
                self.note_as_planned()
                self.note_applied(first, day, 0, total=True)
            case "while the water runs":
                self.at(day, "06:30")
                self.note_as_planned()
                self.put_off(day, "12:30", self.note_as_planned)
            case "never":
                pass
            case _:
                raise AssertionError(how)

    def note_as_planned(self) -> None:
        known = self.ledger.as_planned(self.shed.now)
        self.do("note", "applied", "--as-planned", status=(0, 3) if known else (2,))
        self.after()

    def note_applied(self, zone: str, day: date, minutes: float, *, total: bool = False) -> None:
        args = ("--date", day.isoformat(), *["--total"] * total)
        said = self.do("note", "applied", zone, f"{minutes:g}min", *args, status=(0, 2, 3))
        if said.status != 2:  # refused: a doubtful figure
            self.ledger.applied(zone, day, minutes, total=total)
        self.after()

    def note_liters(self, zone: str, day: date, liters: float) -> None:
        self.do("note", "applied", zone, f"{liters:g} L", "--date", day.isoformat())
        self.ledger.measured(zone, day, liters)
        self.after()

    def undo(self) -> None:
        said = self.do("note", "undo")
        if said.status in (0, 3):
            self.ledger.undo()
        self.after()

    # remarks

    def remark(self, day: date, what: str) -> None:
        self.diary.append(f"{day:%a %d %b} remark: {what}")
        if self.shed.now < datetime.combine(day, time(14), self.shed.place.timezone):
            self.at(day, self.rng.choice(["06:10", "08:00", "13:00"]))
        zone = self.rng.choice(list(self.shed.place.flow_lpm))
        match what:
            case "nothing":
                pass
            case "filter":
                self.keep("filter", day, "filter")
            case "chore":
                self.keep("chore", day, "chore", self.rng.choice(["flush", "bucket"]))
            case "tape":
                self.keep("tape", day, "tape", zone)
            case "gauge":
                self.gauge(day, 1)
            case "gauge, ten times too much":
                self.gauge(day, 10)
                self.gauge(day, 1)
            case "gauge of the wrong day, taken back":
                self.gauge(day, 3)
                self.undo()
            case "command mistyped":
                self.do("note", "aplied", zone, "20min", status=(2,))
                self.do("nite", "filter", status=(2,))
                self.after()
            case "zone mistyped":
                self.do("note", "applied", f"{zone}x", "20min", status=(2,))
                self.after()
            case "unknown crop":
                self.do("note", "planted", zone, "radishhh", status=(2,))
                self.after()
            case "garden.yaml spoiled and mended":
                whole = self.shed.garden.read_text(encoding="utf-8")
                self.shed.garden.write_text(whole.replace("soil:", "siol:", 1), encoding="utf-8")
                self.do("day", status=(2,))
                self.do("note", "applied", zone, "20min", status=(2,))
                self.shed.garden.write_text(whole, encoding="utf-8")
                self.after()
            case "kept dry till tomorrow":
                self.hold(zone, day + timedelta(days=1))
            case "hold forgotten":
                if zone not in self.held:
                    self.held.add(zone)
                    self.hold(zone, day + timedelta(days=60))
                    self.put_off(day + timedelta(days=6), "12:40", lambda: self._end_of_hold(zone))
            case "day once more":
                self.do("day")
                self.after()
            case "garden.yaml improved":
                text = self.shed.garden.read_text(encoding="utf-8")
                better = text.replace("soil: loam", "soil: silt loam")
                self.shed.garden.write_text(
                    better if better != text else text.replace("soil: silt loam", "soil: loam")
                )
                self.do("day")
                self.after()
            case "station silent":
                self.shed.silent = frozenset({day, day - timedelta(days=1)})
            case "undo of an undo":
                self.keep("filter", day, "filter")
                self.undo()
                self.do("note", "undo", str(len(self.shed("note", "list", "--json").json["notes"])))
                self.ledger.entries[-1].withdrawn = False
                self.after()
            case "planted later than planned":
                self.planted_later(day)
            case _:
                raise AssertionError(what)

    def keep(self, kind: str, day: date, *args: str) -> None:
        self.do("note", *args, "--date", day.isoformat())
        self.ledger.note(kind, day)
        self.after()

    def gauge(self, day: date, times: int) -> None:
        """The gauge was read at six this morning: one reading, however often it is typed."""
        six = datetime.combine(day, time(6), self.shed.place.timezone)
        fell = round(min(rain_mm(self.shed.place, day - timedelta(days=1)), 20.0) * times, 1)
        said = self.do("note", "rain", f"{fell} mm", "--at", f"{six:%Y-%m-%dT%H:%M}", status=(0, 2, 3))
        if said.status != 2:  # refused: more than ever falls
            self.ledger.note("rain", day, at=six, mm=fell)
        self.after()

    def hold(self, zone: str, until: date) -> None:
        self.do("hold", zone, "until", until.isoformat())
        self.ledger.note("hold", self.shed.now.date(), zone=zone, until=until)
        self.after()

    def _end_of_hold(self, zone: str) -> None:
        self.held.discard(zone)
        self.hold(zone, self.shed.now.date())

    def planted_later(self, day: date) -> None:
        """Once: the second crop of beans or carrots went in four days after its date in garden.yaml."""
        zone, crop, planned = {
            "humid": ("beans", "broccoli", date(2026, 8, 10)),
            "weak well": ("carrots", "carrot", date(2007, 8, 1)),
        }[self.shed.place.name]
        if self.moved or not 4 <= (day - planned).days <= 30:
            return
        self.moved = True
        planted = planned + timedelta(days=4)
        self.do("note", "planted", zone, crop, "--date", planted.isoformat())
        self.ledger.note("planted", planted, zone=zone, crop=crop)
        self.after()
