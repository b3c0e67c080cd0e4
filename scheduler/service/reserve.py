"""What is kept back so that valves can be closed, and whether enough is left to open one.

The drivers take what their first close needs before they open (`relays/spare`). This is for what comes after:
a close that is tried again, a connection to the broker made anew, and what Python itself needs on the way.
"""

from __future__ import annotations

import contextlib
import functools
import mmap
import os
import threading
import time
from collections.abc import Callable, Iterator
from typing import ParamSpec, TypeVar

P = ParamSpec("P")
R = TypeVar("R")

FOR_A_CLOSE = 6  # descriptors: a program needs two pipes, a handle, and one to tell that it could not start
AT_ONCE = 4  # closes that find their share, side by side
TO_OPEN = 24  # descriptors that must be free beside the reserve before a valve opens
BALLAST_BYTES = 32 << 20  # of address space; untouched, so no memory
LOOK_S = 5.0
IDLE_LOOK_S = 15.0
SHORT_LOOK_S = 1.0  # while something is short

FILES = "no more files or connections can be opened (file descriptors)"
THREADS = "no more threads or processes can be started"
MEMORY = "no more memory can be had"


class Reserve:
    """Descriptors and address space. May be used from several threads."""

    def __init__(self, *, clock: Callable[[], float] = time.monotonic) -> None:
        self._clock = clock
        self._lock = threading.Lock()
        self._held: list[int] = []
        self._ballast: mmap.mmap | None = None
        self._next_look = float("-inf")
        self._short: str | None = None
        self._filled()

    @contextlib.contextmanager
    def freed(self) -> Iterator[None]:
        """A share of it is there for whoever needs it; taken back afterwards."""
        with self._lock:
            if self._ballast is not None:
                self._ballast.close()
                self._ballast = None
            for _ in range(min(FOR_A_CLOSE, len(self._held))):
                os.close(self._held.pop())
        try:
            yield
        finally:
            with self._lock:
                if self._filled() is not None:
                    self._next_look = float("-inf")

    def spent_on(self, work: Callable[P, R]) -> Callable[P, R]:
        """`work`, with a share of it at hand each time: what is short must be written down as well."""

        @functools.wraps(work)
        def with_share(*args: P.args, **kwargs: P.kwargs) -> R:
            with self.freed():
                return work(*args, **kwargs)

        return with_share

    def short(self, *, idle: bool = False) -> str | None:
        """What is short, so that nothing may open; None where all is well. Cheap enough for every tick."""
        now = self._clock()
        if now >= self._next_look:
            with self._lock:
                self._short = self._filled() or _short()
            self._next_look = now + _pause_s(self._short, idle=idle)
        return self._short

    def give_up(self) -> None:
        """All of it."""
        with self._lock:
            while self._held:
                os.close(self._held.pop())
            if self._ballast is not None:
                self._ballast.close()
                self._ballast = None

    def _filled(self) -> str | None:
        """Take what is missing of it; what cannot be had."""
        try:
            while len(self._held) < FOR_A_CLOSE * AT_ONCE:
                self._held.append(os.open(os.devnull, os.O_RDONLY))
        except OSError:
            return FILES
        try:
            self._ballast = self._ballast or mmap.mmap(-1, BALLAST_BYTES)
        except (OSError, MemoryError):
            return MEMORY
        return None


def _pause_s(short: str | None, *, idle: bool) -> float:
    if short is not None:
        return SHORT_LOOK_S
    return IDLE_LOOK_S if idle else LOOK_S


def _short() -> str | None:
    """By trying."""
    with contextlib.ExitStack() as tried:
        try:
            for _ in range(TO_OPEN):
                tried.callback(os.close, os.open(os.devnull, os.O_RDONLY))
        except OSError:
            return FILES
    try:
        mmap.mmap(-1, BALLAST_BYTES).close()
        thread = threading.Thread(target=_nothing, name="can one start", daemon=True)
    except (OSError, MemoryError):
        return MEMORY
    try:
        thread.start()
    except (RuntimeError, MemoryError):
        return THREADS
    thread.join()
    return None


def _nothing() -> None:
    pass
