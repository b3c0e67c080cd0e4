"""A child process with a deadline, in a session of its own so that nothing of it is left behind."""

from __future__ import annotations

import contextlib
import os
import signal
import subprocess
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass

MOST_BYTES = 20_000_000


@dataclass(frozen=True, slots=True)
class Ended:
    """How a child ended. status: None where it had to be killed, or could not be started."""

    status: int | None
    out: str
    err: str


Run = Callable[[Sequence[str], float], Ended]


def run_child(argv: Sequence[str], limit_s: float, *, environ: Mapping[str, str] | None = None) -> Ended:
    """Waits for the child, and for all that it prints."""
    return _run(argv, limit_s, environ, None, subprocess.PIPE)


def tell_child(argv: Sequence[str], limit_s: float, text: str, *, environ: Mapping[str, str]) -> Ended:
    """Hands `text` to the child and waits for it; what it prints is dropped."""
    return _run(argv, limit_s, environ, text.encode(), subprocess.DEVNULL)


def _run(
    argv: Sequence[str], limit_s: float, environ: Mapping[str, str] | None, text: bytes | None, output: int
) -> Ended:
    """When the time is over the child and its own children are killed."""
    try:
        child = subprocess.Popen(
            argv,
            stdin=subprocess.DEVNULL if text is None else subprocess.PIPE,
            stdout=output,
            stderr=output,
            start_new_session=True,
            env=environ,
        )
    except OSError as error:
        return Ended(None, "", f"{argv[0]}: {error.strerror or error}")
    try:
        out, err = child.communicate(text, timeout=limit_s)
    except subprocess.TimeoutExpired:
        _kill_group(child)
        child.communicate()
        return Ended(None, "", f"took longer than {limit_s:.0f} s")
    _kill_group(child)  # what it left behind
    return Ended(child.returncode, _text(out), _text(err))


def _text(output: bytes | None) -> str:
    return (output or b"")[:MOST_BYTES].decode(errors="replace")


def _kill_group(child: subprocess.Popen[bytes]) -> None:
    """The child, if it still runs, and all its own children that stayed in its session's group."""
    with contextlib.suppress(ProcessLookupError):
        os.killpg(child.pid, signal.SIGKILL)
