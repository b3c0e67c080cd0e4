"""A grower at the command line: a garden in a folder of its own, and `rowwater` run as the shell would."""

from __future__ import annotations

import os
import shutil
import sys
from collections.abc import Callable, Iterator
from datetime import date, datetime, timedelta
from pathlib import Path
from zoneinfo import ZoneInfo

import pytest
from said import Said
from weather_sources.replay import Answer, Replay, serving
from weather_sources.sky import Sky

from scheduler.cli.main import main
from scheduler.weather.openmeteo import history as archive

Clock = Callable[[str], None]
CREEKSIDE = Path(__file__).parents[2] / "examples" / "creekside"


class Grower:
    def __init__(self, folder: Path, capsys: pytest.CaptureFixture[str]) -> None:
        self.folder = folder
        self.data = folder / "data"
        self._capsys = capsys

    def __call__(self, *args: str) -> Said:
        self._capsys.readouterr()
        try:
            main(list(args))
        except SystemExit as end:
            status = end.code
        out, err = self._capsys.readouterr()
        assert "Traceback" not in err
        assert isinstance(status, int)
        return Said(status, out, err)

    @property
    def garden(self) -> Path:
        return self.folder / "garden.yaml"

    def edit(self, old: str, new: str) -> None:
        text = self.garden.read_text()
        assert old in text
        self.garden.write_text(text.replace(old, new))

    def edit_weather(self, day: str, **values: str) -> None:
        """Change cells of one row of the weather record."""
        path = self.folder / "weather.csv"
        header, *rows = path.read_text().splitlines()
        names = header.split(",")
        for i, row in enumerate(rows):
            cells = row.split(",")
            if cells[0] == day:
                for name, value in values.items():
                    cells[names.index(name)] = value
                rows[i] = ",".join(cells)
                break
        else:
            raise AssertionError(day)
        path.write_text("\n".join([header, *rows]) + "\n")

    def weeks(self, first: str, until: str) -> None:
        """Every morning from first to the day before `until`: plan, and answer that it was done."""
        day = date.fromisoformat(first)
        while day < date.fromisoformat(until):
            assert self("day", "--date", day.isoformat()).status in (0, 3)
            assert self("note", "applied", "--as-planned", "--date", day.isoformat()).status in (0, 2)
            day += timedelta(days=1)


@pytest.fixture
def grower(tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]) -> Grower:
    """In the Creekside plot, with nothing of this machine's own settings in reach.

    As on a computer without the solver: crowded weeks are planned by plain steps, which is quick and the same
    every time.
    """
    monkeypatch.setitem(sys.modules, "highspy", None)
    for name in ("garden.yaml", "weather.csv"):
        shutil.copy(CREEKSIDE / name, tmp_path / name)
    for name in [name for name in os.environ if name.startswith("ROWWATER_")]:
        monkeypatch.delenv(name)
    monkeypatch.setenv("ROWWATER_CONFIG", str(tmp_path / "garden.yaml"))
    monkeypatch.setenv("ROWWATER_DATA", str(tmp_path / "data"))
    monkeypatch.setenv("COLUMNS", "80")
    monkeypatch.chdir(tmp_path)
    return Grower(tmp_path, capsys)


@pytest.fixture
def clock(monkeypatch: pytest.MonkeyPatch) -> Clock:
    """Sets the site's time."""

    def at(text: str) -> None:
        moment = datetime.fromisoformat(text)
        monkeypatch.setattr("scheduler.clock.site_now", lambda zone: moment.replace(tzinfo=ZoneInfo(zone)))

    return at


@pytest.fixture
def replay() -> Iterator[Replay]:
    with serving() as server:
        yield server


@pytest.fixture
def sky(replay: Replay, monkeypatch: pytest.MonkeyPatch) -> Sky:
    made = Sky()
    replay.routes = {"/a": [Answer(body=made)]}
    monkeypatch.setenv("ROWWATER_OPENMETEO_ARCHIVE_URL", f"{replay.base}/a")
    monkeypatch.setattr(archive, "PAUSE_SECONDS", 0.0)
    return made


@pytest.fixture
def golden(request: pytest.FixtureRequest) -> Callable[[str, str], None]:
    """Compare with tests/cli/golden/NAME; `--refresh-golden` writes it anew, to be read in review."""
    folder = Path(__file__).parent / "golden"

    def check(name: str, text: str) -> None:
        path = folder / name
        if request.config.getoption("--refresh-golden"):
            path.write_text(text)
        assert text == path.read_text()

    return check
