"""A garden's folder, a clock that the test moves, and `rowwater` run in this process as the shell would."""

from __future__ import annotations

import io
import json
import os
import shutil
import sys
from collections.abc import Iterator
from contextlib import contextmanager, redirect_stderr, redirect_stdout
from copy import copy
from datetime import date, datetime, time, timedelta
from pathlib import Path
from typing import Any
from unittest.mock import patch
from zoneinfo import ZoneInfo

from lived.gardens import Place, write_weather
from said import Said

from scheduler.cli.main import main
from scheduler.planning.plan import with_remedies


class Shed:
    """One garden in its folder. `now` is the time on the wall: the test moves it, commands take a second."""

    def __init__(self, place: Place, folder: Path, *, advice: bool = False) -> None:
        """advice: also work out what would mend a week that does not fit. It changes no plan and takes
        several times as long."""
        folder.mkdir(parents=True, exist_ok=True)
        self.place = place
        self.folder = folder
        self.garden = folder / "garden.yaml"
        self.garden.write_text(place.yaml, encoding="utf-8")
        self.now = datetime.combine(place.first, time(0), place.timezone)
        self.silent: frozenset[date] = frozenset()
        self.advice = advice

    def copied(self, folder: Path) -> Shed:
        """The same garden at the same moment, in another folder."""
        shutil.copytree(self.folder, folder)
        other = copy(self)
        other.folder, other.garden = folder, folder / "garden.yaml"
        return other

    def at(self, day: date, clock: str) -> None:
        """Move the clock on the wall to a time of day."""
        hour, minute = clock.split(":")
        self.now = datetime.combine(day, time(int(hour), int(minute)), self.place.timezone)

    def weather(self) -> None:
        write_weather(self.place, self.folder / "weather.csv", self.now.date(), silent=self.silent)

    def __call__(self, *args: str) -> Said:
        out, err = io.StringIO(), io.StringIO()
        status: object = 0
        self.now += timedelta(seconds=1)
        with _as_in(self), redirect_stdout(out), redirect_stderr(err):
            try:
                main([str(arg) for arg in args])
            except SystemExit as end:
                status = end.code
        assert isinstance(status, int), status
        assert "Traceback" not in err.getvalue(), err.getvalue()
        return Said(status, out.getvalue(), err.getvalue())

    def edit(self, old: str, new: str) -> None:
        text = self.garden.read_text(encoding="utf-8")
        assert text.count(old) == 1, f"{old!r} stands {text.count(old)} times"
        self.garden.write_text(text.replace(old, new), encoding="utf-8")

    @property
    def today(self) -> dict[str, Any]:
        """What the newest plan says, read from the published file."""
        page: dict[str, Any] = json.loads((self.folder / "data" / "today.json").read_text(encoding="utf-8"))
        return page


@contextmanager
def _as_in(shed: Shed) -> Iterator[None]:
    """Nothing of this machine's own settings in reach, and the shed's clock on the wall.

    Without the solver, crowded weeks are planned by plain steps: quick, and the same everywhere.
    """
    kept = {name: value for name, value in os.environ.items() if not name.startswith("ROWWATER_")}
    env = kept | {
        "ROWWATER_CONFIG": str(shed.garden),
        "ROWWATER_DATA": str(shed.folder / "data"),
        "COLUMNS": "80",
        "TERM": "dumb",
    }
    with (
        patch.dict(os.environ, env, clear=True),
        _without_solver(),
        patch("scheduler.clock.site_now", lambda timezone: shed.now.astimezone(ZoneInfo(timezone))),
        patch("scheduler.daily.with_remedies", with_remedies if shed.advice else lambda plan: None),
    ):
        yield


@contextmanager
def _without_solver() -> Iterator[None]:
    before = sys.modules.get("highspy")
    sys.modules["highspy"] = None  # type: ignore[assignment]  # how Python marks what cannot be imported
    try:
        yield
    finally:
        del sys.modules["highspy"]
        if before is not None:
            sys.modules["highspy"] = before


def days_between(first: date, last: date) -> Iterator[date]:
    day = first
    while day <= last:
        yield day
        day += timedelta(days=1)
