"""The morning in eight situations, as a half-awake grower sees it at 40, 80 and 120 columns.

The garden is the invented Creekside plot on a real record (Seattle 2015, tests/weather/README.md).
"""

from __future__ import annotations

import json
import re
from collections.abc import Callable
from pathlib import Path

import pytest
from cli.conftest import Grower
from freezegun import freeze_time

from scheduler.cli.text.morning import SCREEN_LINES

WIDTHS = (40, 80, 120)
NEXT_MORNING = "2015-07-04T13:05:00Z"
"""06:05 at the garden, of the day after the service's last word."""
FOLDER = Path(__file__).parent / "golden" / "mornings"


def nothing_due(grower: Grower) -> str:
    """No sown row is in the ground yet, and the soil begins full."""
    dry(grower, "0 mm")
    grower.weeks("2015-06-24", "2015-06-25")
    return "2015-06-25"


def all_due(grower: Grower) -> str:
    dry(grower, "16 mm")
    return "2015-07-02"


def shortage(grower: Grower) -> str:
    grower.edit("time: 40 s", "time: 60 s")
    grower.edit('until: "10:00"', 'until: "06:00"')
    dry(grower, "14 mm")
    grower.weeks("2015-07-02", "2015-07-04")
    return "2015-07-04"


def rule_day(grower: Grower) -> str:
    grower.edit("days: all", "days: [wed, sat]")
    dry(grower, "12 mm")
    return "2015-07-02"


def first_day(_: Grower) -> str:
    return "2015-07-01"


def no_weather(grower: Grower) -> str:
    path = grower.folder / "weather.csv"
    kept = [line for line in path.read_text().splitlines() if line < "2015-07-03" or line.startswith("date")]
    path.write_text("\n".join(kept) + "\n")
    grower.weeks("2015-07-01", "2015-07-05")
    return "2015-07-05"


def service_down(grower: Grower) -> str:
    grower.weeks("2015-07-01", "2015-07-03")
    grower("day", "--date", "2015-07-03")
    path = grower.data / "today.json"
    page = json.loads(path.read_text())
    page["open_now"] = [{"zone": "tomatoes", "until": "2015-07-03T05:10-07:00"}]
    path.write_text(json.dumps(page))
    return ""


def twelve_zones(grower: Grower) -> str:
    text = grower.garden.read_text()
    begin = text.index("  beans:\n")
    beans = text[begin : text.index("  lettuce:\n")]
    rest = "".join(beans.replace("  beans:", f"  beans {n}:") for n in range(1, 9))
    grower.garden.write_text(text + rest)
    grower.edit("time: 40 s", "time: 10 s")
    dry(grower, "16 mm")
    return "2015-07-02"


def dry(grower: Grower, depth: str) -> None:
    """Every zone begins with so much missing."""
    text = grower.garden.read_text()
    grower.garden.write_text(re.sub(r"(    soil: [a-z ]+\n)", rf"\1    starting_deficit: {depth}\n", text))


SITUATIONS = (
    nothing_due, all_due, shortage, rule_day, first_day, no_weather, service_down, twelve_zones,
)  # fmt: skip


@pytest.mark.parametrize("situation", SITUATIONS, ids=lambda situation: situation.__name__)
def test_a_morning_reads_as_reviewed(
    grower: Grower,
    situation: Callable[[Grower], str],
    monkeypatch: pytest.MonkeyPatch,
    request: pytest.FixtureRequest,
) -> None:
    day = situation(grower)
    how = ["--date", day] if day else []
    if day:
        grower("day", "--date", day)
    said = []
    for width in WIDTHS:
        monkeypatch.setenv("COLUMNS", str(width))
        with freeze_time(NEXT_MORNING):
            morning = grower("morning", *how)
        lines = morning.out.splitlines()
        assert [line for line in lines if len(line) > width] == []
        assert width < 80 or len(lines) <= SCREEN_LINES + 1
        said.append(f"{width} columns, status {morning.status}\n\n{morning.out}")
        page = grower("morning", "--json", *(how or ["--date", "2015-07-03"])).json
        text = " ".join(morning.out.split())
        for run in page["runs"]:
            assert run["zone"] in text, "a zone that runs is never cut away"
    text, path = "\n".join(said), FOLDER / f"{situation.__name__}.txt"
    if request.config.getoption("--refresh-golden"):
        path.parent.mkdir(exist_ok=True)
        path.write_text(text)
    assert text == path.read_text()


def test_all_shows_what_the_screen_leaves_out(grower: Grower) -> None:
    day = twelve_zones(grower)
    grower("day", "--date", day)
    everything = grower("morning", "--all", "--date", day).out
    page = grower("morning", "--json", "--date", day).json
    text = " ".join(everything.split())
    assert all(zone["zone"] in text for zone in page["zones"])
    assert all(" ".join(notice["text"].split()) in text for notice in page["notices"])
    assert "--all" not in everything
