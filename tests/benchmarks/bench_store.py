"""What the store costs on the card: bytes for each zone and plan, and the time of `log` as it grows.

    python tests/benchmarks/bench_store.py [DAYS]

A garden of 12 zones, one plan each morning (default 12 days).  It prints, and asserts no figure.
"""

from __future__ import annotations

import shutil
import sqlite3
import sys
import tempfile
from contextlib import closing
from datetime import date, timedelta
from pathlib import Path
from statistics import median

sys.path.insert(0, str(Path(__file__).parents[1]))

from benchmarks.bench_commands import RUN, WEATHER, cpu_seconds, garden

ZONES = 12
FIRST = date(2015, 7, 20)
BALLAST = 150_000_000


def plans_bytes(path: Path) -> tuple[int, int, int]:
    """(plans, bytes of their pages, bytes of their workings)."""
    with closing(sqlite3.connect(path)) as plain:
        sums = plain.execute(
            "SELECT count(*), sum(length(CAST(page AS BLOB))), sum(length(CAST(working AS BLOB))) FROM plans"
        ).fetchone()
    return tuple(map(int, sums))  # type: ignore[return-value]  # three sums


GROWTH = """
INSERT INTO weather_values (day, field, value, source, kind, fetched_at)
WITH RECURSIVE count(n) AS (SELECT 1 UNION ALL SELECT n + 1 FROM count WHERE n < :rows)
SELECT '1999-01-0' || (1 + n % 9), 'field ' || n, n, hex(randomblob(400)), 'model',
    '1999-01-01T00:00:00.000000+00:00'
FROM count
"""


def grow(path: Path) -> None:
    """150 MB more on record: values of weather of long ago."""
    with closing(sqlite3.connect(path)) as plain:
        with plain:
            plain.execute(GROWTH, {"rows": BALLAST // 1700})
        plain.execute("PRAGMA wal_checkpoint(TRUNCATE)")


def megabytes(path: Path) -> float:
    return path.stat().st_size / 1e6


def main(days: int) -> None:
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        shutil.copy(WEATHER, folder)
        (folder / "garden.yaml").write_text(garden(ZONES))
        database = folder / "data" / "rowwater.db"
        run = ["-c", RUN]
        cpu_seconds([*run, "day", "--date", FIRST.isoformat()], folder, (0, 3))
        for n in range(1, days):
            cpu_seconds([*run, "day", "--date", (FIRST + timedelta(days=n)).isoformat()], folder, (0, 3))
        plans, pages, workings = plans_bytes(database)
        share = plans * ZONES
        print(f"{plans} plans of {ZONES} zones: {pages / share:.0f} bytes of page and "
              f"{workings / share:.0f} of working for each zone and plan   (goal: 3000 in all)")  # fmt: skip
        last = (FIRST + timedelta(days=days - 1)).isoformat()
        log = [*run, "log", "--to", last]
        before = median(cpu_seconds(log, folder) for _ in range(7))
        small = megabytes(database)
        grow(database)
        after = median(cpu_seconds(log, folder) for _ in range(7))
        print(f"log: {before * 1e3:.0f} ms with {small:.1f} MB, {after * 1e3:.0f} ms with "
              f"{megabytes(database):.1f} MB, ratio {after / before:.2f}   (goal: at most 1.15)")  # fmt: skip


if __name__ == "__main__":
    main(int(sys.argv[1]) if len(sys.argv) > 1 else 12)
