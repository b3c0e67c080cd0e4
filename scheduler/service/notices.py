"""Notices of the service. A notice is logged once, and stays in the summary until it is withdrawn."""

from __future__ import annotations

import logging
from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Any, get_args

from scheduler.service.actions import Kind, Level, State

log = logging.getLogger("rowwater")

KEEP = timedelta(hours=36)  # long enough for the next morning
MOST = 200
STATES = frozenset(get_args(State))
_LOG_LEVEL: Mapping[Level, int] = {"info": logging.INFO, "look": logging.WARNING, "problem": logging.ERROR}
_ORDER: Mapping[Level, int] = {"problem": 0, "look": 1, "info": 2}
FIRST: Kind = "garden"
"""Stands above all others: which version of garden.yaml is in use, and why."""


@dataclass(frozen=True, slots=True)
class Line:
    """kind: one of `Kind`, or what another version of the service wrote into today.json."""

    kind: str
    level: Level
    text: str
    at: datetime
    of: str = ""  # of which valve, opening, date
    detail: str = ""

    @property
    def key(self) -> str:
        """Its identity, as it stands in today.json."""
        return " ".join(word for word in (self.kind, self.of, self.detail) if word)

    @property
    def matter(self) -> tuple[str, str]:
        """What it is about: of one matter an alarm is sent once."""
        return self.kind, self.of

    @property
    def lasts(self) -> bool:
        return self.kind in STATES


class Board:
    """Lines by key. `changed` is set when the summary is to be written anew."""

    def __init__(self, lines: Iterable[Line] = (), *, alarm: Callable[[Line], None] = lambda _: None) -> None:
        self._lines = {line.key: line for line in lines}
        self._alarm = alarm
        self.changed = True

    def tell(
        self, kind: Kind, level: Level, text: str, at: datetime, *, of: str = "", detail: str = ""
    ) -> None:
        line = Line(kind, level, text, at, of, detail)
        before = self._lines.get(line.key)
        if before is not None and (before.level, before.text) == (level, text):
            return
        self._lines[line.key] = line
        self.changed = True
        log.log(_LOG_LEVEL[level], "%s", text)
        if level != "info":
            self._alarm(line)
        while len(self._lines) > MOST:
            self._lines.pop(next(iter(self._lines)))

    def untell(self, kind: Kind, of: str = "") -> None:
        self._remove(f"{kind} {of}" if of else kind)

    def _remove(self, key: str) -> None:
        if self._lines.pop(key, None) is not None:
            self.changed = True

    def expire(self, now: datetime) -> None:
        for key in [k for k, line in self._lines.items() if now - line.at > KEEP and not line.lasts]:
            self._remove(key)

    def lines(self) -> list[Line]:
        return sorted(
            self._lines.values(), key=lambda line: (line.kind != FIRST, _ORDER[line.level], line.at)
        )

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


def from_page(page: Mapping[str, Any] | None) -> list[Line]:
    """The events that an earlier run of the service told in today.json. States are found anew."""
    found = []
    for notice in (page or {}).get("notices", ()):
        key = notice.get("key") if isinstance(notice, dict) else None
        if key:
            kind, of, detail = [*key.split(" ", 2), "", ""][:3]
            at = datetime.fromisoformat(notice["at"])
            found.append(Line(kind, notice["level"], notice["text"], at, of, detail))
    return [line for line in found if not line.lasts]
