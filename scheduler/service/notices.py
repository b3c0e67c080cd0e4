"""What the service has to say: each line once in the log, and in the summary until it is over."""

from __future__ import annotations

import logging
from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Any

from scheduler.service.actions import Level

log = logging.getLogger("rowwater")

KEEP = timedelta(hours=36)  # long enough for the next morning
MOST = 200
_LOG_LEVEL: Mapping[Level, int] = {"info": logging.INFO, "look": logging.WARNING, "problem": logging.ERROR}
_ORDER: Mapping[Level, int] = {"problem": 0, "look": 1, "info": 2}
FIRST = "garden"
"""Key of the line that stands above all others: which version of garden.yaml is in use, and why."""


@dataclass(frozen=True, slots=True)
class Line:
    key: str
    level: Level
    text: str
    at: datetime


class Board:
    """Lines by key. `changed` is set when the summary is to be written anew."""

    def __init__(self, lines: Iterable[Line] = (), *, alarm: Callable[[Line], None] = lambda _: None) -> None:
        self._lines = {line.key: line for line in lines}
        self._alarm = alarm
        self.changed = True

    def tell(self, key: str, level: Level, text: str, at: datetime) -> None:
        before = self._lines.get(key)
        if before is not None and (before.level, before.text) == (level, text):
            return
        line = Line(key, level, text, at)
        self._lines[key] = line
        self.changed = True
        log.log(_LOG_LEVEL[level], "%s", text)
        if level != "info":
            self._alarm(line)
        while len(self._lines) > MOST:
            self._lines.pop(next(iter(self._lines)))

    def untell(self, key: str) -> None:
        if self._lines.pop(key, None) is not None:
            self.changed = True

    def expire(self, now: datetime) -> None:
        for key in [k for k, line in self._lines.items() if now - line.at > KEEP and not _lasts(k)]:
            self.untell(key)

    def lines(self) -> list[Line]:
        return sorted(self._lines.values(), key=lambda line: (line.key != FIRST, _ORDER[line.level], line.at))

    def notices(self) -> list[dict[str, Any]]:
        return [
            {
                "level": line.level,
                "text": line.text,
                "by": "service",
                "key": line.key,
                "at": line.at.isoformat(timespec="seconds"),
            }
            for line in self.lines()
        ]


def _lasts(key: str) -> bool:
    """A state goes on until it is over; an event has its day."""
    return key.split()[0] in {FIRST, "stuck", "disk", "clock", "guard", "wait", "summary", "leak"}


def from_page(page: Mapping[str, Any] | None) -> list[Line]:
    """The events that an earlier run of the service told in today.json. States are found anew."""
    found = []
    for notice in (page or {}).get("notices", ()):
        key = notice.get("key") if isinstance(notice, dict) else None
        if key and not _lasts(key):
            found.append(Line(key, notice["level"], notice["text"], datetime.fromisoformat(notice["at"])))
    return found
