"""What the commands print of the example after three mornings, for the screens that show it."""

from __future__ import annotations

import contextlib
import io
import json
import os
import shutil
import sys
from pathlib import Path
from typing import Any

import pytest

from scheduler.cli.main import main

CREEKSIDE = Path(__file__).parents[2] / "examples" / "creekside"
ASKED = {
    "week": ("week", "--date", "2015-07-09"),
    "weather": ("weather", "--date", "2015-07-09"),
    "log": ("log",),
    "check": ("check", "--offline", "--date", "2015-07-09"),
    "why": ("why", "tomatoes", "--season"),
    "report": ("report",),
}


@pytest.fixture(scope="session")
def shown(tmp_path_factory: pytest.TempPathFactory) -> dict[str, Any]:
    """today.json, and the JSON of each command by its name."""
    folder = tmp_path_factory.mktemp("screens")
    for name in ("garden.yaml", "weather.csv"):
        shutil.copy(CREEKSIDE / name, folder / name)
    with pytest.MonkeyPatch.context() as patch:
        patch.setitem(sys.modules, "highspy", None)  # plain steps are quick, and the same every time
        for name in [name for name in os.environ if name.startswith("ROWWATER_")]:
            patch.delenv(name)
        patch.setenv("ROWWATER_CONFIG", str(folder / "garden.yaml"))
        patch.setenv("ROWWATER_DATA", str(folder / "data"))
        patch.chdir(folder)
        for day in ("2015-07-07", "2015-07-08"):
            _said("day", "--date", day)
            _said("note", "applied", "--as-planned", "--date", day)
        _said("day", "--date", "2015-07-09")
        pages = {name: json.loads(_said(*words, "--json")) for name, words in ASKED.items()}
        pages["today"] = json.loads((folder / "data" / "today.json").read_text())
    return pages


def _said(*words: str) -> str:
    out = io.StringIO()
    with contextlib.redirect_stdout(out), contextlib.redirect_stderr(io.StringIO()):
        try:
            main(list(words))
        except SystemExit as end:
            assert end.code in (0, 2, 3), words  # noqa: PT017 - 2: every run was answered already
    return out.getvalue()
