"""The disk below the data folder turns read-only, or is full when the service is killed: real file systems.

They are mounted where nobody else sees them, and are gone with the thread that mounted them (unshare(2)).
"""

from __future__ import annotations

import ctypes
import json
import os
import re
import shutil
import signal
import subprocess
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any
from zoneinfo import ZoneInfo

import pytest
from fast_clock.clock import FastClock
from service.shed import Shed

TOOLS = ("mkfs.ext4", "e2fsck", "mount", "umount", "findmnt")
CLONE_NEWNS = 0x00020000
pytestmark = pytest.mark.skipif(
    os.geteuid() != 0 or not all(map(shutil.which, TOOLS)) or not Path("/dev/loop-control").exists(),
    reason="mounts need root and a loop device",
)


def run(*words: str) -> str:
    return subprocess.run(words, check=True, capture_output=True, text=True).stdout.strip()


def fill(path: Path) -> None:
    with path.open("wb", buffering=0) as filler:
        while True:
            filler.write(bytes(4096))


def with_own_mounts(body: Callable[[], None]) -> None:
    """Runs it in a thread, and with processes, that have mounts of their own."""
    raised: list[BaseException] = []

    def work() -> None:
        try:
            if ctypes.CDLL(None, use_errno=True).unshare(CLONE_NEWNS):
                pytest.skip(f"no mounts of its own here: {os.strerror(ctypes.get_errno())}")
            run("mount", "--make-rprivate", "/")
            body()
        except BaseException as problem:
            raised.append(problem)

    thread = threading.Thread(target=work)
    thread.start()
    thread.join()
    if raised:
        raise raised[0]


@contextmanager
def ended(shed: Shed) -> Iterator[Shed]:
    try:
        yield shed
    finally:
        shed.end()


@contextmanager
def ended_clock(clock: FastClock) -> Iterator[None]:
    try:
        yield
    finally:
        clock.end()


def bounds(shed: Shed) -> tuple[str, float, float]:
    query = (
        "SELECT outcome, minutes * 60, least_minutes * 60, most_minutes * 60 FROM applied WHERE zone = 'a'"
    )
    shed.until(lambda: shed.rows(query), 30, "the books")
    ((outcome, seconds, least, most),) = shed.rows(query)
    return outcome, seconds if least is None else least, seconds if most is None else most


def ran_s(shed: Shed, zone: str) -> float:
    lines = [line for line in shed.lines() if line.zone == zone]
    opened = next(line.at for line in lines if line.word == "open")
    return next(line.at for line in lines if line.word == "close" and line.at > opened) - opened


@pytest.mark.parametrize("killed_too", [False, True])
def test_the_card_turns_read_only_during_a_run(tmp_path: Path, killed_too: bool) -> None:
    """Row 17, as ext4 does after an error. The close comes, nothing opens, and the next start has bounds."""

    def mounted(data: Path) -> str:
        run("mount", "-o", "loop,errors=remount-ro", str(tmp_path / "card"), str(data))
        return run("findmnt", "-no", "SOURCE", str(data))

    def body() -> None:
        (tmp_path / "card").write_bytes(bytes(12_000_000))
        run("mkfs.ext4", "-q", "-F", str(tmp_path / "card"))
        with ended(Shed(tmp_path / "shed")) as shed:
            device = mounted(shed.data)
            shed.plan([("a", 1, 3.0, 7.0)])
            shed.start(quick=True)
            shed.until(lambda: shed.is_open("a"), 25, "the run")
            Path(f"/sys/fs/ext4/{Path(device).name}/trigger_fs_error").write_text("1")
            with pytest.raises(OSError, match="Read-only"):
                (shed.data / "probe").touch()
            if killed_too:
                time.sleep(2.0)
                shed.kill()
            shed.until(lambda: not shed.is_open("a"), 15, "the close")
            if not killed_too:
                shed.until(
                    lambda: "nothing opens, since it could not be recorded" in shed.log(), 15, "the line"
                )
                said = shed.rowwater("water", "b", "1 min")
                assert said.returncode == 1, said
                assert not [line for line in shed.lines() if (line.zone, line.word) == ("b", "open")]
                shed.kill()
            shed.until(lambda: not shed.left_running(), 15, "the guard to end")
            run("umount", str(shed.data))
            subprocess.run(["e2fsck", "-fp", str(tmp_path / "card")], check=False, capture_output=True)
            mounted(shed.data)
            shed.start(quick=True)
            outcome, least, most = bounds(shed)
            assert outcome == "interrupted"
            assert least <= ran_s(shed, "a") + 0.1 <= most + 0.2

    with_own_mounts(body)


AWAY_S = 75.0


def plan_of_today(shed: Shed, now: datetime) -> list[dict[str, Any]]:
    """The runs of `rowwater day`, for a crop that lacks a little on weather made up for it."""
    today = now.astimezone(ZoneInfo(shed.zone)).date()
    planting = f"plantings: [{{crop: lettuce, planted: {today - timedelta(days=40)}}}]"
    text = shed.garden.read_text()
    for old, new in {
        "supply:\n": "finish: early\nweather: {sources: [file: {path: weather.csv}]}\nsupply:\n",
        "0.40 gpm/100ft": "1.5 gpm/100ft",
        "spacing: 5 ft": "spacing: 1 ft",
        "2 gpm": "9 gpm",
        "    valve:": f"    starting_deficit: 0.05 in\n    refill_at: 2%\n    shortest_run: 1 s\n"
        f"    {planting}\n    valve:",
    }.items():
        assert old in text
        text = text.replace(old, new)
    shed.garden.write_text(text)
    days = [today + timedelta(days=d) for d in range(-60, 9)]
    rows = [f"{day},{10 + day.day % 3},{24 + day.day % 4},0" for day in days]
    (shed.folder / "weather.csv").write_text("\n".join(["date,tmin_c,tmax_c,rain_mm", *rows]) + "\n")
    return planned(shed)


def planned(shed: Shed) -> list[dict[str, Any]]:
    said = shed.rowwater("day", "--json")
    assert said.returncode in (0, 3), said
    runs: list[dict[str, Any]] = json.loads(said.stdout)["runs"]
    return runs


@pytest.mark.skipif(not shutil.which("cc"), reason="the clock that skips needs a C compiler")
def test_killed_on_a_full_disk(tmp_path: Path) -> None:
    """Row 9 and 16 at once: the guard closes, and once there is room the books have what may have run.

    Nobody could write down when the guard closed, so the most is all the time until the next start. The plan
    that is made then gives no more than what was asked for less that most.
    """

    def body() -> None:
        clock = FastClock(tmp_path, datetime.now(UTC), 1.0)
        with ended_clock(clock), ended(Shed(tmp_path / "shed", "a")) as shed:
            shed.environ |= clock.environ
            run("mount", "-t", "tmpfs", "-o", "size=4m", "none", str(shed.data))
            (asked,) = plan_of_today(shed, clock.now())
            assert asked["minutes"] >= 2
            shed.start(quick=True)
            shed.until(lambda: shed.is_open("a"), 25, "the run")
            with pytest.raises(OSError, match="No space"):
                fill(shed.data / "filler")
            time.sleep(2.5)
            assert shed.is_open("a") or "the disk no longer takes its record" in shed.log()
            shed.kill(signal.SIGKILL)
            shed.until(lambda: not shed.is_open("a"), 5, "the guard's close")
            shed.until(lambda: not shed.left_running(), 15, "the guard to end")
            clock.skip(timedelta(seconds=AWAY_S))
            shed.start(quick=True)
            (shed.data / "filler").unlink()
            outcome, least, most = bounds(shed)
            assert outcome == "interrupted"
            assert least <= ran_s(shed, "a") + 0.1 <= most + 0.2
            assert AWAY_S < most < AWAY_S + 30
            anew = sum(run["minutes"] for run in planned(shed) if run["pulse"] > asked["pulse"])
            assert anew + most / 60 <= asked["minutes"] + 0.5  # of whole minutes
            why = " ".join(shed.rowwater("why", "a").stdout.split())
            more = re.search(r"the most it can have been \(([\d.]+) min more than booked\)", why)
            assert more
            assert float(more[1]) == pytest.approx((most - ran_s(shed, "a")) / 60, abs=0.1)

    with_own_mounts(body)
