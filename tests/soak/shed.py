"""A shed with every kind of driver at once, its processes living by the fast clock."""

from __future__ import annotations

import contextlib
import json
import os
import shutil
import signal
import socket
import sqlite3
import subprocess
import sys
from collections.abc import Sequence
from contextlib import closing
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from typing import Any
from zoneinfo import ZoneInfo

from fast_clock.clock import FastClock, environ_of

from scheduler.service.earlier_guards import guards_of

HERE = Path(__file__).parent
EXAMPLE = HERE.parents[1] / "examples" / "creekside"
SITE = ZoneInfo("America/Los_Angeles")
DISK_MB = 48
RELAYS = str(HERE / "relays.py")

GARDEN = """garden: Soak
location: {{latitude: 47.44, longitude: -122.31, elevation: 371 ft, timezone: America/Los_Angeles}}
display: us
finish: early
weather: {{sources: [{{file: {{path: weather.csv}}}}]}}
broker: {{host: 127.0.0.1, port: {broker}}}
supply:
  flow: 8 gpm
  hours: {{from: "04:00", until: "{until}"}}
tapes:
  thin: {{flow: 0.40 gpm/100ft}}
zones:
"""
ZONE = """  {name}:
    rows: {{count: {rows}, length: 80 ft, spacing: 4 ft}}
    tape: thin
    soil: sandy loam
    plantings: [{{crop: {crop}, planted: 2015-05-01}}]
    valve: {valve}
"""


@dataclass(frozen=True)
class Zone:
    name: str
    crop: str
    rows: int
    driver: str
    valve: str


def zones(folder: Path, http: int) -> list[Zone]:
    command = f"[{sys.executable}, -I, -S, {RELAYS}, command, {folder}, tomatoes]"
    url = f"http://127.0.0.1:{http}/beans"
    return [
        Zone("tomatoes", "staked tomato", 4, "command", f"{{command: {command}}}"),
        Zone("beans", "bush bean", 4, "http",
             f'{{http: {{open: {{url: "{url}?on={{seconds}}"}}, close: {{url: "{url}?off"}}}}}}'),
        Zone("lettuce", "lettuce", 3, "mqtt",
             "{mqtt: {topic: soak/lettuce, state_topic: soak/lettuce/state}}"),
        Zone("carrots", "carrot", 3, "mqtt", "{mqtt: {topic: soak/carrots}}"),
        Zone("squash", "summer squash", 3, "gpio", "{gpio: 17}"),
        Zone("onions", "onion", 3, "by_hand", "{by_hand: true}"),
    ]  # fmt: skip


def free_port() -> int:
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        return int(probe.getsockname()[1])


@dataclass(frozen=True)
class Size:
    """What one process takes."""

    rss_kb: int
    descriptors: int
    threads: int


def size_of(pid: int) -> Size | None:
    try:
        lines = dict(
            line.split(":", 1) for line in Path(f"/proc/{pid}/status").read_text().splitlines() if ":" in line
        )
        return Size(
            int(lines["VmRSS"].split()[0]),
            sum(1 for _ in Path(f"/proc/{pid}/fd").iterdir()),
            int(lines["Threads"]),
        )
    except (OSError, KeyError):
        return None


class Shed:
    def __init__(self, folder: Path, clock: FastClock) -> None:
        self.folder, self.clock = folder, clock
        self.data = folder / "data"
        self.data.mkdir()
        self.on_tmpfs = os.geteuid() == 0 and _mount(self.data)
        self.http, self.broker = free_port(), free_port()
        self.zones = zones(folder, self.http)
        self.until = "10:00"
        self.by_hand: set[str] = set()
        self.garden = folder / "garden.yaml"
        self.garden.write_text(self.text())
        shutil.copy(EXAMPLE / "weather.csv", folder)
        self.witness = folder / "synced"
        self.witness.touch()
        self.environ = environ_of(
            clock,
            {
                "ROWWATER_CONFIG": str(self.garden),
                "ROWWATER_DATA": str(self.data),
                "GPIOZERO_PIN_FACTORY": "mock",
                "FAST_CLOCK_BOOT_ID": str(folder / "boot_id"),
            },
        )
        (folder / "boot_id").write_text("first\n")
        self.helpers: dict[str, subprocess.Popen[bytes]] = {}
        self.service: subprocess.Popen[bytes] | None = None

    def text(self, more: str = "") -> str:
        """garden.yaml as it stands now."""
        parts = [
            ZONE.format(
                name=zone.name, crop=zone.crop, rows=zone.rows,
                valve="{by_hand: true}" if zone.name in self.by_hand else zone.valve,
            )
            for zone in self.zones
        ]  # fmt: skip
        return GARDEN.format(broker=self.broker, until=self.until) + "".join(parts) + more

    # --- what stands around the service ---

    def _popen(self, argv: Sequence[str], log: str) -> subprocess.Popen[bytes]:
        with (self.folder / log).open("ab") as file:
            return subprocess.Popen(
                argv, env=self.environ, cwd=self.folder, stdin=subprocess.DEVNULL, stdout=file, stderr=file
            )

    def start_broker(self) -> None:
        program = shutil.which("mosquitto", path=f"{os.environ.get('PATH', '')}:/usr/sbin:/usr/local/sbin")
        assert program, "the soak needs the mosquitto broker: apt-get install mosquitto"
        config = self.folder / "mosquitto.conf"
        user = "user root\n" if os.geteuid() == 0 else ""
        config.write_text(
            f"listener {self.broker} 127.0.0.1\npersistence false\nallow_anonymous true\n"
            f"set_tcp_nodelay true\n{user}"
        )
        with (self.folder / "broker.log").open(
            "ab"
        ) as log:  # it looks about ten times a second: by the world's time
            self.helpers["broker"] = subprocess.Popen([program, "-c", str(config)], stdout=log, stderr=log)
        self.clock.add(self.helpers["broker"].pid)

    def start_relays(self) -> None:
        for kind, port in (("http", self.http), ("mqtt", self.broker)):
            self.helpers[kind] = self._popen(
                [sys.executable, RELAYS, kind, str(self.folder), str(port)], f"{kind}.log"
            )

    def start(self) -> None:
        rowwater = str(Path(sys.executable).with_name("rowwater"))
        self.service = self._popen([rowwater, "serve", "--witness", str(self.witness)], "service.log")

    def close_all(self) -> None:
        """What the unit does after each end of the service."""
        argv = [
            sys.executable,
            "-P",
            "-m",
            "scheduler.service.guard",
            "--close-all",
            str(self.data / "valves.json"),
        ]
        self._popen(argv, "close_all.log").wait()

    def rowwater(self, *words: str) -> subprocess.Popen[bytes]:
        """A command of the grower's, on its way."""
        return self._popen([str(Path(sys.executable).with_name("rowwater")), *words], "cli.log")

    def guard_pid(self) -> int | None:
        """Of the guard that watches now; where an older one still ends, none."""
        guards = guards_of(self.data)
        return guards[0].pid if len(guards) == 1 else None

    def end(self) -> None:
        for process in [self.service, *self.helpers.values()]:
            if process is not None and process.poll() is None:
                process.send_signal(signal.SIGCONT)
                process.kill()
                process.wait()
        for pid in self.clock.processes():  # guards and children of one that was killed
            with contextlib.suppress(OSError):
                if str(self.data).encode() in Path(f"/proc/{pid}/environ").read_bytes():
                    os.kill(pid, signal.SIGKILL)
        if self.on_tmpfs:
            subprocess.run(["umount", "-l", str(self.data)], check=True)

    # --- what there is to see ---

    def log(self, name: str = "service.log") -> str:
        path = self.folder / name
        return path.read_text(errors="replace") if path.exists() else ""

    def today(self) -> dict[str, Any]:
        try:
            page: dict[str, Any] = json.loads((self.data / "today.json").read_text())
        except FileNotFoundError:
            return {"notices": [], "open_now": []}
        return page

    def rows(self, query: str) -> list[Any]:
        database = f"file:{self.data / 'rowwater.db'}?mode=ro"
        with closing(sqlite3.connect(database, uri=True, timeout=10)) as plain:
            return plain.execute(query).fetchall()

    def database_bytes(self) -> int:
        """Whole pages in use, what waits in the write-ahead log left aside."""
        with contextlib.suppress(sqlite3.Error):
            ((pages,),), ((free,),), ((size,),) = (
                self.rows(f"PRAGMA {name}") for name in ("page_count", "freelist_count", "page_size")
            )
            return int((pages - free) * size)
        return 0

    def local(self) -> datetime:
        return self.clock.now().astimezone(SITE)


def _mount(folder: Path) -> bool:
    command = ["mount", "-t", "tmpfs", "-o", f"size={DISK_MB}m", "soak", str(folder)]
    return subprocess.run(command, check=False, capture_output=True).returncode == 0
