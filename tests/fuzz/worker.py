"""Plays one hostile case after another: `python worker.py`, a JSON line in, a JSON line out.

Each case is a fork with bounds of its own, so that a hang or a hunger for memory is told and not suffered.
"""

from __future__ import annotations

import base64
import contextlib
import importlib
import json
import os
import resource
import signal
import sys
import tempfile
import time
import traceback
from collections.abc import Mapping
from pathlib import Path
from typing import Any

import called  # noqa: F401 - loaded before the forks, as are those below
import pandas  # noqa: F401
import pyet  # noqa: F401

import scheduler.daily
import scheduler.garden.file
import scheduler.pages.check
import scheduler.pages.weather
import scheduler.planning.season  # noqa: F401
from scheduler.cli.main import main
from scheduler.errors import RowwaterError

SECONDS = 10.0
MEMORY = 300_000_000
"""Bytes that a case may take beside what the program's own code takes."""


def play(case: Mapping[str, Any]) -> dict[str, Any]:
    """{"status", "out", "err", "seconds"}; status -1 is a hang, less than that a signal, 70 a defect."""
    with tempfile.TemporaryFile("w+") as out, tempfile.TemporaryFile("w+") as err:
        begin = time.monotonic()
        child = os.fork()
        if not child:
            os.dup2(out.fileno(), 1)
            os.dup2(err.fileno(), 2)
            sys.stdout, sys.stderr = (os.fdopen(number, "w", closefd=False) for number in (1, 2))
            resource.setrlimit(resource.RLIMIT_AS, (_size() + MEMORY, resource.RLIM_INFINITY))
            _end(_played(case))
        status = _waited(child, begin + SECONDS)
        out.seek(0)
        err.seek(0)
        return {
            "status": status,
            "out": out.read(200_000),
            "err": err.read(20_000),
            "seconds": time.monotonic() - begin,
        }


def _size() -> int:
    return int(Path("/proc/self/statm").read_text().split()[0]) * resource.getpagesize()


def _played(case: Mapping[str, Any]) -> int:
    for name, text in case.get("files", {}).items():
        Path(name).parent.mkdir(exist_ok=True)
        Path(name).write_bytes(base64.b64decode(text))
    try:
        if "argv" in case:
            main(case["argv"])
        else:
            module, _, name = case["call"].rpartition(".")
            print(getattr(importlib.import_module(module), name)(*map(_argument, case["args"])))
    except SystemExit as end:
        return int(end.code or 0)
    except RowwaterError as error:
        print(error.text, file=sys.stderr)
        return error.exit_status
    except BaseException as error:
        allowed = case.get("allowed", ())
        traceback.print_exc()
        return 2 if type(error).__name__ in allowed else 70
    return 0


def _argument(one: Any) -> Any:
    return base64.b64decode(one["bytes"]) if isinstance(one, dict) and "bytes" in one else one


def _end(status: int) -> None:
    for stream in (sys.stdout, sys.stderr):
        with contextlib.suppress(Exception):
            stream.flush()
    os._exit(status)


def _waited(child: int, deadline: float) -> int:
    pause, before = 0.002, 0.0
    while True:
        pid, status = os.waitpid(child, os.WNOHANG)
        if pid:
            return os.waitstatus_to_exitcode(status)
        if time.monotonic() >= deadline:
            state, cpu = _seen(child)
            stands = state == "S" and cpu == before  # waits for something that never comes
            if stands or cpu >= SECONDS / 2:
                os.kill(child, signal.SIGKILL)
                os.waitpid(child, 0)
                return -1
            deadline, before = time.monotonic() + SECONDS, cpu  # a crowded machine or disk is no hang
        time.sleep(pause)
        pause = min(pause * 1.5, 0.05)


def _seen(child: int) -> tuple[str, float]:
    """State and CPU seconds."""
    fields = Path(f"/proc/{child}/stat").read_text().rpartition(")")[2].split()
    return fields[0], (int(fields[11]) + int(fields[12])) / os.sysconf("SC_CLK_TCK")


if __name__ == "__main__":
    answers = os.fdopen(os.dup(1), "w")
    for line in sys.stdin:
        print(json.dumps(play(json.loads(line))), file=answers, flush=True)
