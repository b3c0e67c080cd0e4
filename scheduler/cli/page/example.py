"""The shipped example, lived through for some days in a folder that goes away again."""

from __future__ import annotations

import sys
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager
from datetime import datetime
from importlib.resources import files
from pathlib import Path
from zoneinfo import ZoneInfo

from scheduler.errors import CouldNot
from scheduler.places import Places
from scheduler.service.child import run_child

LIVED = (
    ("day", "--date", "2015-07-07"),
    ("note", "applied", "--as-planned", "--date", "2015-07-07"),
    ("day", "--date", "2015-07-08"),
    ("day", "--date", "2015-07-09"),
)
LOOKED_AT = datetime(2015, 7, 9, 6, 5, tzinfo=ZoneInfo("America/Los_Angeles"))
"""Its weather is a record of 2015."""
LIMIT_S = 120.0


@contextmanager
def example() -> Iterator[tuple[Places, datetime]]:
    """Where it is, and when it is looked at. Nothing is asked of any network. CouldNot."""
    with tempfile.TemporaryDirectory(prefix="rowwater-example-") as name:
        folder = Path(name)
        for file in ("garden.yaml", "weather.csv"):
            (folder / file).write_bytes((files("scheduler") / "example" / file).read_bytes())
        places = Places(folder / "garden.yaml", folder / "data")
        for words in LIVED:
            _rowwater(places, words)
        yield places, LOOKED_AT


def _rowwater(places: Places, words: tuple[str, ...]) -> None:
    where = ["--config", str(places.config), "--data", str(places.data)]
    ended = run_child([sys.executable, "-P", "-m", "scheduler.cli.main", *where, *words], LIMIT_S)
    if ended.status not in (0, 3):
        raise CouldNot(f"the example could not be made: {' '.join(ended.err.split())}")
