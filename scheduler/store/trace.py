"""What was opened and closed, once more beside the database: by this older records in its place are noticed.

A line is added when the database has the same on disk, never before: so what stands here and not there was
lost there, whatever a clock says. A trace that is gone, or has spoilt lines, knows less; that is all.
"""

from __future__ import annotations

import json
import logging
import os
import stat
import zlib
from collections.abc import Mapping
from contextlib import suppress
from datetime import datetime
from pathlib import Path
from typing import Any

from scheduler.disk import write_atomic
from scheduler.errors import CouldNot
from scheduler.json_reading import read_json

log = logging.getLogger(__name__)

FILE = "openings.trace"
MOST_BYTES = 200_000  # weeks; then the older half goes


def add(folder: Path, line: Mapping[str, Any]) -> None:
    """On disk when this returns; where that cannot be, only the log says so: the record itself stands."""
    path = folder / FILE
    text = json.dumps(line, allow_nan=False)
    try:
        # between line ends of its own: a line that a power cut tore takes no other with it
        _replace_what_is_no_file(path)
        flags = (
            os.O_WRONLY | os.O_APPEND | os.O_CREAT | os.O_NOFOLLOW | os.O_NONBLOCK
        )  # a pipe is not waited for
        fd = os.open(path, flags, 0o660)
        try:
            os.write(fd, f"\n{_sum(text)} {text}\n".encode())
            os.fsync(fd)
            full = os.fstat(fd).st_size > MOST_BYTES
        finally:
            os.close(fd)
        if full:
            lines = path.read_bytes().split(b"\n")
            write_atomic(path, b"\n".join(lines[len(lines) // 2 :]))
    except (OSError, CouldNot) as problem:
        log.warning("%s: not written: %s", path, problem)


def read(folder: Path) -> list[dict[str, Any]]:
    """The whole lines, in order."""
    found = []
    with suppress(OSError):
        if not stat.S_ISREG((folder / FILE).lstat().st_mode):  # a pipe would be waited for
            return []
        for line in (folder / FILE).read_bytes().split(b"\n"):
            checked, _, text = line.decode(errors="replace").partition(" ")
            if text and checked == _sum(text):
                found.append(read_json(text))
    return found


def _replace_what_is_no_file(path: Path) -> None:
    """A link or a pipe in its place would keep openings from being remembered. A folder stays. OSError."""
    with suppress(FileNotFoundError):
        mode = path.lstat().st_mode
        if not (stat.S_ISREG(mode) or stat.S_ISDIR(mode)):
            log.warning("%s: was no file, and is replaced by one", path)
            path.unlink()


def unclosed(folder: Path) -> list[tuple[str, datetime]]:
    """Valve and moment of each opening that no closing followed, in order."""
    lines = read(folder)
    closed = {line["closing"]["opening"] for line in lines if line.get("closing")}
    opened = [line["openings"][0] for line in lines if line.get("openings")]
    return [
        (row["valve"], datetime.fromisoformat(row["recorded_at"]))
        for row in opened
        if row["opening"] not in closed
    ]


def _sum(text: str) -> str:
    return f"{zlib.crc32(text.encode()):08x}"
