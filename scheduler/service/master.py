"""The master valve: open a while before the first zone and after the last, and never beyond its own cap."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from scheduler.service.actions import Close, MasterRule, Open, OpenRun


@dataclass(slots=True)
class Master:
    """Its state. Pure; times are monotonic seconds."""

    opened: float | None = None  # confirmed open since
    until: float = 0.0  # its own cap ends it then
    asked: bool = False  # it was told something, and has not answered

    def ready(self, rule: MasterRule, mono: float, seconds: float) -> bool:
        """Whether a zone may be opened now for so long."""
        return (
            self.opened is not None
            and mono >= self.opened + rule.opens_before_s
            and mono + seconds <= self.until
        )

    def drive(
        self,
        rule: MasterRule,
        mono: float,
        *,
        waiting: Sequence[OpenRun],
        flowing: bool,
        closed: bool,
        idle_since: float,
    ) -> Open | Close | None:
        """What it is to be told now.

        waiting: runs that are recorded and wait for it; flowing: a zone is open, or may be; closed: its
        own close is confirmed; idle_since: when the last zone closed.
        """
        if self.asked:
            return None
        if self.opened is None:
            return self._open(rule, mono, waiting[0].opening.uid) if waiting and closed else None
        if flowing:
            return None
        if waiting:  # its cap would cut them: it is closed, and then opened for them again
            close = mono + max(run.opening.seconds for run in waiting) > self.until
        else:
            close = mono >= idle_since + rule.closes_after_s
        if close:
            self.opened, self.asked = None, True
            return Close(rule.key, "no zone is open")
        return None

    def _open(self, rule: MasterRule, mono: float, uid: str) -> Open:
        self.asked, self.until = True, mono + rule.cap_s
        return Open(rule.key, f"master {uid}", rule.cap_s)

    def is_open(self, mono: float) -> None:
        """It reports that it opened."""
        self.asked, self.opened = False, mono

    def is_closed(self) -> bool:
        """It reports that it closed; True where nobody told it to: by its cap, or by the guard."""
        unasked = self.opened is not None
        self.asked, self.opened = False, None
        return unasked
