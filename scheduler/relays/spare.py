"""What the close of a valve needs, taken before it opens: a process that is started, a socket that is made.

When the table of processes, descriptors or memory is full, an open valve must still be closed. So each open
takes first what its close will use; where that cannot be had, nothing is opened.
"""

from __future__ import annotations

import contextlib
import os
import signal
import subprocess
from collections.abc import Mapping, Sequence

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
