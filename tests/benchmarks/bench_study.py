"""Cost of a study: against the reference ET alone, on one and two workers, and its memory.

Run as a script: `python tests/benchmarks/bench_study.py [et] [dask] [memory]`.  It asserts no time.

Weather: De Bilt, Netherlands, 2000 to 2019 (tests/weather/README.md), laid end to end.  Yardsticks: a call of
pyet.pm_fao56 for each year and garden on that year's days, as one who knows no study would do; for Dask the
same seasons in one process, one after another.  Goals: 10,000 seasons of 4 zones without limits at most twice
pyet's time; two workers at least 85 % of twice one worker's speed; Dask at most 10 % over the bare loop at
1,000 seasons; memory flat from 1,000 to 100,000 seasons.
"""

from __future__ import annotations

import os
import resource
import subprocess
import sys
import tempfile
from collections.abc import Callable, Sequence
from contextlib import nullcontext
from dataclasses import replace
from pathlib import Path
from time import perf_counter, process_time
from typing import Any

sys.path.insert(0, str(Path(__file__).parents[1]))

from benchmarks.bench_season import best, reference_alone, weather  # noqa: E402

from scheduler.garden.changes import Change  # noqa: E402
from scheduler.garden.file import GardenFile  # noqa: E402
from scheduler.model import WeatherDays  # noqa: E402
from scheduler.study import cluster  # noqa: E402
from scheduler.study.kept import opened  # noqa: E402
from scheduler.study.seasons import How, Piece, Record, run  # noqa: E402
from scheduler.study.study import Study, carried_out, one_by_one  # noqa: E402
from scheduler.study.variants import Variant  # noqa: E402
from scheduler.study.years import season_of  # noqa: E402

YEARS = 20
TOGETHER = 240
TEXT = """\
garden: Creekside plot
location: {latitude: 52.1, longitude: 5.18, elevation: 2 m, timezone: Europe/Amsterdam}
display: metric
supply: {flow: 25, hours: {from: "04:00", until: "10:00"}}
tapes: {thin: {flow: 0.05}}
zones:
"""
ZONE = """\
  NAME:
    rows: {count: 6, length: 24, spacing: 0.9}
    tape: thin
    soil: SOIL
    plantings:
      - {crop: CROP, planted: YEAR-05-01, pulled: YEAR-09-15, by: transplants}
"""
KINDS = (("tomato", "loam"), ("kale", "sandy loam"), ("summer squash", "loam"), ("carrot", "clay loam"))


def file_of(year: int, zones: int) -> GardenFile:
    parts = [
        ZONE.replace("NAME", f"zone {n}").replace("CROP", KINDS[n % 4][0]).replace("SOIL", KINDS[n % 4][1])
        for n in range(zones)
    ]
    return GardenFile((TEXT + "".join(parts)).replace("YEAR", str(year)).encode(), None, "garden.yaml", ".")


def study_of(seasons: int, zones: int, how: How, record: Record) -> Study:
    """Variants of the trigger, in all years of the weather."""
    years = range(record.weather.first.year, record.weather.first.year + YEARS)
    file = file_of(years[-1], zones)
    garden = file.garden()
    count = -(-seasons // YEARS)
    variants = [
        Variant((Change("zones.*.refill_at", f"{0.2 + 0.7 * n / count:.6f}", f"variant {n}"),))
        for n in range(count)
    ]
    return Study(file, garden, variants, season_of(garden), list(years), [], record, how)


# --- against the reference ET --------------------------------------------------------------------


def against_et(seasons: int = 10_000) -> None:
    """All in CPU seconds of this process."""
    record = Record(weather(YEARS))
    single = replace(record.weather, came_from={})
    year = _year_of(single)
    each = best(reference_alone(year), 15)
    study = study_of(seasons, 4, How(unlimited=True), record)
    for part in (seasons // 10, seasons):
        some = replace(study, variants=study.variants[: -(-part // YEARS)])
        begin = process_time()
        gardens = [some.file.garden(variant.changes) for variant in some.variants]
        read = process_time() - begin
        begin = process_time()
        for n in range(0, len(gardens), TOGETHER):
            for one in some.years:
                run(Piece(tuple(gardens[n : n + TOGETHER]), some.season, one, some.how), record)
        core = process_time() - begin
        with opened(None) as nowhere:
            begin = process_time()
            carried_out(some, nowhere, one_by_one, together=TOGETHER)
            whole = process_time() - begin
        count = some.seasons
        print(f"{count:7,d} seasons of 4 zones, no limits: {core:7.2f} s, {1e3 * core / count:6.3f} ms each")
        print(f"        pyet one by one, {1e3 * each:.3f} ms each: {count * each:7.2f} s")
        print(f"        ratio:                             {core / count / each:7.2f}   (goal: at most 2)")
        print(f"        garden.yaml read {len(gardens)} times:           {read:7.2f} s")
        print(f"        with reading, keeping:             {whole:7.2f} s, ratio {whole / count / each:.2f}")


def _year_of(days: WeatherDays) -> WeatherDays:
    from scheduler.model import WEATHER_FIELDS

    return replace(days, **{name: getattr(days, name)[:365] for name in WEATHER_FIELDS})


# --- Dask ----------------------------------------------------------------------------------------


def with_workers(seasons: int = 1_000) -> None:
    """Seasons within the supply, eight in a piece as the command has them.

    Wall clock, and the CPU time of all processes but for their start: on a machine that others use the
    first says little.
    """
    record = Record(weather(YEARS))
    study = study_of(seasons, 1, How(), record)
    few = replace(study, variants=study.variants[:1])
    wall, cpu = {}, {}
    ways: dict[str, Callable[[], Any]] = {
        "a bare loop": lambda: nullcontext(one_by_one),
        "one worker": lambda: cluster.local(1, print),
        "two workers": lambda: cluster.local(2, print),
    }
    for name, carrying in ways.items():
        used = {}
        for part, asked in (("start", few), ("whole", study)):
            begin = _cpu()
            with carrying() as carry, opened(None) as nowhere:
                carried_out(few, nowhere, carry, together=8)  # what is loaded only once
                clock = perf_counter()
                ran = carried_out(asked, nowhere, carry, together=8).ran if part == "whole" else 0
                clock = perf_counter() - clock
            used[part] = _cpu() - begin
        wall[name], cpu[name] = ran / clock, ran / (used["whole"] - used["start"])
        speed = f"{wall[name]:6.1f} a second, {cpu[name]:6.1f} a CPU second"
        print(f"{name:12s} {ran:5d} seasons: {clock:7.1f} s, {speed}")
    for by, speeds in (("wall clock", wall), ("CPU time", cpu)):
        over = 100 * (speeds["a bare loop"] / speeds["one worker"] - 1)
        print(f"Dask over the loop, by {by}: {over:5.1f} %  (goal: at most 10)")
    both = 100 * wall["two workers"] / 2 / wall["one worker"]
    print(f"efficiency of two workers:    {both:5.1f} %  (goal: at least 85)")
    print(f"load: {os.getloadavg()[0]:.1f} on {os.cpu_count()} processors")


def _cpu() -> float:
    """Seconds of this process and of all that it has waited for."""
    return sum(
        used.ru_utime + used.ru_stime
        for used in map(resource.getrusage, (resource.RUSAGE_SELF, resource.RUSAGE_CHILDREN))
    )


# --- memory --------------------------------------------------------------------------------------


def memory(sizes: Sequence[int] = (1_000, 10_000, 100_000)) -> None:
    """Each in a process of its own: its highest resident memory, and the file that keeps the seasons."""
    for seasons in sizes:
        done = subprocess.run(
            [sys.executable, __file__, "peak", str(seasons)], capture_output=True, text=True, check=True
        )
        print(done.stdout, end="", flush=True)


def peak(seasons: int) -> None:
    from scheduler.pages.study import garden_page, season_rows

    record = Record(weather(YEARS))
    study = study_of(seasons, 1, How(unlimited=True), record)
    with tempfile.TemporaryDirectory() as folder, opened(Path(folder) / "study.db") as kept:
        begin = process_time()
        answer = carried_out(study, kept, one_by_one, together=TOGETHER)
        ran = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
        rows = sum(1 for _ in season_rows(study, answer, kept))
        garden_page(study, answer, kept, Path("garden.yaml"), 1)
        told = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
        size = sum(file.stat().st_size for file in Path(folder).iterdir()) / 1e6
        print(
            f"{rows:7,d} seasons: {ran:6.1f} MB while they ran, {told:6.1f} MB with rows and page; "
            f"kept in {size:.1f} MB; {process_time() - begin:.1f} s CPU"
        )


PARTS: dict[str, Callable[[], None]] = {"et": against_et, "dask": with_workers, "memory": memory}


def main() -> None:
    if sys.argv[1:2] == ["peak"]:
        peak(int(sys.argv[2]))
        return
    for name in sys.argv[1:] or PARTS:
        print(f"--- {name}; load {os.getloadavg()[0]:.1f}")
        PARTS[name]()


if __name__ == "__main__":
    main()
