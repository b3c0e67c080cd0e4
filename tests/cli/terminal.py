"""Runs the command line many times, each time with other streams: `python terminal.py CONDITION`.

Reads {call: arguments} as JSON from stdin; prints {call: [status, stdout, stderr]}. Each call is a fork, so
that it has file descriptors of its own and the libraries are loaded once.
"""

from __future__ import annotations

import json
import os
import pty
import sys
from collections.abc import Callable
from contextlib import suppress
from pathlib import Path
from tempfile import TemporaryFile

import pandas  # noqa: F401 - loaded before the forks, as are those below
import pyet  # noqa: F401

import scheduler.daily
import scheduler.garden.file
import scheduler.pages.changeover
import scheduler.pages.parts
import scheduler.store.store  # noqa: F401
from scheduler.cli.main import main


def closed() -> None:
    for number, name in enumerate(("stdin", "stdout")):
        os.close(number)
        setattr(sys, name, None)  # as Python finds it at its start


def full() -> None:
    _stdout_to(os.open("/dev/full", os.O_WRONLY))


def unread() -> None:
    """A pipe whose reader has gone."""
    reader, writer = os.pipe()
    os.close(reader)
    _stdout_to(writer)


def _stdout_to(descriptor: int) -> None:
    os.dup2(descriptor, 1)
    sys.stdout = open(1, "w", closefd=False)


CONDITIONS: dict[str, Callable[[], None]] = {"closed": closed, "full": full, "unread": unread}


def run(arguments: list[str], condition: str) -> tuple[int, str, str]:
    """One call; `terminal` is a terminal on both outputs, whose text comes back as stdout."""
    if condition == "terminal":
        return _on_a_terminal(arguments)
    with TemporaryFile("w+") as err:
        child = os.fork()
        if not child:
            os.dup2(err.fileno(), 2)
            sys.stderr = open(2, "w", closefd=False)
            CONDITIONS[condition]()
            _call(arguments)
        status = os.waitstatus_to_exitcode(os.waitpid(child, 0)[1])
        err.seek(0)
        return status, "", err.read()


def _on_a_terminal(arguments: list[str]) -> tuple[int, str, str]:
    child, terminal = pty.fork()
    if not child:
        sys.stdin, sys.stdout, sys.stderr = open(0, closefd=False), open(1, "w"), open(2, "w")
        _call(arguments)
    said = b""
    with suppress(OSError):  # Linux: the terminal is gone
        while chunk := os.read(terminal, 65536):
            said += chunk
    status = os.waitstatus_to_exitcode(os.waitpid(child, 0)[1])
    os.close(terminal)
    return status, said.decode(), ""


def _call(arguments: list[str]) -> None:
    """As the shell would have it, exit and all."""
    status = 70
    try:
        main(arguments)
    except SystemExit as end:
        status = int(end.code or 0)
    except BaseException:
        sys.excepthook(*sys.exc_info())
    with suppress(Exception):
        sys.stdout.flush()
    with suppress(Exception):
        sys.stderr.flush()
    os._exit(status)


if __name__ == "__main__":
    calls = json.load(sys.stdin)
    answers = {}
    for name, arguments in calls.items():
        answers[name] = run(arguments, sys.argv[1])
        for left in Path.cwd().glob("new*"):
            left.unlink()
    print(json.dumps(answers))
