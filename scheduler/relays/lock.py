"""Only one process drives the valves.

By a lock that belongs to the process alone (fcntl(2), POSIX record locks): a child that outlives it, and has
inherited its descriptors, holds nothing. The kernel gives such a lock up when its process closes any
descriptor of the file, so nothing else here may open it.

A killed process whose last write hangs in a failing card keeps its locks until that ends, though it never
runs again. So there are several places: whoever finds one in the hands of the dead takes the next, and drives
only when no living process has any of them.
"""

from __future__ import annotations

import fcntl
import os
import struct
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path
from typing import Literal, NamedTuple

from scheduler.errors import CouldNot

FILE = "valves.lock"
PLACES = 8
_FLOCK = "hhqqi0q"  # struct flock: type, whence, start, length, process
_here: dict[str, str] = {}  # by file, for whom this process holds it: its own locks never stand in its way


class Held(CouldNot):
    """The valves cannot be had. driven: by a process that runs, and closes them itself."""

    def __init__(self, text: str, *, hint: str, driven: bool) -> None:
        super().__init__(text, hint=hint)
        self.driven = driven


class Holder(NamedTuple):
    pid: int
    kind: Literal["drives", "stopped", "dead", "foreign"]


@contextmanager
def hold_valves(folder: Path, who: str) -> Iterator[None]:
    """Raises Held, naming the holder, while another process holds them. The kernel lets go when a process
    ends, however it ends; the file itself stays and means nothing.
    """
    path = Path(os.path.realpath(folder)) / FILE
    if str(path) in _here:
        raise _held(Holder(os.getpid(), "drives"), _here[str(path)])
    try:
        folder.mkdir(parents=True, exist_ok=True)
        fd = os.open(path, os.O_RDWR | os.O_CREAT | os.O_NOFOLLOW, 0o664)
    except OSError as error:
        raise Held(
            f"{path} cannot be locked ({error.strerror or error}): another process might drive the valves",
            hint=f"look at the rights on it, and on {folder}",
            driven=False,
        ) from error
    try:
        _take_a_place(fd)
        with suppress(OSError):  # somebody else's file, a full disk: rights and words are for people
            os.fchmod(fd, 0o664)
            os.ftruncate(fd, 0)
            os.pwrite(fd, f"{who}, process {os.getpid()}\n".encode(), 0)
        _here[str(path)] = f"{who}, process {os.getpid()}"
        yield
    finally:
        _here.pop(str(path), None)
        os.close(fd)


def _take_a_place(fd: int) -> None:
    """Held where somebody has one who is not dead. Of two that come at once, at least one sees the other."""
    place = next((place for place in range(PLACES) if _lock(fd, place)), None)
    others = [found for at in range(PLACES) if at != place and (found := holder(fd, at))]
    if kept := next((one for one in others if one.kind != "dead"), None):
        raise _held(kept, os.pread(fd, 200, 0).decode("utf-8", errors="replace").strip())
    if place is None:
        raise _held(Holder(0, "dead"), "")


def _lock(fd: int, place: int) -> bool:
    try:
        fcntl.lockf(fd, fcntl.LOCK_EX | fcntl.LOCK_NB, 1, place)
    except (BlockingIOError, PermissionError):
        return False
    return True


def holder(fd: int, place: int) -> Holder | None:
    """Which other process has a lock on this place, by the kernel's word."""
    wanted = struct.pack(_FLOCK, fcntl.F_WRLCK, os.SEEK_SET, place, 1, 0)
    kind, _, _, _, pid = struct.unpack(_FLOCK, fcntl.fcntl(fd, fcntl.F_GETLK, wanted))
    return None if kind == fcntl.F_UNLCK else Holder(pid, _kind(pid))


def _kind(pid: int) -> Literal["drives", "stopped", "dead", "foreign"]:
    """A process that cannot be looked at (another user's) is taken for one that drives."""
    try:
        state = Path(f"/proc/{pid}/stat").read_text(errors="replace").rpartition(")")[2].split()[0]
        words = Path(f"/proc/{pid}/cmdline").read_bytes()
    except OSError:
        return "drives"
    if state in "ZX":
        return "dead"
    programs = [Path(os.fsdecode(word)).name for word in words.split(b"\0")[:2]]
    if b"scheduler." not in words and "rowwater" not in programs:
        return "foreign"
    return "stopped" if state in "Tt" else "drives"


def _held(by: Holder, words: str) -> Held:
    """words: what a holder wrote into the file; they may be an older one's."""
    if by.kind == "dead":
        return Held(
            f"the valves were held by {PLACES} processes that were killed and do not go away: the disk hangs",
            hint="restart the computer",
            driven=False,
        )
    name = words if words.endswith(f"process {by.pid}") else f"process {by.pid}{_called(by.pid)}"
    more = {"stopped": ", which is stopped (SIGCONT wakes it)", "foreign": ", which is none of rowwater's"}
    return Held(
        f"the valves are in other hands: {name}{more.get(by.kind, '')}",
        hint="stop that one first",
        driven=by.kind == "drives",
    )


def _called(pid: int) -> str:
    try:
        words = Path(f"/proc/{pid}/cmdline").read_bytes().split(b"\0")[:-1]
    except OSError:
        return ""
    return f" ({b' '.join(words)[:80].decode(errors='replace')})" if words else ""
