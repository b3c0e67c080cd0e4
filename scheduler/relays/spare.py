"""What the close of a valve needs, taken before it opens: a process that is started, a socket that is made.

When the table of processes, descriptors or memory is full, an open valve must still be closed. So each open
takes first what its close will use; where that cannot be had, nothing is opened.
"""

from __future__ import annotations

import contextlib
import os
import queue
import signal
import socket
import subprocess
import threading
from collections.abc import Callable, Mapping, Sequence

_WAIT = ("/bin/sh", "-c", 'read _ && exec "$@"', "rowwater")
"""Waits for a line, and becomes the program that is named after it; ends where the pipe ends without one."""


class SpareProgram:
    """A process that has all it needs to become a program, and waits for the word.

    `program` is its handle; `ended_fd` is readable once it has ended.
    """

    def __init__(self, argv: Sequence[str], environ: Mapping[str, str]) -> None:
        """Raises OSError where it cannot be had."""
        self.program = subprocess.Popen(
            [*_WAIT, *argv],
            env=environ,
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            stderr=subprocess.STDOUT,
            start_new_session=True,
        )
        try:
            self.ended_fd = os.pidfd_open(self.program.pid)
        except BaseException:
            self._kill()
            raise

    @property
    def waits(self) -> bool:
        """False once it has ended: somebody killed it."""
        return self.program.poll() is None

    def go(self) -> None:
        """Say the word. OSError where nobody hears it."""
        stdin = self.program.stdin
        assert stdin is not None
        with contextlib.closing(stdin):
            os.write(stdin.fileno(), b"\n")

    def give_up(self) -> None:
        """It is not needed after all."""
        self._kill()
        os.close(self.ended_fd)

    def _kill(self) -> None:
        if self.waits:  # else its number may be another's by now
            os.killpg(self.program.pid, signal.SIGKILL)
            self.program.wait()
        for end in (self.program.stdin, self.program.stdout):
            assert end is not None
            end.close()


class SpareSocket:
    """A socket that is made, and the address of a server that was reached a moment ago."""

    def __init__(self, reached: socket.socket) -> None:
        """As of a connection to that server. Raises OSError where it cannot be had."""
        self._address = reached.getpeername()
        self._family = reached.family
        self._made: socket.socket | None = self._new()

    def connect(self, seconds: float) -> socket.socket:
        """The first time it needs no descriptor. Raises OSError."""
        link, self._made = self._made or self._new(), None
        try:
            link.settimeout(seconds)
            link.connect(self._address)
        except BaseException:
            link.close()
            raise
        return link

    def give_up(self) -> None:
        if self._made is not None:
            self._made.close()

    def _new(self) -> socket.socket:
        return socket.socket(self._family, socket.SOCK_STREAM)


class SpareThread:
    """A thread that is started, and does one thing after the other; where it hangs, another is started."""

    def __init__(self, name: str) -> None:
        self._name = name
        self._work: queue.SimpleQueue[Callable[[], None] | None] | None = None
        self._idle = threading.Event()

    def prepare(self) -> None:
        """Have one that waits. Raises RuntimeError where no thread can be started."""
        if self._work is not None and self._idle.is_set():
            return
        self.give_up()
        work: queue.SimpleQueue[Callable[[], None] | None] = queue.SimpleQueue()
        idle = threading.Event()
        idle.set()
        threading.Thread(target=_work, args=(work, idle), name=self._name, daemon=True).start()
        self._work, self._idle = work, idle

    def do(self, task: Callable[[], None]) -> None:
        """Comes back at once; only where no thread is left, the caller does it."""
        try:
            self.prepare()
        except RuntimeError:
            task()
            return
        assert self._work is not None
        self._idle.clear()
        self._work.put(task)

    def give_up(self) -> None:
        """It ends when it is done."""
        if self._work is not None:
            self._work.put(None)
        self._work = None


def _work(work: queue.SimpleQueue[Callable[[], None] | None], idle: threading.Event) -> None:
    while (task := work.get()) is not None:
        task()
        idle.set()
