"""The real service as a process, in a folder of its own; a relay script outside it is the only witness."""

from __future__ import annotations

import contextlib
import json
import os
import signal
import socket
import sqlite3
import subprocess
import sys
import time
from collections.abc import Mapping, Sequence
from contextlib import closing
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any
from zoneinfo import ZoneInfo

from scheduler.service.ask import address_in
from scheduler.service.earlier_guards import guards_of
from scheduler.store.store import Store

RELAY = """#!/bin/sh
# one line per command: uptime, zone, open|close, seconds
read up _ < /proc/uptime
echo "$up $1 $2 $3" >> "{folder}/witness.txt"
if [ -e "{folder}/refuse-$1" ]; then exit 1; fi
"""

GARDEN = """garden: Test shed
location: {{latitude: 47.44, longitude: -122.31, elevation: 371 ft, timezone: {zone}}}
display: us
supply:
  flow: 2 gpm
  hours: {{from: "00:05", until: "23:55"}}
plan_at: "00:01"
tapes:
  thin: {{flow: 0.40 gpm/100ft}}
zones:
"""
ZONE = """  {name}:
    rows: {{count: 3, length: 80 ft, spacing: 5 ft}}
    tape: thin
    soil: sandy loam
    valve: {valve}
"""
VALVE = '{{command: [env, "ZONE={name}", {relay}, {name}], cap: {cap}}}'
LAUNCH = """import sys
from scheduler.cli import main
for name in ("serve", "water", "stop"):
    main.COMMANDS.setdefault(name, name)
main.main(sys.argv[1:])
"""
FLOW_LPM = 0.96 * 3.785411784  # 3 rows of 80 ft at 0.40 gpm/100ft: two zones fit into 2 gpm, three do not


def noon_zone() -> str:
    """A zone in which it is about noon: no test meets midnight."""
    hour = datetime.now(UTC).hour
    shift = 12 - hour
    return f"Etc/GMT{-shift:+d}" if shift else "Etc/GMT"


@dataclass
class Line:
    at: float
    zone: str
    word: str
    seconds: float


class Shed:
    def __init__(
        self,
        folder: Path,
        zones: str = "abc",
        *,
        cap: str = "6 h",
        beat: float = 1.0,
        synced: bool = True,
        tick: str = "0.05",
        in_flight: float = 0.3,
        cwd: Path | None = None,
        acts_within_s: float | None = 0.5,
        look_s: float | None = None,
        valves: Mapping[str, str] | None = None,
        more: str = "",
    ) -> None:
        """valves: of zones that have another one than the script; more: further lines of garden.yaml."""
        folder.mkdir(parents=True, exist_ok=True)
        self.folder, self.data, self.zones = folder, folder / "data", zones
        self.data.mkdir(exist_ok=True)
        self.beat, self.tick, self.in_flight = beat, tick, in_flight
        self.acts_within_s, self.look_s = acts_within_s, look_s
        self.cwd = cwd or folder
        relay = folder / "relay"
        relay.write_text(RELAY.format(folder=folder))
        relay.chmod(0o755)
        self.zone = noon_zone()
        self.garden = folder / "garden.yaml"
        self.garden.write_text(
            more
            + GARDEN.format(zone=self.zone)
            + "".join(
                ZONE.format(
                    name=name,
                    valve=(valves or {}).get(name) or VALVE.format(name=name, relay=relay, cap=cap),
                )
                for name in zones
            )
        )
        self.witness = folder / "synced"
        if synced:
            self.witness.touch()
        self.process: subprocess.Popen[bytes] | None = None
        self.as_user: list[str] = []  # words before a command that another user runs
        self.environ = {
            **{k: v for k, v in os.environ.items() if not k.startswith("ROWWATER_")},
            "ROWWATER_CONFIG": str(self.garden),
            "ROWWATER_DATA": str(self.data),
        }

    # --- the service ---

    def argv(self, *words: str) -> list[str]:
        return [sys.executable, "-P", "-c", LAUNCH, *words]

    def start(
        self,
        *,
        wait: bool = True,
        quick: bool = False,
        launch: Sequence[str] = ("-m", "scheduler.service.main"),
    ) -> None:
        """quick: the process that `rowwater serve` turns into, without the command line before it."""
        argv = self.argv("serve", "--heartbeat", str(self.beat), "--tick", self.tick, "--in-flight",
                         str(self.in_flight), "--witness", str(self.witness))  # fmt: skip
        if self.acts_within_s is not None:
            argv += ["--acts-within", str(self.acts_within_s)]
        if self.look_s is not None:
            argv += ["--look", str(self.look_s)]
        if quick:
            settings = {"tick_s": float(self.tick), "beat_s": self.beat, "in_flight_s": self.in_flight,
                        "acts_within_s": self.acts_within_s,
                        "witness": str(self.witness), "ask_kernel": False}  # fmt: skip
            order = {"data": str(self.data), "config": str(self.garden), "settings": settings}
            argv = [*self.as_user, sys.executable, "-P", *launch, json.dumps(order)]
        with (self.folder / "service.log").open("ab") as log:
            self.process = subprocess.Popen(
                argv, env=self.environ, cwd=self.cwd, stdout=log, stderr=log, stdin=subprocess.DEVNULL
            )
        if wait:
            self.until(self.listens, 30, "the service to start")

    def listens(self) -> bool:
        """A socket that nobody listens at may be left of a service that was killed."""
        assert self.process is not None
        assert self.process.poll() is None, self.log()[-2000:]
        try:
            with address_in(self.data) as address, socket.socket(socket.AF_UNIX) as door:
                door.connect(address)
        except OSError:
            return False
        return True

    def kill(self, number: int = signal.SIGKILL) -> int:
        assert self.process is not None
        self.process.send_signal(number)
        return self.process.wait(20)

    def guard_pid(self) -> int | None:
        """That of the running service, none of an earlier start; None where it does not run."""
        assert self.process is not None
        for guard in guards_of(self.data):
            with contextlib.suppress(OSError):
                stat = Path(f"/proc/{guard.pid}/stat").read_text()
                if int(stat.rpartition(")")[2].split()[1]) == self.process.pid:
                    return guard.pid
        return None

    def end(self) -> None:
        """Ends the service, and the guard of one that was killed: its valves work now, so it is soon done."""
        for name in ("refuse-close", "refuse-open", *(f"refuse-{zone}" for zone in self.zones)):
            (self.folder / name).unlink(missing_ok=True)
        if self.process is not None and self.process.poll() is None:
            self.process.send_signal(signal.SIGCONT)
            self.kill(signal.SIGTERM)
        give_up = time.monotonic() + 15
        while (left := self.left_running()) and time.monotonic() < give_up:
            time.sleep(0.05)
        assert not left, left

    def left_running(self) -> list[int]:
        """Guards and errands of this shed that still run: its data folder is in their environment."""
        mark = f"ROWWATER_DATA={self.data}".encode()
        found = []
        for folder in Path("/proc").glob("[0-9]*"):
            with contextlib.suppress(OSError):
                words = (folder / "cmdline").read_bytes()
                if b"scheduler." in words and mark in (folder / "environ").read_bytes().split(b"\0"):
                    found.append(int(folder.name))
        return found

    def rowwater(self, *words: str) -> subprocess.CompletedProcess[str]:
        return subprocess.run(
            self.argv(*words), env=self.environ, capture_output=True, text=True, timeout=60,
            stdin=subprocess.DEVNULL, check=False,
        )  # fmt: skip

    def until(self, true: Any, seconds: float, what: str) -> float:
        begin = time.monotonic()
        while time.monotonic() < begin + seconds:
            if true():
                return time.monotonic() - begin
            time.sleep(0.02)
        raise AssertionError(f"waited {seconds} s for {what}:\n{self.log()[-3000:]}")

    def log(self) -> str:
        path = self.folder / "service.log"
        return path.read_text() if path.exists() else ""

    # --- what there is to see ---

    def lines(self) -> list[Line]:
        path = self.folder / "witness.txt"
        found = []
        for row in path.read_text().splitlines() if path.exists() else ():
            at, zone, word, *rest = row.split()
            found.append(Line(float(at), zone, word, float(rest[0]) if rest else 0.0))
        return sorted(found, key=lambda line: line.at)

    def is_open(self, zone: str) -> bool:
        return next((line.word for line in reversed(self.lines()) if line.zone == zone), "close") == "open"

    def today(self) -> dict[str, Any]:
        try:
            page: dict[str, Any] = json.loads((self.data / "today.json").read_text())
        except FileNotFoundError:
            return {"notices": [], "open_now": []}
        return page

    def said(self) -> str:
        return "\n".join(notice["text"] for notice in self.today()["notices"])

    def rows(self, query: str) -> list[Any]:
        with closing(sqlite3.connect(self.data / "rowwater.db", timeout=10)) as plain:
            return plain.execute(query).fetchall()

    # --- a plan of seconds ---

    def plan(
        self, runs: list[tuple[str, int, float, float]], *, until_s: float = 540.0, flow: float = FLOW_LPM
    ) -> None:
        """runs: (zone, pulse, seconds from now, seconds long). Too near its end to be planned anew."""
        now = datetime.now(ZoneInfo(self.zone))
        page = {
            "garden": "Test shed",
            "date": now.date().isoformat(),
            "made_at": now.isoformat(),
            "timezone": self.zone,
            "display": "us",
            "window": {
                "from": (now - timedelta(minutes=5)).isoformat(),
                "until": (now + timedelta(seconds=until_s)).isoformat(),
            },
            "weather": {"yesterday": {}, "today": {}},
            "zones": [], "unmet": [], "applied": [], "unanswered": [], "notices": [],
            "sources": {"failures": [], "notices": [], "credits": []},
            "runs": [
                {
                    "zone": zone, "pulse": pulse, "minutes": length / 60, "liters": length / 60 * flow,
                    "net_mm": 0.1, "flow_lpm": flow,
                    "start": (now + timedelta(seconds=after)).isoformat(),
                    "stop": (now + timedelta(seconds=after + length)).isoformat(),
                }
                for zone, pulse, after, length in runs
            ],
        }  # fmt: skip
        with Store.open(self.data / "rowwater.db", now=now) as store:
            store.begin(now.date())
            store.add_plan(now.date(), now, f"digest {now}", page, {})
        (self.data / "schedule.json").write_text("{}")
