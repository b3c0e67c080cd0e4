"""A garden with a morning planned, its page, and browsers that are paired with it."""

from __future__ import annotations

import contextlib
import io
import json
import shutil
import sys
from collections.abc import Callable
from dataclasses import dataclass
from datetime import datetime
from functools import cache
from pathlib import Path
from typing import Any
from zoneinfo import ZoneInfo

import pytest
from starlette.applications import Starlette
from web.browser import Browser

from scheduler.cli.main import main
from scheduler.web.app import application
from scheduler.web.phones import May, Phones
from scheduler.web.settings import Settings

CREEKSIDE = Path(__file__).parents[2] / "examples" / "creekside"
ZONE = ZoneInfo("America/Los_Angeles")
MORNING = datetime(2015, 7, 9, 6, 0, tzinfo=ZONE)
"""The time at the garden; `Shed.at` sets another."""


@dataclass
class Shed:
    folder: Path
    settings: Settings
    app: Starlette

    @property
    def data(self) -> Path:
        return self.settings.data

    @property
    def phones(self) -> Phones:
        return Phones(self.settings.folder)

    def browser(self, may: May = "water", name: str = "Ann's phone") -> Browser:
        """Paired."""
        from scheduler.clock import site_now

        found = Browser(self.app)
        answer = found.pair(self.phones.new_code(may, name, site_now(self.settings.timezone)))
        assert answer.status == 303, answer.body
        return found


def rowwater(*words: str) -> tuple[int, str]:
    """Status and all that it said."""
    said = io.StringIO()
    with contextlib.redirect_stdout(said), contextlib.redirect_stderr(said), pytest.raises(SystemExit) as end:
        main(list(words))
    return int(end.value.code or 0), said.getvalue()


def settings_of(where: Path, /, **more: object) -> Settings:
    plain = Settings(
        "Creekside plot",
        "America/Los_Angeles",
        where / "garden.yaml",
        where / "data",
        where / "data" / "page",
    )
    return Settings(**{**{name: getattr(plain, name) for name in Settings.__slots__}, **more})  # type: ignore[arg-type]


@pytest.fixture(scope="session")
def planned_folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Two mornings planned, of which the first is not answered."""
    folder = tmp_path_factory.mktemp("planned")
    for name in ("garden.yaml", "weather.csv"):
        shutil.copy(CREEKSIDE / name, folder / name)
    with pytest.MonkeyPatch.context() as patch:
        patch.setitem(sys.modules, "highspy", None)
        places = ("--config", str(folder / "garden.yaml"), "--data", str(folder / "data"))
        for day in ("2015-07-08", "2015-07-09"):
            assert rowwater(*places, "day", "--date", day)[0] in (0, 3)
    return folder


Printed = Callable[..., Any]


@pytest.fixture(scope="session")
def printed(planned_folder: Path) -> Printed:
    """What a command prints of that garden, run in this process, once for all tests."""
    places = ("--config", str(planned_folder / "garden.yaml"), "--data", str(planned_folder / "data"))

    @cache
    def page(*words: str) -> Any:
        out = io.StringIO()
        quiet = contextlib.redirect_stderr(io.StringIO())
        with contextlib.redirect_stdout(out), quiet, pytest.raises(SystemExit):
            main([*places, words[0], "--json", *words[1:]])
        return json.loads(out.getvalue())

    return page


@pytest.fixture
def at(monkeypatch: pytest.MonkeyPatch) -> Callable[[datetime], None]:
    """Sets the site's time, wherever it was imported."""

    def to(moment: datetime) -> None:
        def site_now(zone: str) -> datetime:
            return moment.astimezone(ZoneInfo(zone))

        for module in ("scheduler.clock", "scheduler.web.settings", "scheduler.web.visit"):
            monkeypatch.setattr(f"{module}.site_now", site_now)

    to(MORNING)
    return to


@pytest.fixture
def shed(planned_folder: Path, tmp_path: Path, at: object) -> Shed:
    for name in ("garden.yaml", "weather.csv"):
        shutil.copy(planned_folder / name, tmp_path / name)
    shutil.copytree(planned_folder / "data", tmp_path / "data")
    settings = settings_of(tmp_path)
    settings.folder.mkdir()
    return Shed(tmp_path, settings, application(settings))
