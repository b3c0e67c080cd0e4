"""Every command at 40, 80 and 120 columns: no line beyond the width, no sentence cut, figures whole."""

from __future__ import annotations

import contextlib
import io
import json
import re
import shutil
import sys
from collections.abc import Iterator

import pytest
from cli.conftest import CREEKSIDE
from freezegun import freeze_time

from scheduler.cli.main import COMMANDS, main

WIDTHS = (40, 80, 120)
TODAY = "2015-07-09T13:05:00Z"
"""06:05 at the garden."""
LONG = "the long bed behind the green house"

CALLS: dict[str, list[list[str]]] = {
    "morning": [["morning", "--all"]],
    "check": [["check", "--weather", "weather.csv"]],
    "crops": [["crops"], ["crops", "bean"]],
    "bucket": [
        ["bucket", "--volume", "5gal", "--time", "58s", "--time", "80s"],
        ["bucket", "--volume", "5gal", "--time", "40s", "--tape-flow", "0.40gpm/100ft"],
    ],
    "changeover": [["changeover", "--from", "2015-05-25", "--to", "2015-09-20"]],
    "parts": [["parts"]],
    "day": [["day"]],
    "week": [["week"]],
    "weather": [["weather", "--from", "2015-07-01", "--to", "2015-07-12"]],
    "history": [["history"]],
    "why": [["why", "beans"], ["why", LONG]],
    "note": [["note", "list"]],
    "page": [["page", "phones"]],
    "selfcheck": [["selfcheck"], ["selfcheck", "--all"]],
    "log": [["log", "--from", "2015-07-01"], ["log", "--from", "2015-09-01", "--to", "2015-09-02"]],
    "study": [
        ["study", "--weather", "weather.csv", "--unlimited", "--vary", "zones.beans.refill_at=0.4,0.6"],
        ["study", "--weather", "weather.csv", "--unlimited", "--vary", "zones.beans.tape=thin,broad"],
    ],
    "season": [["season", "--weather", "weather.csv", "--from", "2015-06-01", "--to", "2015-07-10"]],
}
WITHOUT_A_PAGE = {
    "init": "asks, and names what it wrote",
    "completion": "prints a script",
    "hold": "one sentence, as notes answer",
    "serve": "writes a log, a line an event",
    "water": "one sentence",
    "stop": "a line a valve",
    "facts": "a file, and one sentence",
    "report": "a file, and one sentence",
    "valve-test": "a dialogue",
}
HEADS = {"log": {"date", "zone", "net", "depth", "water"}}
"""Heads of columns, which two-line rows have no need of."""
BAND = re.compile(r"\+/- [\d.]+|\[[#. ]+\]")
"""The morning's band and bar, which give way where it is narrow."""


def run(*args: str) -> tuple[int, str]:
    out, err = io.StringIO(), io.StringIO()
    with contextlib.redirect_stdout(out), contextlib.redirect_stderr(err), pytest.raises(SystemExit) as end:
        main(list(args))
    assert end.value.code in (0, 3), err.getvalue()
    return int(end.value.code or 0), out.getvalue()


@pytest.fixture(scope="module")
def planned(tmp_path_factory: pytest.TempPathFactory) -> Iterator[pytest.MonkeyPatch]:
    """A week on record in a garden that is short of water, one zone of it with a long name."""
    folder = tmp_path_factory.mktemp("widths")
    for name in ("garden.yaml", "weather.csv"):
        shutil.copy(CREEKSIDE / name, folder / name)
    garden = folder / "garden.yaml"
    text = garden.read_text().replace("  squash:\n", f"  {LONG}:\n").replace("time: 40 s", "time: 70 s")
    text = re.sub(r"(    soil: [a-z ]+\n)", r"\1    starting_deficit: 18 mm\n", text)
    garden.write_text(text.replace('until: "10:00"', 'until: "06:00"'))
    with pytest.MonkeyPatch.context() as patch:
        patch.setitem(sys.modules, "highspy", None)
        patch.setenv("ROWWATER_CONFIG", str(garden))
        patch.setenv("ROWWATER_DATA", str(folder / "data"))
        patch.chdir(folder)
        run("day", "--date", "2015-07-07")
        run("note", "applied", "beans", "20min", "--date", "2015-07-07")
        run("day", "--date", "2015-07-08")
        with freeze_time(TODAY):
            run("note", "rain", "0.15in", "--at", "07-08 20:00")
            run("note", "soil", "beans", "22%")
            run("day")
        yield patch


def test_no_command_is_forgotten() -> None:
    assert CALLS.keys() | WITHOUT_A_PAGE.keys() == COMMANDS.keys()
    assert not CALLS.keys() & WITHOUT_A_PAGE.keys()


@pytest.mark.parametrize("name", CALLS)
@freeze_time(TODAY)
def test_it_fits_and_nothing_is_lost(planned: pytest.MonkeyPatch, name: str) -> None:
    for call in CALLS[name]:
        said = {}
        for width in WIDTHS:
            planned.setenv("COLUMNS", str(width))
            _, said[width] = run(*call)
            beyond = [line for line in said[width].splitlines() if len(line) > width and " " in line.strip()]
            assert not beyond, (call, width)
        words = {width: words_of(text, name) for width, text in said.items()}
        assert words[120] - words[40] <= HEADS.get(name, set()), (call, "40 columns say less than 120")
        assert words[120] - words[80] == set(), (call, "80 columns say less than 120")
        for text in sentences(call):
            for width in WIDTHS:
                assert text in " ".join(said[width].split()), (call, width)


def words_of(text: str, name: str) -> set[str]:
    kept = BAND.sub("", text) if name == "morning" else text
    return {word.strip(",.:;()") for word in kept.split()}


def sentences(call: list[str]) -> list[str]:
    """What the page's notices say, whole."""
    if call[:2] == ["note", "list"] or call[0] == "bucket":
        return []
    page = json.loads(run(*(word for word in call if word != "--all"), "--json")[1])
    told = [notice["text"] if isinstance(notice, dict) else notice for notice in page.get("notices", [])]
    return [re.sub(r"\s+", " ", text).strip() for text in told]


@freeze_time(TODAY)
def test_the_pages_tested_have_what_is_hard_to_fit(planned: pytest.MonkeyPatch) -> None:
    """A zone that goes short, a long name, a run that nobody answered."""
    planned.setenv("COLUMNS", "40")
    assert LONG in " ".join(run("week")[1].split())
    assert LONG in " ".join(run("season", "--weather", "weather.csv", "--to", "2015-07-10")[1].split())
    assert "not answered" in " ".join(run("log", "--from", "2015-07-01")[1].split())
    assert "goes short" in run("week")[1] or "! " in run("week")[1]
