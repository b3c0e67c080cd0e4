"""Guards of earlier starts: they close valves for a process that died, and would close a new one's runs too.

Found by their command line, which names the data folder: so none is missed that its parent, killed in that
very moment, could not write down any more, and no number that now is another process's is taken for one.
"""

from __future__ import annotations

import contextlib
import logging
import os
import signal
from dataclasses import dataclass
from pathlib import Path

log = logging.getLogger("rowwater")

WAIT_S = 60.0  # a guard that takes longer has a valve that does not confirm: this process tells it too
STILL_S = 12.0  # how long a close that an ended guard had sent may still be on its way
GUARD_MODULE = b"scheduler.service.guard"


@dataclass(frozen=True, slots=True)
class Process:
    """began: by the kernel's clock. No other process ever has the same pair."""

    pid: int
    began: str

    def lives(self) -> bool:
        return _began(self.pid) == self.began

    def kill(self) -> None:
        """The handle is taken before the look: a number that goes to another one meanwhile hits nobody."""
        with contextlib.suppress(OSError):
            handle = os.pidfd_open(self.pid)
            try:
                if self.lives():
                    signal.pidfd_send_signal(handle, signal.SIGKILL)
            finally:
                os.close(handle)


def argument(data: Path) -> list[str]:
    """What a guard of this data folder has on its command line."""
    return ["--data", os.path.realpath(data)]


def guards_of(data: Path) -> list[Process]:
    words = [GUARD_MODULE, *map(os.fsencode, argument(data))]
    found = []
    with contextlib.suppress(OSError):  # nothing holds up the closing of valves, which comes next
        for folder in Path("/proc").iterdir():
            if folder.name.isdecimal() and _words(folder)[-len(words) :] == words:
                pid = int(folder.name)
                if began := _began(pid):
                    found.append(Process(pid, began))
    return found


class EarlierGuards:
    """Waited for, and ended where they would go on for too long. `now`: of one monotonic clock."""

    def __init__(self, data: Path, now: float) -> None:
        self._left = guards_of(data)
        self._until = now + WAIT_S
        self._still_until: float | None = None

    def blocked(self, now: float) -> str | None:
        """Why no valve may open on their account. Every valve has been told to close by then."""
        self._left = [guard for guard in self._left if guard.lives()]
        if self._left and now >= self._until:
            self._still_until = self._still_until or now + STILL_S
            for guard in self._left:
                log.warning("ending process %d, the guard of an earlier start", guard.pid)
                guard.kill()
        if self._left or (self._still_until is not None and now < self._still_until):
            return "the guard of an earlier start still closes valves"
        return None


def _words(process: Path) -> list[bytes]:
    try:
        return (process / "cmdline").read_bytes().split(b"\0")[:-1]
    except OSError:
        return []


def _began(pid: int) -> str | None:
    """None where it does not live: one that ended, and waits for its parent to notice, closes nothing."""
    try:
        stat = Path(f"/proc/{pid}/stat").read_text(encoding="utf-8", errors="replace")
    except OSError:
        return None
    state, *fields = stat.rpartition(")")[2].split()  # its name, in brackets, may hold anything
    return None if state in "ZX" else fields[18]
