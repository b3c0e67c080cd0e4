"""What is on record: what the books said of the day, and what was handed in since; when to ask again."""

from __future__ import annotations

from dataclasses import dataclass, field
from datetime import date, datetime

from scheduler.planning.on_record import Spent, spent
from scheduler.service.actions import Book, Moment
from scheduler.service.books import AskDay, AskLost, DayRead

ASK_AGAIN_S = 300.0  # the books are read at least this often
ASK_FAILED_S = 10.0  # pause before books that failed are asked again


@dataclass(slots=True)
class OnRecord:
    """Pure: answers and bookings come in, questions go out."""

    day: DayRead | None = None
    newest_s: float = float("-inf")  # the latest moment that was written down: no right clock is earlier
    doubted: bool = False  # the books failed; it may be another database when they answer again
    _asked: tuple[date, float] | None = None  # of which day, and when
    _reread: bool = True
    _ask_at: float = float("-inf")  # not before
    _handed_in: int = 0  # bookings
    _unread: list[tuple[int, Spent]] = field(default_factory=list)  # water that the day read does not have

    def due(self, at: Moment, plan_changed: bool) -> list[AskLost | AskDay]:
        """What the books are to be asked now."""
        if not at.trusted and self.day is not None:
            return []
        day = at.date
        stale = self._asked is None or self._asked[0] != day or at.mono > self._asked[1] + ASK_AGAIN_S
        again = self.doubted and at.mono >= self._ask_at
        if not (stale or plan_changed or self._reread or again):
            return []
        self._ask_at = at.mono + ASK_FAILED_S
        self._asked, self._reread = (day, at.mono), False
        return [AskLost(), AskDay(day, self._handed_in)]

    def read_again(self) -> None:
        """At the next tick."""
        self._reread = True

    def failed(self, mono: float) -> None:
        self.doubted = True
        self._ask_at = mono + ASK_FAILED_S

    def read(self, day: DayRead) -> None:
        self.doubted = False
        self.day = day
        self._unread = [booked for booked in self._unread if booked[0] > day.books]
        if day.newest_record is not None:
            self.dated(day.newest_record)

    def booked(self, book: Book) -> None:
        self._handed_in += 1
        self._unread += [(self._handed_in, one) for one in spent(book.records)]
        self._reread = True
        self.dated(book.at)

    def dated(self, at: datetime) -> None:
        self.newest_s = max(self.newest_s, at.timestamp())

    def spent(self) -> list[Spent]:
        """This month's water: what the books said, and what was handed in since."""
        return [*(self.day.spent if self.day else ()), *(one for _, one in self._unread)]
