"""Time that passes faster than the world's, for real processes: the Python side of fast_clock.c."""

from __future__ import annotations

import mmap
import os
import shutil
import struct
import subprocess
import time
from datetime import UTC, datetime, timedelta
from pathlib import Path

SOURCE = Path(__file__).with_name("fast_clock.c")
NS = 10**9
UPTIME_S = 1000  # the machine has run for so long when the time begins
_MONO, _OFFSET, _SPEED, _HELD_UP, _PIDS = 0, 8, 16, 24, 32
_MOST_PROCESSES = 500
_SIZE = _PIDS + 4 * _MOST_PROCESSES + 16 * 2000


class FastClock:
    """One page of time. Processes started with `environ` live by it.

    The caller itself lives in the world's time and asks `now`, `mono_s` and `sleep` here.
    """

    def __init__(self, folder: Path, start: datetime, speed: float) -> None:
        compiler = shutil.which("cc") or shutil.which("gcc")
        assert compiler, "the fast clock needs a C compiler: apt-get install gcc libc6-dev"
        assert not set(str(folder)) & {" ", ":"}, "LD_PRELOAD separates by blanks and colons"
        self._library, self._program = folder / "fast_clock.so", folder / "fast_clock"
        common = [compiler, "-O2", "-Wall", "-Wextra", "-Werror", str(SOURCE)]
        subprocess.run([*common, "-shared", "-fPIC", "-o", str(self._library), "-ldl"], check=True)
        subprocess.run([*common, "-DPACEMAKER", "-o", str(self._program)], check=True)
        self._path = folder / "fast_clock.page"
        self._path.write_bytes(bytes(_SIZE))
        with self._path.open("r+b") as file:
            self._page = mmap.mmap(file.fileno(), _SIZE)
        self._put(_MONO, UPTIME_S * NS)
        self._put(_OFFSET, round(start.timestamp() * NS) - UPTIME_S * NS)
        self.speed = speed
        self._process = subprocess.Popen([str(self._program), str(self._path)])

    def _get(self, at: int) -> int:
        value: int = struct.unpack_from("<q", self._page, at)[0]
        return value

    def _put(self, at: int, value: int) -> None:
        struct.pack_into("<q", self._page, at, value)

    @property
    def environ(self) -> dict[str, str]:
        return {"LD_PRELOAD": str(self._library), "FAST_CLOCK": str(self._path)}

    @property
    def speed(self) -> float:
        return self._get(_SPEED) / 1000

    @speed.setter
    def speed(self, times: float) -> None:
        self._put(_SPEED, round(times * 1000))

    @property
    def mono_s(self) -> float:
        return self._get(_MONO) / NS

    @property
    def held_up_s(self) -> float:
        """Of the world's time: how long this one stood still, since work was in hand."""
        return self._get(_HELD_UP) / NS

    def now(self) -> datetime:
        """The wall clock's, right or wrong."""
        return datetime.fromtimestamp((self._get(_MONO) + self._get(_OFFSET)) / NS, UTC)

    def set_wall(self, by: timedelta) -> None:
        """The wall clock alone is set, as by hand or by the network."""
        self._put(_OFFSET, self._get(_OFFSET) + round(by.total_seconds() * NS))

    def skip(self, span: timedelta) -> None:
        """Time passes in one leap: for when nothing runs."""
        speed, self.speed = self.speed, 0
        time.sleep(0.005)  # the pacemaker's step that may be under way
        self._put(_MONO, self._get(_MONO) + round(span.total_seconds() * NS))
        self.speed = speed

    def sleep(self, seconds: float) -> None:
        until = self.mono_s + seconds
        while (left := until - self.mono_s) > 0:
            assert self._process.poll() is None, "the clock stands"
            time.sleep(min(max(left / max(self.speed, 1.0), 0.001), 0.02))

    def add(self, pid: int) -> None:
        """A process that lives in the world's time: this one stands still while it works, all the same."""
        free = struct.unpack_from(f"<{_MOST_PROCESSES}i", self._page, _PIDS).index(0)
        struct.pack_into("<i", self._page, _PIDS + 4 * free, pid)

    def processes(self) -> list[int]:
        """That live by this clock; some may have ended already."""
        return [pid for pid in struct.unpack_from(f"<{_MOST_PROCESSES}i", self._page, _PIDS) if pid]

    def end(self) -> None:
        self._process.kill()
        self._process.wait()


def environ_of(clock: FastClock, more: dict[str, str]) -> dict[str, str]:
    """The environment of a process that lives by the clock, without the caller's own settings."""
    inherited = {key: value for key, value in os.environ.items() if not key.startswith("ROWWATER_")}
    return {**inherited, **clock.environ, **more}
