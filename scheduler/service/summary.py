"""The service's part of today.json, written anew only when something in it changed."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import timedelta
from typing import Any

from scheduler.service.actions import Moment
from scheduler.service.ledger import Ledger
from scheduler.service.notices import Notices
from scheduler.service.on_record import OnRecord
from scheduler.service.planned import Planned


@dataclass(slots=True)
class Summary:
    """Reads the others' state; its own is what was shown last."""

    ledger: Ledger
    record: OnRecord
    planned: Planned
    notices: Notices
    _shown: Any = None

    def due(self, at: Moment) -> Mapping[str, Any] | None:
        """The page to be written now; None where the last one still holds."""
        self.notices.expire(at.wall)
        opened = tuple(
            sorted(h.opening.uid for h in self.ledger.open_runs.values() if h.opened_mono is not None)
        )
        day = self.record.day
        read = None if day is None else (day.given, day.day, day.made_at)
        state = (opened, read, at.date)
        if not self.notices.changed and state == self._shown:
            return None
        self.notices.changed, self._shown = False, state
        return self.page(at)

    def page(self, at: Moment) -> dict[str, Any]:
        brief, newest_s, day = self.planned.brief, self.record.newest_s, self.record.day
        return {
            "date": at.date.isoformat(),
            "made_at": at.wall.isoformat(timespec="seconds"),
            "garden": brief.garden,
            "timezone": brief.timezone,
            "display": brief.display,
            "hours": brief.hours,
            "newest_s": newest_s if newest_s > float("-inf") else None,
            "notices": self.notices.page(),
            "open_now": self.open_now(at),
            "facts": None if day is None else day.facts,
            "given": None if day is None else list(day.given),
        }

    def open_now(self, at: Moment) -> list[dict[str, Any]]:
        found = []
        for held in self.ledger.open_runs.values():
            if held.opened_mono is None:
                continue
            left = held.opened_mono + held.opening.seconds - at.mono
            until = (at.wall + timedelta(seconds=max(left, 0.0))).isoformat(timespec="minutes")
            found += [{"zone": share.zone, "until": until} for share in held.opening.shares]
        return sorted(found, key=lambda entry: entry["zone"])
