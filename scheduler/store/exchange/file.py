"""A facts file on the disk: written whole or not at all, read line by line."""

from __future__ import annotations

import os
from collections.abc import Iterable, Iterator
from pathlib import Path
from typing import BinaryIO

from scheduler.disk import sync_folder
from scheduler.errors import CouldNot
from scheduler.store.exchange.kinds import FORMAT, LONGEST_LINE
from scheduler.store.failures import explained


def write_facts(to: Path, lines: Iterable[str]) -> int:
    """How many facts were written. CouldNot for a file that is there and is no facts file: it stays."""
    to = to.absolute()
    with explained(to):
        if to.exists() and not _is_one(to):
            raise CouldNot(f"{to} is no older export; it is left as it is", hint="name another file")
        part = to.with_name(f".{to.name}.{os.getpid()}.part")
        many = -1
        try:
            with part.open("w", encoding="ascii", newline="\n") as file:
                for line in lines:
                    file.write(line)
                    many += 1
                file.flush()
                os.fsync(file.fileno())
            part.replace(to)
        finally:
            part.unlink(missing_ok=True)
        sync_folder(to.parent)
    return many


def _is_one(path: Path) -> bool:
    if not path.is_file():
        return False
    with path.open("rb") as file:
        return file.read(64).startswith(b'{"format": "' + FORMAT.encode())


def lines_of(file: BinaryIO) -> Iterator[bytes]:
    """One after the other; of one that is longer than any may be only the beginning."""
    while line := file.readline(LONGEST_LINE + 1):
        yield line
