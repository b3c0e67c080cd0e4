"""What other threads have put into a queue."""

from __future__ import annotations

import contextlib
import queue
from typing import TypeVar

T = TypeVar("T")


def drained(waiting: queue.SimpleQueue[T]) -> list[T]:
    """All that is in it now, oldest first; never waits."""
    found: list[T] = []
    with contextlib.suppress(queue.Empty):
        while True:
            found.append(waiting.get_nowait())
    return found
