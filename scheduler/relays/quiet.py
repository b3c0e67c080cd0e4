"""Whether the last process to drive the valves left a close behind that may still take effect.

A mark in the data folder says that it left none. It is away while anybody drives them, so a kill leaves none.
"""

from __future__ import annotations

import contextlib
from pathlib import Path

from scheduler.disk import write_atomic
from scheduler.errors import CouldNot
from scheduler.relays.specs import VALVES

MARK = "valves.quiet"


def begin(folder: Path) -> bool:
    """Take the mark away before the first command; whether the last process left nothing behind."""
    try:
        (folder / MARK).unlink()
    except FileNotFoundError:
        return not (folder / VALVES).exists()  # the first of all
    except OSError:
        return False
    return True


def begin_unlisted(folder: Path) -> bool:
    """The same of who lists no valves: an empty list is left, so that the next is not the first of all."""
    was_quiet = begin(folder)
    if not (folder / VALVES).exists():
        with contextlib.suppress(CouldNot):  # a full disk: nothing opens there either
            write_atomic(folder / VALVES, "[]", mode=0o664)
    return was_quiet


def end(folder: Path) -> None:
    """Nothing is left behind. A disk that does not take the mark makes the next start wait a little."""
    with contextlib.suppress(OSError):
        (folder / MARK).touch()
