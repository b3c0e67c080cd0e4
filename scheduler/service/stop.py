"""That the service is to end: a signal, or a failure of its own."""

from __future__ import annotations

import signal
import threading
from types import FrameType


class Stop:
    """`why` is None until somebody asks; waiting ends at once then."""

    def __init__(self) -> None:
        self.why: str | None = None
        self._asked = threading.Event()

    def ask(self, why: str) -> None:
        self.why = why
        self._asked.set()

    def look(self) -> None:
        """Something has failed: whoever waits looks what."""
        self._asked.set()

    def wait(self, seconds: float) -> None:
        self._asked.wait(seconds)

    def listen(self) -> None:
        """To the signals that end a service. From the main thread."""

        def stop(number: int, _: FrameType | None) -> None:
            self.ask(signal.Signals(number).name)

        for number in (signal.SIGTERM, signal.SIGINT, signal.SIGHUP):
            signal.signal(number, stop)
