"""Cost of the commands a grower waits for, against the bare imports that they cannot do without.

Run as a script: `python tests/benchmarks/bench_commands.py [rounds]`.  It prints, and asserts no time.

CPU time (user and system) of child processes by os.wait4, medians of alternated rounds, so that a busy
machine weighs on both alike.  Goals: the summary at most 1.5 times its imports, the daily job of 12 zones
at most 2 times pyet and sqlalchemy.
"""

from __future__ import annotations

import math
import os
import shutil
import subprocess
import sys
import tempfile
from datetime import date, timedelta
from pathlib import Path
from statistics import median

ROOT = Path(__file__).parents[2]
WEATHER = ROOT / "examples" / "creekside" / "weather.csv"
RUN = "import sys; from scheduler.cli.main import main; main(sys.argv[1:])"
DAY = "2015-07-20"
CROPS = ["staked tomato", "bush bean", "lettuce", "summer squash", "carrot", "broccoli"]

GARDEN = """garden: Bench plot
location: {latitude: 47.44, longitude: -122.31, elevation: 113 m, timezone: America/Los_Angeles}
display: metric
weather:
  sources:
    - file: {path: weather.csv}
supply: {flow: 40 L/min, pressure: 83 kPa, hours: {from: "04:00", until: "10:00"}}
tapes:
  thin: {flow: 5 L/h/m, rated_at: 83 kPa, emitter_spacing: 0.305 m, inside_diameter: 16.2 mm}
zones:
"""
ZONE = """  zone{n}:
    rows: {{count: {rows}, length: 24 m, spacing: {spacing} m}}
    tape: thin
    soil: {soil}
    plantings: [{{crop: {crop}, planted: 2015-{month:02}-{day:02}}}]
"""


def garden(zones: int) -> str:
    return GARDEN + "".join(
        ZONE.format(
            n=n, rows=3 + n % 5, spacing=0.75 + 0.25 * (n % 4), soil=("sandy loam", "loam", "clay")[n % 3],
            crop=CROPS[n % len(CROPS)], month=6 + n % 2, day=1 + n,
        )
        for n in range(zones)
    )  # fmt: skip


def cpu_seconds(args: list[str], folder: Path, statuses: tuple[int, ...] = (0,)) -> float:
    """User and system time of one child; an unexpected end is an error, not a figure."""
    child = subprocess.Popen(
        [sys.executable, *args], cwd=folder, stdout=subprocess.DEVNULL, stderr=subprocess.PIPE,
        env=os.environ
        | {"PYTHONPATH": str(ROOT), "ROWWATER_DATA": str(folder / "data"),
           "ROWWATER_CONFIG": str(folder / "garden.yaml")},
    )  # fmt: skip
    assert child.stderr is not None
    said = child.stderr.read().decode()
    child.stderr.close()
    _, status, used = os.wait4(child.pid, 0)
    child.returncode = os.waitstatus_to_exitcode(status)
    if child.returncode not in statuses:
        raise SystemExit(f"{' '.join(args[2:]) or args}: status {child.returncode}\n{said}")
    return used.ru_utime + used.ru_stime


def compare(label: str, ours: list[str], floor: list[str], folder: Path, rounds: int, goal: float) -> None:
    pairs = [(cpu_seconds(ours, folder, (0, 1, 3)), cpu_seconds(floor, folder)) for _ in range(rounds)]
    mine, bare = (median(side) for side in zip(*pairs, strict=True))
    print(f"{label:34} {mine * 1e3:7.0f} ms   its imports {bare * 1e3:7.0f} ms   ratio {mine / bare:5.2f}"
          f"   (goal: at most {goal:g})")  # fmt: skip


def main(rounds: int) -> None:
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        shutil.copy(WEATHER, folder)
        (folder / "garden.yaml").write_text(garden(12))
        run = ["-c", RUN]
        first = cpu_seconds([*run, "day", "--date", DAY], folder, (0, 3))
        print(
            f"{'first rowwater day, empty store':34} {first * 1e3:7.0f} ms   (reads years of the file once)"
        )
        summary_imports = ["-c", "import click, json, rich.table, rich.console"]
        compare("rowwater", [*run], summary_imports, folder, rounds, 1.5)
        day_imports = ["-c", "import pyet, sqlalchemy"]
        again = [*run, "day", "--date", DAY]
        compare("rowwater day, 12 zones, same facts", again, day_imports, folder, rounds, 2.0)
        for command in (["why", "zone1"], ["log", "--to", DAY], ["stop"], ["water", "zone1", "5"]):
            compare(f"rowwater {' '.join(command)}", [*run, *command], summary_imports, folder, rounds, 1.5)
        _new_mornings(run, day_imports, folder, rounds)
        _beside_history(run, folder, rounds)


def _beside_history(run: list[str], folder: Path, rounds: int) -> None:
    """What people wait for with thirty years of weather on record, against the same records without."""
    with tempfile.TemporaryDirectory() as name:
        beside = Path(name)
        shutil.copytree(folder, beside, dirs_exist_ok=True)
        (beside / "past.csv").write_text(_past())
        stored = cpu_seconds([*run, "history", "--file", "past.csv"], beside, (0, 3))
        print(f"{'rowwater history, 30 years of CSV':34} {stored * 1e3:7.0f} ms")
        for label, args in (("rowwater", []), ("rowwater day, same facts", ["day", "--date", DAY])):
            pairs = [
                (cpu_seconds([*run, *args], beside, (0, 1, 3)), cpu_seconds([*run, *args], folder, (0, 1, 3)))
                for _ in range(rounds)
            ]
            mine, bare = (median(side) for side in zip(*pairs, strict=True))
            print(f"{label + ', 30 years stored':34} {mine * 1e3:7.0f} ms   without {bare * 1e3:7.0f} ms"
                  f"   ratio {mine / bare:5.2f}")  # fmt: skip


def _past() -> str:
    """Thirty made-up years before the record of the example, every quantity told."""
    lines = ["date,tmin_c,tmax_c,tdew_c,rh_min_pct,rh_max_pct,wind_m_s,solar_mj_m2,rain_mm"]
    day = date(1982, 1, 1)
    while day.year < 2012:
        warm = 12 - 9 * math.cos((day.timetuple().tm_yday - 20) / 365 * 2 * math.pi) + day.day % 5
        low, sun = warm - 5, 9 - 6 * math.cos(day.timetuple().tm_yday / 365 * 2 * math.pi)
        rain = 4.0 * (day.day % 3 == 0)
        lines.append(f"{day},{low:.1f},{warm + 5:.1f},{low:.1f},50,95,2.4,{sun:.1f},{rain}")
        day += timedelta(days=1)
    return "\n".join(lines) + "\n"


def _new_mornings(run: list[str], floor: list[str], folder: Path, rounds: int) -> None:
    """The job as it runs every morning: one more day of weather, a new plan."""
    pairs = []
    for n in range(rounds):
        day = f"2015-{8 + n // 28:02}-{1 + n % 28:02}"
        pairs.append((cpu_seconds([*run, "day", "--date", day], folder, (0, 3)), cpu_seconds(floor, folder)))
    mine, bare = (median(side) for side in zip(*pairs, strict=True))
    print(f"{'rowwater day, 12 zones, a new day':34} {mine * 1e3:7.0f} ms   its imports {bare * 1e3:7.0f} ms"
          f"   ratio {mine / bare:5.2f}   (goal: at most 2)")  # fmt: skip


if __name__ == "__main__":
    main(int(sys.argv[1]) if len(sys.argv) > 1 else 9)
