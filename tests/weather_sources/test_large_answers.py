"""Answers of a weather service that are large, packed, nested or endless: the real `day`, a real server.

Each ends in its time with a line that names the source; the plan is made with what is known, in 300 MB.
"""

from __future__ import annotations

import json
import os
import re
import shutil
import subprocess
import sys
import zlib
from pathlib import Path
from typing import Any

import pytest
from weather_sources.replay import Answer, Replay

from scheduler.weather.http import MAX_BYTES

CREEKSIDE = Path(__file__).parents[2] / "examples" / "creekside"
MOST_MB = 300
NOWHERE = "http://127.0.0.1:9"
RUN = """
import re, sys
from pathlib import Path
from scheduler.cli.main import main
try:
    main(sys.argv[1:])
finally:  # the most that this process had since it began (proc(5))
    print(re.findall(r"VmHWM:\\s+(\\d+) kB", Path("/proc/self/status").read_text())[0], file=sys.stderr)
"""
EMPTY = b'{"latitude": 47.44, "longitude": -122.31, "filler": [%s]}'


def filled(size: int, piece: bytes) -> bytes:
    """A JSON object of about so many bytes."""
    return EMPTY % b",".join([piece] * (size // (len(piece) + 1) - 20))


def endless(handler: Any, _: bytes) -> None:
    handler.send_response(200)
    handler.end_headers()
    while not handler.server.replay.over.is_set():
        handler.wfile.write(b'{"a": ' * 10_000)
    handler.close_connection = True


def packed(megabytes: int, times: int) -> Answer:
    """So many zeros, packed without ever being whole."""
    pieces = [b"0" * 1_000_000] * megabytes
    for _ in range(times):
        packer = zlib.compressobj(9, zlib.DEFLATED, 31)
        pieces = [*map(packer.compress, pieces), packer.flush()]
    return Answer(body=b"".join(pieces), headers={"Content-Encoding": ", ".join(["gzip"] * times)})


ANSWERS = {
    "just within": (lambda: Answer(body=filled(MAX_BYTES - 1000, b'{"":{}}')), "without any weather"),
    "endless": (lambda: Answer(how=endless), "127.0.0.1 sent more than 5 MB"),
    "packed twice": (lambda: packed(300, 2), "127.0.0.1 sent more than 5 MB"),
}


def rowwater(folder: Path, url: str, *words: str) -> subprocess.CompletedProcess[str]:
    own = {
        "ROWWATER_CONFIG": str(folder / "garden.yaml"), "ROWWATER_DATA": str(folder / "data"),
        "ROWWATER_OPENMETEO_URL": url, "ROWWATER_OPENMETEO_ARCHIVE_URL": url,
    }  # fmt: skip
    environ = {key: value for key, value in os.environ.items() if not key.startswith("ROWWATER_")}
    return subprocess.run(
        [sys.executable, "-P", "-c", RUN, *words],
        env=environ | own, capture_output=True, text=True, timeout=120, check=False,
    )  # fmt: skip


@pytest.fixture(scope="module")
def yesterday(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Planned yesterday on a file; the weather service is its only source since."""
    folder = tmp_path_factory.mktemp("yesterday")
    for name in ("garden.yaml", "weather.csv"):
        shutil.copy(CREEKSIDE / name, folder / name)
    assert rowwater(folder, NOWHERE, "day", "--date", "2015-07-08").returncode in (0, 3)
    garden = folder / "garden.yaml"
    garden.write_text(garden.read_text().replace("- file: {path: weather.csv}", "- service: open-meteo"))
    return folder


@pytest.mark.parametrize("name", ANSWERS)
def test_the_day_goes_on_with_what_is_known(
    replay: Replay, tmp_path: Path, yesterday: Path, name: str
) -> None:
    make, words = ANSWERS[name]
    replay.give(make())
    folder = tmp_path / "garden"
    shutil.copytree(yesterday, folder)
    done = rowwater(folder, replay.url, "day", "--date", "2015-07-09", "--json")
    assert done.returncode in (0, 3), done.stderr
    assert replay.asked
    page = json.loads(done.stdout)
    assert page["runs"]
    told = [one["text"] for one in page["notices"] if one["kind"] == "weather"]
    said = f"weather: open-meteo: .*({words}).*; used instead: yesterday and today by file weather.csv"
    assert re.fullmatch(said, told[0]), told
    assert int(done.stderr.split()[-1]) / 1024 < MOST_MB
