"""Hostile inputs at every door: no traceback, status 0 to 3, no hang, bounded memory, no silent nonsense.

A few seconds in each run; `ROWWATER_TEST_FUZZ=500` plays 500 times as many, others each time, for hours.
Answers of weather services and stations' messages are spoilt in tests/weather_sources (WEATHER_CASES).
"""

# the tables of inputs read better whole
# ruff: noqa: E501
from __future__ import annotations

import base64
import json
import math
import os
import shutil
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from fuzz.strategies import mutated_text, payloads, small
from hypothesis import HealthCheck, example, given, settings
from hypothesis import strategies as st
from long_run import LONG

HERE = Path(__file__).parent
CREEKSIDE = HERE.parents[1] / "examples" / "creekside"
TIMES = int(os.environ.get("ROWWATER_TEST_FUZZ", "20" if LONG else "1"))
GARDEN = (CREEKSIDE / "garden.yaml").read_text()
CROPS = """\
tomato:
  stages:
    - {stage: initial, days: 30, kc: 0.60}
    - {stage: development, days: 40}
    - {stage: mid-season, days: 45, kc: 1.15}
    - {stage: late season, days: 30, kc_end: 0.80}
  root_depth: {start: 0.25 m, full: 0.70 m}
  depletion: 0.40
  height: 0.6 m
  kcb: {initial: 0.15, mid-season: 1.10, end: 0.70}
  heat: {base: 10 C, stages: [150, 450, 900, 1200]}
tatsoi:
  like: spinach
"""
STATION = "Date,High,Low,Rain\n" + "".join(
    f"2026-06-{day:02},{80 + day % 7},{55 + day % 5},{0.1 * (day % 3):.1f}\n" for day in range(1, 13)
)
DAILY = "\n".join((CREEKSIDE / "weather.csv").read_text().splitlines()[:30])
FORECAST = "issued,date,tmin_c,tmax_c,rain_mm\n" + "".join(
    f"2026-06-01,2026-06-{day:02},12,27,{day % 4}\n" for day in range(1, 9)
)


def few(count: int) -> settings:
    checks = [HealthCheck.too_slow, HealthCheck.function_scoped_fixture, HealthCheck.data_too_large]
    return settings(
        max_examples=count * TIMES, deadline=None, suppress_health_check=checks, derandomize=TIMES == 1
    )


class Worker:
    """The process that plays the cases, in a garden of its own."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        for name in ("garden.yaml", "weather.csv"):
            shutil.copy(CREEKSIDE / name, folder / name)
        own = {name: text for name, text in os.environ.items() if not name.startswith("ROWWATER_")}
        own |= {
            "ROWWATER_CONFIG": str(folder / "garden.yaml"), "ROWWATER_DATA": str(folder / "data"),
            "HOME": str(folder), "COLUMNS": "80",
        }  # fmt: skip
        self._process = subprocess.Popen(
            [sys.executable, str(HERE / "worker.py")],
            stdin=subprocess.PIPE, stdout=subprocess.PIPE, cwd=folder, env=own, text=True,
        )  # fmt: skip

    def __call__(self, **case: Any) -> dict[str, Any]:
        """What became of a case, once it kept to the bounds that hold for all."""
        files = case.pop("files", {})
        case["files"] = {name: base64.b64encode(data).decode() for name, data in files.items()}
        assert self._process.stdin is not None
        assert self._process.stdout is not None
        print(json.dumps(case), file=self._process.stdin, flush=True)
        said: dict[str, Any] = json.loads(self._process.stdout.readline())
        assert said["status"] in (0, 1, 2, 3), said
        assert "Traceback" not in said["err"] + said["out"], said["err"]
        assert not any(character in said["out"] + said["err"] for character in "\x1b\x07\x9b\u202e"), said
        return said

    def called(self, name: str, data: bytes) -> dict[str, Any]:
        args = [{"bytes": base64.b64encode(data).decode()}]
        return self(call=f"called.{name}", args=args)

    def close(self) -> None:
        self._process.communicate(timeout=30)


@pytest.fixture(scope="module")
def play(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Worker]:
    worker = Worker(tmp_path_factory.mktemp("fuzz"))
    yield worker
    worker.close()


def sane(page: Any) -> None:
    """What `check` says of a garden that it took: numbers, and in the ranges that the words promise."""
    _finite(page)
    assert 0 < page["usable_lpm"] <= page["supply_lpm"] < 100_000
    for zone in page["zones"].values():
        assert zone["tape_m"] > 0
        assert zone["flow_lpm"] > 0
        assert 0 <= zone["uniformity"] <= 1
        assert 0 <= zone["flow_variation"] <= 1
        assert zone["peak_minutes"] is None or 0 <= zone["peak_minutes"] < 1e6


def _finite(value: Any) -> None:
    if isinstance(value, float):
        assert math.isfinite(value)
    for inner in value.values() if isinstance(value, dict) else value if isinstance(value, list) else ():
        _finite(inner)


def checked(play: Worker, files: dict[str, bytes]) -> None:
    said = play(argv=["check", "--offline", "--json", "--date", "2015-07-01"], files=files)
    if said["status"] in (0, 3):
        sane(json.loads(said["out"]))
    else:
        assert said["out"] == ""
        assert said["err"].strip()


@few(8)
@given(text=mutated_text(GARDEN))
def test_garden_yaml(play: Worker, text: bytes) -> None:
    checked(play, {"garden.yaml": text, "crops.yaml": b""})


@few(5)
@given(text=mutated_text(CROPS))
def test_crops_yaml(play: Worker, text: bytes) -> None:
    checked(play, {"garden.yaml": GARDEN.encode(), "crops.yaml": text})


@few(20)
@given(text=mutated_text(STATION, separator=","))
def test_station_file(play: Worker, text: bytes) -> None:
    play.called("station_file", text)


@few(20)
@given(text=mutated_text(DAILY, separator=","))
def test_daily_file(play: Worker, text: bytes) -> None:
    play.called("daily_file", text)


@few(8)
@given(text=mutated_text(FORECAST, separator=","))
def test_forecast_file(play: Worker, text: bytes) -> None:
    play.called("forecast_file", text)


@few(30)
@given(data=payloads())
@example(data=b"[" * 50_000)
@example(data=b"9" * 400)
@example(data=b"9" * 5000)
def test_messages(play: Worker, data: bytes) -> None:
    play.called("payload", data)


@few(30)
@given(data=payloads(), end=st.sampled_from([b"\n", b""]))
@example(data=b'{"do": "water", "zone": "beans", "minutes": ' + b"9" * 400 + b"}", end=b"\n")
@example(data=b"[" * 4000, end=b"")
@example(data=b"7", end=b"\n")
@example(data=b'{"do": ["water"]}', end=b"\n")
def test_control_socket(play: Worker, data: bytes, end: bytes) -> None:
    play.called("control_line", data + end)


STUDY = """\
vary:
  supply.flow: [2 gpm, 4 gpm]
  zones.beans.refill_at: [0.5, 0.7]
variants:
  small pump: {supply.flow: 1 gpm, supply.days: [mon, thu]}
years: [2013, 2014]
foresight: none
sample: 3
seed: 7
"""


@few(5)
@given(text=mutated_text(STUDY))
def test_study_file(play: Worker, text: bytes) -> None:
    files = {"study.yaml": text, "garden.yaml": GARDEN.encode(), "crops.yaml": b""}
    said = play(argv=["study", "study.yaml", "--weather", "weather.csv", "--dry-run", "--json"], files=files)
    if said["status"] in (0, 3):
        _finite(json.loads(said["out"]))
    else:
        assert said["err"].strip()


WORDS = (
    "morning", "check", "crops", "bucket", "changeover", "why", "note", "hold", "log", "stop", "week", "weather",
    "rain", "applied", "soil", "planted", "pulled", "list", "undo", "emerged", "stage", "cover", "feed", "filter",
    "beans", "tomatoes", "nobody", "until", "--date", "--from", "--to", "--json", "--csv", "--yes", "--at", "--since",
    "--depth", "--zone", "--all", "--as-planned", "--volume", "--time", "--offline", "--total", "tomorrow", "friday",
    "2015-07-01", "2015-06-01", "9999-12-31", "0001-01-01", "2199-12-31", "1900-01-01", "29 Feb", "5/3", "-1", "0",
    "nan", "inf", "1e400", "20 min", "45 s", "120gal", "35 cb", "0.6in", "5 gal", "58 s", "\x1b[2J", "\u202e", "",
    "9" * 400, "x" * 3000, "--help", "-h", "--", "later", "tomato", "mid-season", "40%",
    "report", "out.html", "parts", "--slack", "--roll", "--waste", "1000 ft", "facts", "--export", "-", "season",
    "--weather", "weather.csv", "garden.yaml", "--foresight", "perfect", "--unlimited", "history", "--file", "--years",
    "completion", "bash", "init", "--force", "sprinkled", "dry-off", "repair", "chore", "day", "--records-are-right",
)  # fmt: skip


@few(15)
@given(argv=st.lists(st.sampled_from(WORDS), min_size=1, max_size=7))
@example(argv=["log", "--to", "0001-01-01"])
@example(argv=["hold", "beans", "until", "9999-12-01"])
@example(argv=["\u202e"])
@example(argv=["log", "--\x1b[2J"])
def test_command_lines(play: Worker, argv: list[str]) -> None:
    play(argv=argv, files={"garden.yaml": GARDEN.encode(), "crops.yaml": b""})


@pytest.fixture(scope="module")
def books(play: Worker) -> Path:
    """The database of a garden with a plan, notes and water."""
    files = {"garden.yaml": GARDEN.encode(), "crops.yaml": b""}
    for argv in (
        ["day", "--date", "2015-07-01"],
        ["note", "rain", "0.2in", "--at", "2015-06-30 08:00", "--yes"],
        ["note", "applied", "beans", "10min", "--date", "2015-07-01", "--yes"],
    ):
        play(argv=argv, files=files)
    play(argv=["facts", "--export", "facts.txt"])
    return shutil.copy(play.folder / "data" / "rowwater.db", play.folder / "whole.db")


@few(8)
@given(
    changes=st.lists(
        st.tuples(st.integers(0, 10**6), st.binary(min_size=1, max_size=40)), min_size=1, max_size=6
    ),
    cut=st.one_of(st.none(), st.integers(0, 10**6)),
    argv=st.sampled_from([["log"], ["note", "list"], ["why", "beans"], ["morning"]]),
)
def test_damaged_database(
    play: Worker, books: Path, changes: list[tuple[int, bytes]], cut: int | None, argv: list[str]
) -> None:
    """Nothing of it is ever lost: what is damaged is set aside under another name, byte for byte."""
    data = bytearray(books.read_bytes())
    for at, new in changes:
        at %= len(data)
        data[at : at + len(new)] = new
    whole = bytes(data[: len(data) if cut is None else cut % len(data)])
    folder = play.folder / "data"
    for old in folder.glob("rowwater.db*"):
        old.unlink()
    play(argv=argv, files={"data/rowwater.db": whole})
    if not any(one.read_bytes() == whole for one in folder.glob("rowwater.db*")):
        assert (folder / "rowwater.db").exists()


@few(6)
@given(text=st.binary(max_size=200), at=small)
@example(text=b"[]", at=0)
@example(text=b"{}", at=0)
@example(text=b'{"zones": 7, "date": "x"}', at=0)
@example(text=b"[" * 100_000, at=0)
def test_today_json(play: Worker, text: bytes, at: int) -> None:
    path = play.folder / "data" / "today.json"
    before = path.read_bytes() if path.exists() else b"{}"
    at %= len(before) + 1
    for spoilt in (text, before[:at] + text + before[at:]):
        play(argv=["morning"], files={"data/today.json": spoilt})
    path.write_bytes(before)


def _on_record(play: Worker) -> dict[str, Any]:
    said = play(argv=["log", "--json", "--from", "1900-01-01"])
    assert said["status"] == 0, said
    page: dict[str, Any] = json.loads(said["out"])
    return page


@few(5)
@given(data=st.data())
def test_facts_file(play: Worker, books: Path, data: st.DataObject) -> None:
    """What is on record stays, whatever is taken in beside it, and can be read after that."""
    lines = (play.folder / "facts.txt").read_text().splitlines()
    few_of_all = [*lines[:6], *(line for line in lines[6:] if '"fact": "weather"' not in line)]
    text = data.draw(mutated_text("\n".join(few_of_all), separator=","))
    for old in (play.folder / "data").glob("rowwater.db*"):
        old.unlink()
    files = {"data/rowwater.db": books.read_bytes(), "garden.yaml": GARDEN.encode(), "crops.yaml": b""}
    play(argv=["log"], files=files)
    before = _on_record(play)
    said = play(argv=["facts", "--import", "taken.txt"], files={"taken.txt": text})
    after = _on_record(play)
    _finite(after)
    if said["status"] == 2:
        assert after == before
        assert said["err"].strip()


@few(6)
@given(
    name=st.sampled_from(
        ["openings.trace", "garden-checked.json", "schedule.json", "schedule.ics", "rowwater.db.checked"]
    ),
    text=st.one_of(st.binary(max_size=200), payloads()),
    at=small,
    argv=st.sampled_from([["log"], ["why", "beans"], ["morning"], ["stop"], ["note", "list"]]),
)
@example(name="openings.trace", text=b"[" * 100_000, at=0, argv=["log"])
@example(name="garden-checked.json", text=b"[" * 100_000, at=0, argv=["log"])
def test_own_files(play: Worker, books: Path, name: str, text: bytes, at: int, argv: list[str]) -> None:
    path = play.folder / "data" / name
    before = path.read_bytes() if path.exists() else b"{}"
    at %= len(before) + 1
    files = {"data/rowwater.db": books.read_bytes(), "garden.yaml": GARDEN.encode(), "crops.yaml": b""}
    for spoilt in (text, before[:at] + text + before[at:]):
        play(argv=argv, files={**files, f"data/{name}": spoilt})
    path.write_bytes(before)


@few(4)
@given(text=mutated_text(DAILY, separator=","))
def test_history_file(play: Worker, books: Path, text: bytes) -> None:
    """A file that is refused leaves nothing on record; one that is taken can be read after that."""
    for old in (play.folder / "data").glob("rowwater.db*"):
        old.unlink()
    files = {"data/rowwater.db": books.read_bytes(), "garden.yaml": GARDEN.encode(), "crops.yaml": b""}
    play(argv=["history", "--file", "past.csv"], files={**files, "past.csv": text})
    said = play(argv=["history", "--json"])
    assert said["status"] in (0, 3), said
    _finite(json.loads(said["out"]))
