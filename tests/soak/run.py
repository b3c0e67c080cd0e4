"""The real service for days on end, with every kind of driver at once and faults at random.

    python tests/soak/run.py --days 24 --speed 60

The clock runs `--speed` times as fast as the world's (fast_clock.c); with `--idle-speed` faster where no
water is due and no fault lasts. Prints what was seen; exit status 1 where something was wrong. A folder of
its own is kept for a look when it fails, or with `--keep`.
"""

from __future__ import annotations

import argparse
import contextlib
import heapq
import json
import os
import random
import shutil
import sys
import tempfile
import time
from collections import Counter
from collections.abc import Callable
from dataclasses import asdict, dataclass, field
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

sys.path.insert(0, str(Path(__file__).parents[1]))

from fast_clock.clock import FastClock
from soak.faults import KINDS, Kind
from soak.judge import DAY_S, Findings, Sample, Slopes, Spell, judge, slopes
from soak.shed import Shed, size_of

BEGIN = datetime(2015, 6, 10, 7, tzinfo=UTC)  # midnight at the site
RESTART_S = 10.0  # RestartSec= of the unit
SAMPLE_S = 1800.0
QUIET_AFTER_S = 900.0
CALM_S = 3 * 3600.0  # at the end, without faults; at most a quarter of it all
SEASON_DAYS = 180.0
WATERING = (2.9, 11.0)  # hours in which the clock keeps to `speed`
RSS_KB_A_DAY = 150.0  # bounds on the slopes
DESCRIPTORS_A_DAY = 0.05
THREADS_A_DAY = 0.05
MOST_SEASON_MB = 60.0


@dataclass(frozen=True)
class Options:
    days: float
    speed: float
    idle_speed: float
    seed: int
    faults_a_day: float
    one_life_from: float = float("inf")  # day from which no fault ends the service: a slope takes a long life
    begin: datetime = BEGIN


@dataclass
class Report:
    options: Options
    days: float = 0.0  # that really passed
    real_hours: float = 0.0
    mean_speed: float = 0.0
    lives: int = 0
    opens: int = 0
    minutes: dict[str, float] = field(default_factory=dict)
    faults: dict[str, int] = field(default_factory=dict)
    left_out: list[str] = field(default_factory=list)
    service: Slopes = field(default_factory=Slopes)
    guard: Slopes = field(default_factory=Slopes)
    samples: int = 0
    first: Sample | None = None
    last: Sample | None = None
    database_kb_a_day: float = 0.0
    database_mb_a_season: float = 0.0
    wrong: list[str] = field(default_factory=list)


class Soak:
    def __init__(self, folder: Path, options: Options) -> None:
        self.options = options
        self.rng = random.Random(options.seed)
        self.clock = FastClock(folder, options.begin, options.speed)
        self.shed = Shed(folder, self.clock)
        self.spells: list[Spell] = []
        self.samples: list[Sample] = []
        self.wrong: list[str] = []
        self.life, self.born = 0, 0.0
        self.begin = self.clock.mono_s
        self._active: dict[str, tuple[Kind, float, Callable[[], None]]] = {}
        self._events: list[tuple[float, int, Callable[[], None]]] = []
        self._count = 0
        self._restart_at: float | None = None
        self._last_fault = 0.0
        self._errands: list[Any] = []

    def at(self, mono: float, act: Callable[[], None]) -> None:
        self._count += 1
        heapq.heappush(self._events, (mono, self._count, act))

    # --- the course of it ---

    def run(self) -> Report:
        begin, real = self.begin, time.monotonic()
        self.shed.start_broker()
        self.shed.start_relays()
        self._start()
        lasts = self.options.days * DAY_S
        end = begin + lasts
        self.at(begin + self._between_samples(), self._sample)
        self._plan_grower(begin, end)
        self.at(begin + self._pause(), self._strike)
        while self.clock.mono_s < end and self._may_go_on():
            self._step(end - min(CALM_S, lasts / 4))
        for name in list(self._active):
            self._over(name)
        passed = self.clock.mono_s - begin
        self._finish()
        findings = judge(self.shed, self.spells, self.clock.mono_s)
        return self._report(findings, passed, time.monotonic() - real)

    def _may_go_on(self) -> bool:
        return not (self.shed.folder / "enough").exists()

    def _step(self, calm_from: float) -> None:
        self.clock.speed = self.options.speed if self._busy() else self.options.idle_speed
        self._watch()
        while self._events and self._events[0][0] <= self.clock.mono_s:
            act = heapq.heappop(self._events)[2]
            if act != self._strike or self.clock.mono_s < calm_from:
                act()
        self.clock.sleep(1.0)

    def _busy(self) -> bool:
        local = self.shed.local()
        in_hours = WATERING[0] <= local.hour + local.minute / 60 <= WATERING[1]
        return bool(in_hours or self._active or self._restart_at)

    def _pause(self) -> float:
        """Faults come at random, two of three of them in the watering hours."""
        return self.rng.expovariate(self.options.faults_a_day / DAY_S)

    # --- the service manager ---

    def _start(self) -> None:
        self.shed.start()
        self.life += 1
        self.born = self.clock.mono_s
        self._restart_at = None

    def _watch(self) -> None:
        service = self.shed.service
        assert service is not None
        if self._restart_at is not None:
            if self.clock.mono_s >= self._restart_at:
                self._start()
        elif (status := service.poll()) is not None:
            since = self.clock.mono_s
            self.say(f"the service ended with status {status}")
            if not self._explained(since):
                self.wrong.append(
                    f"the service ended with status {status} at {self.shed.local():%m-%d %H:%M}"
                )
            self.shed.close_all()
            self.spells.append(Spell("restart", since, self.clock.mono_s + RESTART_S + 60))
            self._last_fault = self.clock.mono_s
            self._restart_at = self.clock.mono_s + RESTART_S

    def _explained(self, at: float) -> bool:
        return any(kind.ends_service for kind, _, _ in self._active.values()) or any(
            spell.name in {kind.name for kind in KINDS if kind.ends_service} and at - spell.end < 120
            for spell in self.spells
        )

    # --- faults ---

    def _strike(self) -> None:
        self.at(self.clock.mono_s + self._pause(), self._strike)
        local = self.shed.local()
        if not 3 <= local.hour < 10 and self.rng.random() < 0.5:
            return
        kinds = [k for k in KINDS if k.name not in self._active and (self.shed.on_tmpfs or not k.needs_tmpfs)]
        if any(name.startswith("broker") for name in self._active):
            kinds = [kind for kind in kinds if not kind.name.startswith("broker")]
        if self.clock.mono_s - self.begin >= self.options.one_life_from * DAY_S:
            kinds = [kind for kind in kinds if not kind.ends_service]
        kind = self.rng.choices(kinds, [kind.weight for kind in kinds])[0]
        lasts = self.rng.uniform(*kind.lasts_s)
        self.say(f"{kind.name} for {lasts:.0f} s")
        self._active[kind.name] = kind, self.clock.mono_s, kind.begin(self.shed, self.rng)
        self.at(self.clock.mono_s + lasts, lambda: self._over(kind.name))

    def _over(self, name: str) -> None:
        if name not in self._active:
            return
        _, begin, end = self._active.pop(name)
        end()
        self.spells.append(Spell(name, begin, self.clock.mono_s))
        self._last_fault = self.clock.mono_s

    # --- the grower ---

    def _plan_grower(self, begin: float, end: float) -> None:
        """Habits, by hour of the day."""
        habits: list[tuple[float, tuple[str, ...]]] = [
            (7.0, ("morning",)), (8.5, ("note", "applied", "--as-planned")), (12.0, ("log",)),
            (13.0, ("water", "beans", "4 min")), (15.0, ("water", "lettuce", "3 min")),
            (17.0, ("water", "tomatoes", "5 min")), (19.0, ("why", "tomatoes")), (20.0, ("week",)),
        ]  # fmt: skip
        for day in range(int((end - begin) // DAY_S) + 1):
            for hour, words in habits:
                if self.rng.random() < 0.6:
                    self.at(begin + day * DAY_S + hour * 3600, lambda words=words: self._ask(*words))

    def _ask(self, *words: str) -> None:
        self._errands.append((self.clock.mono_s, words, self.shed.rowwater(*words)))

    def _look_at_errands(self) -> None:
        for errand in [errand for errand in self._errands if errand[2].poll() is not None]:
            self._errands.remove(errand)
            since, words, process = errand
            if process.returncode not in ((0, 1, 2, 3) if self._spoilt(since) else (0, 1, 3)):
                self.wrong.append(f"rowwater {' '.join(words)}: status {process.returncode}")

    def _spoilt(self, since: float) -> bool:
        """Whether garden.yaml was at any time from then on."""
        name = "garden.yaml spoilt"
        return name in self._active or any(spell.name == name and spell.end >= since for spell in self.spells)

    # --- what is seen ---

    def _sample(self) -> None:
        self.at(self.clock.mono_s + self._between_samples(), self._sample)
        self._look_at_errands()
        service, pid = self.shed.service, self.shed.guard_pid()
        if service is None or service.poll() is not None or pid is None:
            return
        size, guard = size_of(service.pid), size_of(pid)
        if size is None or guard is None:
            return
        quiet = (
            self.clock.mono_s - self._last_fault > QUIET_AFTER_S and not self._active and not self._errands
        )
        now, still = self.clock.mono_s, quiet and not self._flows()
        database = self.shed.database_bytes()
        self.samples.append(Sample(now, now - self.born, self.life, still, size, guard, database))
        self.say(f"service {size}, guard {guard}, {self.samples[-1].database_bytes // 1024} kB")

    def _between_samples(self) -> float:
        return min(SAMPLE_S, self.options.days * DAY_S / 6)

    def _flows(self) -> bool:
        return bool(self.shed.today().get("open_now")) or len(self.clock.processes()) > self._usual()

    def _usual(self) -> int:
        return len(self.shed.helpers) + 2  # and the service and its guard

    def say(self, text: str) -> None:
        with (self.shed.folder / "soak.log").open("a") as file:
            file.write(f"{self.shed.local():%m-%d %H:%M:%S} {self.clock.mono_s:.0f} {text}\n")

    # --- the end ---

    def _finish(self) -> None:
        service = self.shed.service
        assert service is not None
        if service.poll() is not None:
            self._start()
        self.clock.speed = self.options.speed
        self.clock.sleep(180)  # what is owed to the books
        assert self.shed.service is not None
        self.shed.service.terminate()
        give_up = time.monotonic() + 120
        while (status := self.shed.service.poll()) is None and time.monotonic() < give_up:
            time.sleep(0.1)
        if status != 0:
            self.wrong.append(f"told to stop at the end it answered {status}")
        for name in ("service.log", "cli.log", "close_all.log"):
            count = self.shed.log(name).count("Traceback")
            if count:
                self.wrong.append(f"{count} tracebacks in {name}")

    def _report(self, findings: Findings, passed: float, real: float) -> Report:
        report = Report(self.options, passed / DAY_S, real / 3600, passed / real, self.life)
        report.opens, report.minutes = findings.opens, findings.minutes
        report.faults = dict(Counter(spell.name for spell in self.spells))
        if not self.shed.on_tmpfs:
            report.left_out.append("disk full: a small tmpfs takes root")
        if self.samples:
            settled = [
                s for s in self.samples if s.mono - self.begin > DAY_S
            ]  # past weather of years is in then
            report.first, report.last = [*settled, self.samples[0]][0], self.samples[-1]
            days = (report.last.mono - report.first.mono) / DAY_S
            grown = report.last.database_bytes - report.first.database_bytes
            if days:
                report.database_kb_a_day = grown / days / 1024
                report.database_mb_a_season = report.database_kb_a_day * SEASON_DAYS / 1024
        report.service, report.guard = slopes(self.samples, "service"), slopes(self.samples, "guard")
        report.samples = len(self.samples)
        report.wrong = [*self.wrong, *findings.wrong, *_grown(report)]
        if not self.samples:
            report.wrong.append("the sizes of service and guard were never seen")
        return report

    def end(self) -> None:
        with contextlib.suppress(OSError):
            shutil.copytree(self.shed.data, self.shed.folder / "data at the end", dirs_exist_ok=True)
        self.shed.end()
        self.clock.end()


def _grown(report: Report) -> list[str]:
    wrong = []
    for name, found in (("service", report.service), ("guard", report.guard)):
        bounds = (
            ("kB", found.rss_kb_a_day, RSS_KB_A_DAY),
            ("descriptors", found.descriptors_a_day, DESCRIPTORS_A_DAY),
            ("threads", found.threads_a_day, THREADS_A_DAY),
        )
        wrong += [
            f"the {name} grows by {is_:.2f} {unit} a day, more than {most:g}"
            for unit, is_, most in bounds
            if is_ > most
        ]
    if report.database_mb_a_season > MOST_SEASON_MB:
        wrong.append(f"the database grows by {report.database_mb_a_season:.0f} MB a season")
    return wrong


def main() -> int:
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--days", type=float, default=24.0)
    parser.add_argument("--speed", type=float, default=60.0)
    parser.add_argument(
        "--idle-speed", type=float, default=None, help="default: as --speed; the clock does at most 500"
    )
    parser.add_argument("--seed", type=int, default=random.randrange(10**6))
    parser.add_argument("--faults", type=float, default=16.0, help="a day, on the average")
    parser.add_argument(
        "--one-life-from", type=float, default=float("inf"), help="day from which no fault ends the service"
    )
    parser.add_argument("--folder", type=Path, help="default: a new one, for temporary files")
    parser.add_argument("--keep", action="store_true")
    asked = parser.parse_args()
    options = Options(
        asked.days, asked.speed, asked.idle_speed or asked.speed, asked.seed, asked.faults,
        asked.one_life_from,
    )  # fmt: skip
    folder = asked.folder or Path(tempfile.mkdtemp(prefix="rowwater-soak-"))
    folder.mkdir(parents=True, exist_ok=True)
    print(f"seed {options.seed}, in {folder} (a file `enough` there ends it early)", flush=True)
    soak = Soak(folder, options)
    try:
        report = soak.run()
    finally:
        soak.end()
    text = json.dumps(asdict(report), indent=1, default=str)
    (folder / "report.json").write_text(text)
    print(text)
    if not report.wrong and not asked.keep:
        shutil.rmtree(folder)
    return 1 if report.wrong else 0


if __name__ == "__main__":
    os.umask(0o022)
    sys.exit(main())
