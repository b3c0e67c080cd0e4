"""Now, on both clocks, and whether the wall clock's word is taken for it."""

from __future__ import annotations

import os
import time
from datetime import datetime
from zoneinfo import ZoneInfo

from scheduler.service import clock_trust
from scheduler.service.actions import Moment
from scheduler.service.brief import Brief
from scheduler.service.settings import Settings


class Moments:
    """The clocks of this computer, read for one site."""

    def __init__(self, settings: Settings, brief: Brief) -> None:
        self._settings = settings
        self._trust = clock_trust.Trust()
        self.stepped_s: float | None = None  # how far the wall clock was set before the last `now`
        self.use(brief)

    def use(self, brief: Brief) -> None:
        self.zone = ZoneInfo(brief.timezone)
        self._trust.rtc = brief.service.get("clock") == "rtc"

    def local(self) -> datetime:
        """The wall clock's time, right or wrong."""
        return datetime.now(self.zone)

    def now(self, newest_s: float) -> Moment:
        """newest_s: the latest moment on record."""
        mono, wall = time.monotonic(), time.time()
        self._trust.record(newest_s)
        verdict = self._trust.judge(wall, mono, self._synchronised())
        self.stepped_s = verdict.stepped_s
        at = datetime.fromtimestamp(verdict.wall_s, self.zone)
        return Moment(at, mono, verdict.trusted, verdict.why_not, verdict.dated)

    def _synchronised(self) -> bool:
        return os.path.exists(self._settings.witness) or (  # noqa: PTH110 - on every tick, and half the price
            self._settings.ask_kernel and clock_trust.kernel_synchronised()
        )
