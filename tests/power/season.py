"""A season of the real service on a card that forgets, cut at random moments; its valves outside remember.

    python tests/power/season.py --cuts 500

Service, garden.yaml, plans and database live on an ext4 file system over `forgetful.py`; time runs faster
by `fast_clock.c`, and stands still while the card works. A cut comes at a random write or flush, or at a
random moment. Then every process of the computer is gone and its valves (normally closed) are shut; after
each restart the file system is checked and mended as at a boot, everything acknowledged is looked for, and
the service is started again, as another start of the computer.
"""

from __future__ import annotations

import argparse
import contextlib
import json
import math
import os
import random
import shutil
import signal
import sqlite3
import subprocess
import sys
import tempfile
import time
import zlib
from collections import Counter
from contextlib import closing
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta
from itertools import pairwise
from pathlib import Path
from zoneinfo import ZoneInfo

sys.path.insert(0, str(Path(__file__).parents[1]))

from fast_clock.clock import FastClock, environ_of
from power.card import Card, missing

HERE = Path(__file__).parent
EXAMPLE = HERE.parents[1] / "examples" / "creekside"
SITE = ZoneInfo("America/Los_Angeles")
SPEED = 240.0
BEAT_S = 30.0
CLOSES_IN_S = 60.0  # of the world's time: a crowded machine takes long for a start
LIVES_S = (1.0, 10.0, 60.0, 300.0, 1200.0)  # by the fast clock, after the first closes; up to one of them
LIFE_S = 15.0  # of the world's time at the most
MOST_REQUESTS = 400
MORNINGS = 0.5  # of the lives wait for the day's plan before their cut comes
TABLES = ("openings", "closings", "applied", "notes", "plans", "heartbeats", "weather_values")
ACKNOWLEDGED_TABLES = TABLES[:-1]
PAGES = ("today.json", "schedule.json", "in-use.json", "valves.json", "garden-checked.json")
ZONES = "abc"
SLACK_S = 20.0
SETTLED_S = 600.0  # an open whose effect is not known counts as open for minutes

RELAY = """import sys, time
with open({witness!r}, "a") as file:
    file.write(f"{{time.monotonic():.3f}} {{time.time():.3f}} " + " ".join(sys.argv[1:]) + "\\n")
"""
GARDEN = """garden: Cut off
location: {{latitude: 47.44, longitude: -122.31, elevation: 371 ft, timezone: America/Los_Angeles}}
display: us
weather: {{sources: [{{file: {{path: weather.csv}}}}]}}
supply: {{flow: 2 gpm, hours: {{from: "04:00", until: "10:00"}}}}
plan_at: "03:00"
tapes: {{thin: {{flow: 0.40 gpm/100ft}}}}
zones:
"""
ZONE = """  {name}:
    rows: {{count: 3, length: 80 ft, spacing: 5 ft}}
    tape: thin
    soil: sandy loam
    longest_pulse: 8 min
    pulse_rest: 5 min
    plantings: [{{crop: lettuce, planted: {planted}, hold_last_stage: true}}]
    valve: {{command: [{python}, -I, -S, {relay}, {name}]}}
"""


@dataclass(frozen=True)
class Line:
    mono: float
    wall: float
    zone: str
    word: str
    seconds: float


@dataclass
class Tally:
    cuts: int = 0
    forgotten: int = 0
    torn: int = 0
    mended: int = 0  # restarts after which e2fsck had more to do than the journal
    opens: int = 0
    interrupted: int = 0
    acknowledged: int = 0
    notes: int = 0
    days: int = 0
    wrong: list[str] = field(default_factory=list)

    def add(self, other: Tally) -> None:
        for name, value in vars(other).items():
            setattr(self, name, getattr(self, name) + value)


class Season:
    def __init__(self, folder: Path, seed: int) -> None:
        self.folder, self.seed = folder, seed
        self.rng = random.Random(seed)
        self.tally = Tally()
        begin = datetime(2015, 5, 10, 3, 58, tzinfo=SITE) + timedelta(days=self.rng.randrange(60))
        self.clock = FastClock(folder, begin.astimezone(UTC), SPEED)
        self.card = Card(folder, seed)
        self.data = self.card.root / "rowwater"
        self.data.mkdir()
        self.garden = self.card.root / "garden.yaml"
        relay = folder / "relay.py"
        relay.write_text(RELAY.format(witness=str(folder / "witness.txt")))
        planted = (begin - timedelta(days=20)).date()
        self.text = GARDEN.format() + "".join(
            ZONE.format(name=name, python=sys.executable, relay=relay, planted=planted) for name in ZONES
        )
        self._save(self.text)
        shutil.copy(EXAMPLE / "weather.csv", self.card.root)
        self._synced(self.card.root / "weather.csv")
        (folder / "synced").touch()
        self.environ = environ_of(
            self.clock,
            {
                "ROWWATER_CONFIG": str(self.garden), "ROWWATER_DATA": str(self.data),
                "FAST_CLOCK_BOOT_ID": str(folder / "boot_id"),
            },
        )  # fmt: skip
        self.lives: list[tuple[float, float]] = []  # begun, cut: by the page's monotonic clock
        self._noted: list[str] = []
        self._errands: list[tuple[str, subprocess.Popen[bytes]]] = []
        self._observer: subprocess.Popen[bytes] | None = None
        self.service: subprocess.Popen[bytes] | None = None

    # --- files on the card that the grower writes ---

    def _synced(self, path: Path) -> None:
        for one in (path, path.parent):
            fd = os.open(one, os.O_RDONLY)
            try:
                os.fsync(fd)
            finally:
                os.close(fd)

    def _save(self, text: str) -> None:
        part = self.garden.with_suffix(".part")
        part.write_text(text)
        self._synced(part)
        part.replace(self.garden)
        self._synced(self.garden)

    # --- lives and cuts ---

    def run(self, cuts: int) -> Tally:
        for _ in range(cuts):
            self._edit()
            self._start()
            self._live()
            self._cut()
            self._look_at_the_card()
            self._stay_off()
        self._last_life()
        self._judge()
        self.tally.cuts = cuts
        return self.tally

    def _edit(self) -> None:
        """Now and then garden.yaml is another, or spoilt: then the last good one must be whole."""
        if self.rng.random() < 0.15:
            self._save(self.text + f"# {self.rng.random()}\n")
        elif self.rng.random() < 0.1 and self.lives and (self.data / "in-use.json").exists():
            self._save("zones: [")
        elif self.garden.read_text() == "zones: [":
            self._save(self.text)

    def _start(self) -> None:
        (self.folder / "boot_id").write_text(f"start {len(self.lives)} of {self.seed}\n")
        self.begun = math.floor(self.clock.mono_s * 1000) / 1000  # as exactly as the relays write
        settings = {
            "tick_s": 0.5,
            "beat_s": BEAT_S,
            "witness": str(self.folder / "synced"),
            "ask_kernel": False,
        }
        order = {"data": str(self.data), "config": str(self.garden), "settings": settings}
        with (self.folder / "service.log").open("ab") as log:
            self.service = subprocess.Popen(
                [sys.executable, "-P", "-m", "scheduler.service.main", json.dumps(order)], env=self.environ,
                cwd=self.folder, stdin=subprocess.DEVNULL, stdout=log, stderr=log,
            )  # fmt: skip
            self._observer = subprocess.Popen(
                [sys.executable, str(HERE / "observer.py"), str(self.data / "rowwater.db"),
                 str(self.folder / "acknowledged.txt"), *ACKNOWLEDGED_TABLES],
                cwd=self.folder, stdin=subprocess.DEVNULL, stdout=log, stderr=log,
            )  # fmt: skip

    def _live(self) -> None:
        if self.rng.random() < MORNINGS:
            self._until_planned()
        if self.rng.random() < 0.75:
            self.card.order(f"cut after {round(MOST_REQUESTS ** self.rng.random())}")
        until = self._until_closed() + LIFE_S
        over = self.clock.mono_s + self.rng.uniform(0.0, self.rng.choice(LIVES_S))
        may_ask = self.rng.random() < 0.3
        while time.monotonic() < until and self.clock.mono_s < over and not self.card.state()["dead"]:
            self._still_runs()
            if may_ask and self.rng.random() < 0.05:
                may_ask = False
                self._errand()
            time.sleep(0.02)

    def _until_planned(self) -> None:
        """In the watering hours, the day's plan: without one nothing would open in many lives."""
        local, give_up = self.clock.now().astimezone(SITE), time.monotonic() + CLOSES_IN_S
        while 3 <= local.hour < 10 and not self._planned(local) and time.monotonic() < give_up:
            self._still_runs()
            time.sleep(0.1)

    def _until_closed(self) -> float:
        """Every valve is closed at the start, or the power goes first. When that was, of the world's time."""
        give_up = time.monotonic() + CLOSES_IN_S
        while time.monotonic() < give_up:
            told = {line.zone for line in self.lines() if line.mono >= self.begun and line.word == "close"}
            if told == set(ZONES) or self.card.state()["dead"]:
                return time.monotonic()
            self._still_runs()
            time.sleep(0.02)
        raise AssertionError(f"not every valve was closed at the start: {self.log()[-2000:]}")

    def _still_runs(self) -> None:
        assert self.service is not None
        status = self.service.poll()
        assert status is None or self.card.state()["dead"], f"it ended with {status}: {self.log()[-2000:]}"

    def _errand(self) -> None:
        text = f"0.{self.rng.randrange(10, 20)}in"
        words = self.rng.choice([("note", "rain", text), ("water", "a", "2 min"), ("day",)])
        argv = [str(Path(sys.executable).with_name("rowwater")), *words]
        with (self.folder / "cli.log").open("ab") as log:
            errand = subprocess.Popen(
                argv, env=self.environ, stdin=subprocess.DEVNULL, stdout=log, stderr=log, cwd=self.folder
            )
        self._errands.append((" ".join(words), errand))

    def _cut(self) -> None:
        for words, process in self._errands:  # a command that had come back before the cut keeps its word
            if process.poll() == 0 and words.startswith("note rain") and not self.card.state()["dead"]:
                self._noted.append(words)
        state = self.card.cut()
        self._kill()
        self._witness_power()
        self.lives.append((self.begun, self.clock.mono_s))
        self.forgotten, self.torn = state["forgotten"], state["torn"]
        mended = self.card.restart()
        self.tally.mended += bool(mended)
        with (self.folder / "e2fsck.log").open("a") as file:
            file.write(mended)

    def _kill(self) -> None:
        """The whole computer at once: the service, its guard, its children and what the grower typed."""
        assert self._observer is not None
        assert self.service is not None
        mine = [self._observer, self.service, *(process for _, process in self._errands)]
        give_up = time.monotonic() + 20
        while (left := self._left()) or any(process.poll() is None for process in mine):
            for pid in [*left, *(process.pid for process in mine if process.poll() is None)]:
                with contextlib.suppress(ProcessLookupError):
                    os.kill(pid, signal.SIGKILL)
            assert time.monotonic() < give_up, left
            time.sleep(0.01)
        self._errands = []

    def _left(self) -> list[int]:
        found = []
        for pid in self.clock.processes():
            with contextlib.suppress(OSError):
                state = Path(f"/proc/{pid}/stat").read_text().rpartition(")")[2].split()[0]
                mine = str(self.folder).encode() in Path(f"/proc/{pid}/environ").read_bytes()
                if state != "Z" and mine:
                    found.append(pid)
        return found

    def _witness_power(self) -> None:
        with (self.folder / "witness.txt").open("a") as file:
            for zone in ZONES:
                now = self.clock.now().timestamp()
                file.write(f"{self.clock.mono_s:.3f} {now:.3f} {zone} power\n")

    def _stay_off(self) -> None:
        """Seconds, minutes, or until the next morning."""
        off = timedelta(seconds=self.rng.choice([self.rng.uniform(5, 60), self.rng.uniform(60, 1200)]))
        local = (self.clock.now() + off).astimezone(SITE)
        if local.hour == 3 and self._planned(local) and self.rng.random() < 0.7:
            off = (
                local.replace(hour=3, minute=59)
                - self.clock.now()
                + timedelta(seconds=self.rng.uniform(0, 120))
            )
        elif local.hour >= 10 or self.rng.random() < 0.05:
            morning = (local + timedelta(days=1)).replace(hour=3, minute=58)
            off = morning - self.clock.now() + timedelta(seconds=self.rng.uniform(0, 300))
            self.tally.days += 1
        self.clock.skip(off)

    def _planned(self, local: datetime) -> bool:
        try:
            return bool(self.rows(f"SELECT 1 FROM plans WHERE day = '{local.date()}'"))
        except sqlite3.OperationalError:  # cut off before it had its tables
            return False

    def _last_life(self) -> None:
        """The computer stays on: all is settled, and it ends as it should."""
        self._save(self.text)
        self._start()
        self._until_closed()
        query = "SELECT opening FROM openings WHERE opening NOT IN (SELECT opening FROM closings)"
        left, give_up = set(self.rows(query)), self.clock.mono_s + SETTLED_S
        while left & set(self.rows(query)):
            self._still_runs()
            if self.clock.mono_s > give_up:
                self.tally.wrong.append("openings of before the last cut are not settled")
                break
            time.sleep(0.1)
        assert self.service is not None
        self.service.terminate()
        status = self.service.wait(60)
        if status != 0:
            self.tally.wrong.append(f"told to stop at the end it answered {status}")
        assert self._observer is not None
        self._observer.kill()
        self._observer.wait()
        self.lives.append((self.begun, self.clock.mono_s))

    # --- what a cut must have left ---

    def wrong(self, text: str) -> None:
        self.tally.wrong.append(f"seed {self.seed}, after cut {len(self.lives)}: {text}")

    def _look_at_the_card(self) -> None:
        for path in self.data.rglob("*.json"):
            try:
                json.loads(path.read_text())
            except ValueError as error:
                self.wrong(f"{path.name} is not whole ({error}): {path.read_bytes()[:80]!r}")
        calendar = self.data / "schedule.ics"
        if calendar.exists() and not calendar.read_text().rstrip().endswith("END:VCALENDAR"):
            self.wrong("schedule.ics is not whole")
        for kept in self.data.glob("in-use-*/garden.yaml"):
            if not kept.read_text().startswith(self.text):
                self.wrong(f"{kept.relative_to(self.data)} is not whole")
        self._look_at_the_database()

    def _look_at_the_database(self) -> None:
        copy = self.folder / "copy"
        shutil.rmtree(copy, ignore_errors=True)
        copy.mkdir()
        for path in self.data.glob("rowwater.db*"):
            if path.name in ("rowwater.db", "rowwater.db-wal", "rowwater.db-journal"):
                shutil.copy(path, copy)
            elif not path.name.endswith(("-shm", ".checked")):
                self.wrong(f"{path.name}: the database was set aside")
        acknowledged = self._acknowledged()
        self.tally.acknowledged = sum(len(rows) for rows in acknowledged.values())
        if not (copy / "rowwater.db").exists():
            if self.tally.acknowledged:
                self.wrong("the database is gone")
            return
        with closing(sqlite3.connect(copy / "rowwater.db")) as plain:
            if (found := plain.execute("PRAGMA integrity_check").fetchall()) != [("ok",)]:
                self.wrong(f"integrity_check: {found}")
            for table, rows in acknowledged.items():
                there = {repr(row) for row in plain.execute(f"SELECT * FROM {table}")}
                self._lost(table, rows - there)
            if self._noted:
                (count,) = plain.execute("SELECT count(*) FROM notes WHERE kind = 'rain'").fetchone()
                if count < len(self._noted):
                    self.wrong(
                        f"{len(self._noted)} notes of rain were answered with success, {count} are there"
                    )
            if self._opened() and "openings" in acknowledged:
                recorded = Counter(zone for (zone,) in plain.execute("SELECT zone FROM openings"))
                for zone, count in self._opened().items():
                    if count > recorded[zone]:
                        self.wrong(f"P9: {zone} was opened {count} times, {recorded[zone]} on record")
        self.tally.notes = len(self._noted)

    def _lost(self, table: str, lost: set[str]) -> None:
        if lost:
            self.wrong(f"{len(lost)} acknowledged rows of {table} are lost, such as {min(lost)}")

    def _acknowledged(self) -> dict[str, set[str]]:
        path, found = self.folder / "acknowledged.txt", dict[str, set[str]]()
        for line in path.read_text().splitlines() if path.exists() else ():
            with contextlib.suppress(ValueError):  # the observer's own last line, cut short
                table, row = json.loads(line)
                found.setdefault(table, set()).add(row)
        return found

    def _opened(self) -> Counter[str]:
        return Counter(line.zone for line in self.lines() if line.word == "open")

    # --- over the whole season ---

    def _judge(self) -> None:
        lines = self.lines()
        rows = self.rows("SELECT zone, day, pulse, seconds, recorded_at, boot FROM openings ORDER BY id")
        planned = [(zone, day, pulse) for zone, day, pulse, *_ in rows if pulse is not None]
        for one, count in Counter(planned).items():
            if count > 1:
                self.wrong(f"P4: {one} was opened {count} times")
        self.tally.opens = sum(line.word == "open" for line in lines)
        self.tally.interrupted = sum(
            line.word == "power" and before.word == "open"
            for zone in ZONES
            for before, line in pairwise([at for at in lines if at.zone == zone])
        )
        self._judge_first_closes(lines)
        self._judge_each_open(lines, rows)
        self._judge_amounts(lines)

    def _judge_first_closes(self, lines: list[Line]) -> None:
        for begun, cut in self.lives:
            closed: set[str] = set()
            for line in lines:
                if not begun <= line.mono <= cut:
                    continue
                if line.word == "close":
                    closed.add(line.zone)
                elif line.word == "open" and closed != set(ZONES):
                    self.wrong(f"P3: {line} before every valve was closed")
                    break

    def _judge_each_open(self, lines: list[Line], rows: list[tuple[object, ...]]) -> None:
        """Each open command has an opening of its own, written down shortly before: none is sent twice."""
        free = [(str(zone), datetime.fromisoformat(str(at)).timestamp()) for zone, _, _, _, at, _ in rows]
        for line in lines:
            if line.word == "open":
                fits = [one for one in free if one[0] == line.zone and -1.0 <= line.wall - one[1] <= SLACK_S]
                if fits:
                    free.remove(fits[0])
                else:
                    self.wrong(f"P4: {line} has no opening of its own")

    def _judge_amounts(self, lines: list[Line]) -> None:
        """What ran on a date is at most its first plan, and what was not known of each interruption."""
        ran: Counter[tuple[str, str]] = Counter()
        cuts: Counter[tuple[str, str]] = Counter()
        for zone in ZONES:
            since: Line | None = None
            for line in (one for one in lines if one.zone == zone):
                if since is not None:
                    day = datetime.fromtimestamp(since.wall, SITE).date().isoformat()
                    ran[zone, day] += line.mono - since.mono
                    cuts[zone, day] += line.word == "power"
                since = line if line.word == "open" else None
        asked = {
            (zone, day): seconds
            for zone, day, seconds in self.rows(
                "SELECT zone, day, sum(seconds) FROM openings WHERE pulse IS NULL GROUP BY zone, day"
            )
        }
        for (zone, day), first in self._first_plans().items():
            most = first + asked.get((zone, day), 0.0) + (cuts[zone, day] + 1) * (BEAT_S + SLACK_S)
            if ran[zone, day] > most:
                self.wrong(
                    f"P4: {zone} ran {ran[zone, day]:.0f} s on {day}, its first plan was {first:.0f} s"
                )

    def _first_plans(self) -> dict[tuple[str, str], float]:
        found: dict[tuple[str, str], float] = {}
        for day, page in self.rows("SELECT day, page FROM plans ORDER BY id DESC"):
            runs = json.loads(zlib.decompress(page))["runs"]
            for zone in ZONES:
                found[zone, day] = sum(run["minutes"] * 60 for run in runs if run["zone"] == zone)
        return found

    def lines(self) -> list[Line]:
        path, found = self.folder / "witness.txt", []
        for row in path.read_text().splitlines() if path.exists() else ():
            mono, wall, zone, word, *rest = row.split()
            found.append(Line(float(mono), float(wall), zone, word, float(rest[0]) if rest else 0.0))
        return sorted(found, key=lambda line: line.mono)

    def log(self) -> str:
        path = self.folder / "service.log"
        return path.read_text(errors="replace") if path.exists() else ""

    def rows(self, query: str) -> list[tuple[object, ...]]:
        if not (self.data / "rowwater.db").exists():
            return []
        with closing(
            sqlite3.connect(f"file:{self.data / 'rowwater.db'}?mode=ro", uri=True, timeout=10)
        ) as plain:
            return plain.execute(query).fetchall()

    def end(self) -> None:
        if self.service is not None:
            self._kill()
        with contextlib.suppress(AssertionError, ValueError, OSError):
            state = self.card.state()
            self.tally.forgotten, self.tally.torn = state["forgotten"], state["torn"]
        self.card.end()
        self.clock.end()


def main() -> int:
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--cuts", type=int, default=500)
    parser.add_argument("--a-season", type=int, default=50, help="cuts on one card, before a new one")
    parser.add_argument("--seed", type=int, default=random.randrange(10**6))
    parser.add_argument("--folder", type=Path)
    asked = parser.parse_args()
    if (lack := missing()) is not None:
        print(f"no power cut here: this machine lacks {lack}")
        return 1
    parent = asked.folder or Path(tempfile.mkdtemp(prefix="rowwater-power-"))
    total, begin = Tally(), time.monotonic()
    for k in range(-(-asked.cuts // asked.a_season)):
        folder = parent / f"season-{k}"
        folder.mkdir(parents=True)
        season = Season(folder, asked.seed + k)
        try:
            season.run(min(asked.a_season, asked.cuts - k * asked.a_season))
        except (AssertionError, OSError, sqlite3.Error, subprocess.TimeoutExpired) as error:
            season.wrong(f"{type(error).__name__}: {error}")
        finally:
            season.end()
        total.add(season.tally)
        print(
            f"season {k}, seed {season.seed}, after {time.monotonic() - begin:.0f} s: {season.tally}",
            flush=True,
        )
        if not season.tally.wrong:
            shutil.rmtree(folder)
    print(f"{total}")
    return 1 if total.wrong else 0


if __name__ == "__main__":
    sys.exit(main())
