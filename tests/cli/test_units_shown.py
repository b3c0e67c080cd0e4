"""A garden shown in US units names no metric one outside `why` and --json, and a metric garden no US one.

MJ/m2 is the unit of solar radiation in both: FAO-56 and ASCE-EWRI 2005 tabulate it so, and there is
no customary one.  A cell quoted from a weather file is in the unit of its column.
"""

from __future__ import annotations

import contextlib
import io
import re
import shutil
import sys
from collections.abc import Sequence
from pathlib import Path

import pandas  # noqa: F401 - loaded before time stands still, as is pyet
import pyet  # noqa: F401
import pytest
from cli.conftest import CREEKSIDE
from freezegun import freeze_time

from scheduler.cli.main import main

METRIC = re.compile(
    r"\d ?(mm|cm|m|m2|m3|L|L/min|L/h|kPa|bar|m/s|km/h|C|degC)\b(?!/)|\b(L/min|L/h|kPa|deg ?C|lit(er|re)s?)\b"
)
US = re.compile(
    r"\d ?(ft|gal|gpm|gph|psi|F|mph|mil|sq ft)\b|\d ?in\b(?! [a-z])"
    r"|\b(gallons?|inch(es)?|feet)\b"
)
NO_DISPLAY = re.compile(r"MJ/m2|\(first on line \d+: [^)]*\)")

THE_WEEK: dict[str, Sequence[Sequence[str]]] = {
    "2015-07-06": (
        ["day"], ["morning", "--all"], ["check", "--weather", "weather.csv"],
        ["note", "applied", "--as-planned"],
        ["note", "applied", "beans", "{much}", "--yes"], ["note", "applied", "lettuce", "{little}"],
    ),
    "2015-07-07": (
        ["day"], ["note", "rain", "{rain}", "--at", "03:00"], ["note", "rain", "{storm}", "--at", "04:00"],
        ["note", "soil", "beans", "24%"], ["note", "soil", "squash", "60 cb"],
        ["note", "soil", "lettuce", "2%"],
        ["hold", "tomatoes", "until", "2015-07-09"], ["day"], ["morning", "--all"],
    ),
    "2015-07-08": (
        ["day"], ["morning", "--all"], ["week"], ["log"], ["weather", "--from", "2015-07-01"],
        ["note", "list"],
        ["note", "chore", "flush"], ["note", "filter"], ["note", "tape", "beans"], ["stop"], ["day"],
    ),
    "2015-07-09": (
        ["morning", "--all"], ["day"], ["week"], ["crops", "bean"],
        ["bucket", "--volume", "{bucket}", "--time", "58s", "--time", "80s"],
        ["changeover", "--from", "2015-05-25", "--to", "2015-09-20"],
        ["season", "--weather", "weather.csv", "--from", "2015-06-20", "--to", "2015-07-10"],
        ["valve-test", "--yes", "--seconds", "1"], ["note", "undo"], ["water", "beans", "20min"],
    ),
}  # fmt: skip
TYPED = {
    "us": {"much": "2000gal", "little": "20gal", "rain": "0.4in", "storm": "14in", "bucket": "5gal"},
    "metric": {"much": "8000L", "little": "80L", "rain": "10mm", "storm": "350mm", "bucket": "20L"},
}


def rowwater(*args: str) -> tuple[int, str]:
    said = io.StringIO()
    with contextlib.redirect_stdout(said), contextlib.redirect_stderr(said), pytest.raises(SystemExit) as end:
        main(list(args))
    return int(end.value.code or 0), said.getvalue()


def garden(folder: Path, display: str) -> None:
    """Short of water, and tomatoes ask for more flow than the supply has."""
    text = (CREEKSIDE / "garden.yaml").read_text()
    text = text.replace("display: us", f"display: {display}").replace("time: 40 s", "time: 95 s")
    text = text.replace('until: "10:00"', 'until: "05:30"')
    text = text.replace(
        "  - file: {path: weather.csv}",
        "  - file: {path: weather.csv}\n    - file: {path: shed.csv}",
    )
    text = re.sub(r"(    soil: [a-z ]+\n)", r"\1    starting_deficit: 18 mm\n", text)
    (folder / "garden.yaml").write_text(text)
    shutil.copy(CREEKSIDE / "weather.csv", folder / "weather.csv")
    header, *rows = (CREEKSIDE / "weather.csv").read_text().splitlines()
    rows = [row for row in rows if "2015-06-20" <= row < "2015-07-09"]
    cells = [row.split(",") for row in rows]
    rain, wind = header.split(",").index("rain_mm"), header.split(",").index("wind_m_s")
    for row in cells:
        if row[0] in ("2015-07-05", "2015-07-07"):  # what no gauge and no sky gives
            row[rain], row[wind] = "2500", "90"
    (folder / "shed.csv").write_text("\n".join([header, *map(",".join, cells)]) + "\n")


@pytest.mark.parametrize(("display", "foreign"), [("us", METRIC), ("metric", US)], ids=["us", "metric"])
def test_no_foreign_unit_is_shown(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, display: str, foreign: re.Pattern[str]
) -> None:
    garden(tmp_path, display)
    monkeypatch.setitem(sys.modules, "highspy", None)
    monkeypatch.setenv("ROWWATER_CONFIG", str(tmp_path / "garden.yaml"))
    monkeypatch.setenv("ROWWATER_DATA", str(tmp_path / "data"))
    monkeypatch.setenv("COLUMNS", "100")
    monkeypatch.chdir(tmp_path)
    found, everything = [], ""
    for day, calls in THE_WEEK.items():
        with freeze_time(f"{day}T19:05:00Z"):
            for call in calls:
                words = [word.format(**TYPED[display]) for word in call]
                status, said = rowwater(*words)
                everything += f"\n$ {' '.join(words)} ({status})\n{said}"
                told = NO_DISPLAY.sub("", " ".join(said.split()))
                found += [
                    f"{words}: {told[max(m.start() - 60, 0) : m.end() + 20]}" for m in foreign.finditer(told)
                ]
    assert not found, "\n".join(found)
    for situation in ("set aside", "water may run from", "short", "-> "):
        assert situation in everything, f"the week has no such situation: {situation}"
