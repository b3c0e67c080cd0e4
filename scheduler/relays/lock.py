"""Only one process drives the valves."""

from __future__ import annotations

import fcntl
import os
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from scheduler.errors import CouldNot

FILE = "valves.lock"


@contextmanager
def hold_valves(folder: Path, who: str) -> Iterator[None]:
    """Raises CouldNot, naming the holder, while another process holds them. The kernel lets go when a process
    ends, however it ends; the file itself stays and means nothing.
    """
    folder.mkdir(parents=True, exist_ok=True)
    fd = os.open(folder / FILE, os.O_RDWR | os.O_CREAT, 0o664)
    try:
        try:
            fcntl.flock(fd, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except BlockingIOError:
            holder = os.pread(fd, 200, 0).decode("utf-8", errors="replace").strip() or "another process"
            raise CouldNot(f"the valves are in other hands: {holder}", hint="stop that one first") from None
        os.ftruncate(fd, 0)
        os.pwrite(fd, f"{who}, process {os.getpid()}\n".encode(), 0)
        yield
    finally:
        os.close(fd)
