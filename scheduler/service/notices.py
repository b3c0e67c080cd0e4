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
FIRST: tuple[Kind, ...] = ("records", "garden")
"""Stand above all others: records that are older than what was done, and which garden.yaml is in use."""


@dataclass(frozen=True, slots=True)
class Notice:
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


class Notices:
    """Notices by key. `changed` is set when the summary is to be written anew."""

    def __init__(
        self, notices: Iterable[Notice] = (), *, alarm: Callable[[Notice], None] = lambda _: None
    ) -> None:
        self._notices = {notice.key: notice for notice in notices}
        self._alarm = alarm
        self.changed = True

    def tell(
        self, kind: Kind, level: Level, text: str, at: datetime, *, of: str = "", detail: str = ""
    ) -> None:
        notice = Notice(kind, level, text, at, of, detail)
        before = self._notices.get(notice.key)
        if before is not None and (before.level, before.text) == (level, text):
            return
        self._notices[notice.key] = notice
        self.changed = True
        log.log(_LOG_LEVEL[level], "%s", text)
        if level != "info":
            self._alarm(notice)
        while len(self._notices) > MOST:
            self._notices.pop(next(iter(self._notices)))

    def untell(self, kind: Kind, of: str = "") -> None:
        self._remove(f"{kind} {of}" if of else kind)

    def _remove(self, key: str) -> None:
        if self._notices.pop(key, None) is not None:
            self.changed = True

    def expire(self, now: datetime) -> None:
        for key in [k for k, notice in self._notices.items() if now - notice.at > KEEP and not notice.lasts]:
            self._remove(key)

    def in_order(self) -> list[Notice]:
        return sorted(
            self._notices.values(),
            key=lambda notice: (notice.kind not in FIRST, _ORDER[notice.level], notice.at),
        )

    def page(self) -> list[dict[str, Any]]:
        return [
            {
                "level": notice.level,
                "text": notice.text,
                "by": "service",
                "key": notice.key,
                "at": notice.at.isoformat(timespec="seconds"),
            }
            for notice in self.in_order()
        ]


def from_page(page: Mapping[str, Any] | None) -> list[Notice]:
    """The events that an earlier run of the service told in today.json. States are found anew."""
    found = []
    for notice in (page or {}).get("notices", ()):
        key = notice.get("key") if isinstance(notice, dict) else None
        if key:
            kind, of, detail = [*key.split(" ", 2), "", ""][:3]
            at = datetime.fromisoformat(notice["at"])
            found.append(Notice(kind, notice["level"], notice["text"], at, of, detail))
    return [notice for notice in found if not notice.lasts]
