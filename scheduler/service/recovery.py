"""Openings that an earlier process left in the books: booked once their valves are confirmed closed."""

from __future__ import annotations

from collections import deque
from collections.abc import Collection, Iterable
from dataclasses import dataclass, field

from scheduler.model import Unsettled
from scheduler.service import water_records
from scheduler.service.actions import Action, Beat, Book, Close, Late, Moment, Replan, Tell

UNREAD_S = 2.0  # books that are not read by then may be busy for long
LONGEST_PAUSE_S = 15.0


@dataclass(slots=True)
class Recovery:
    """Pure. boot: this start of the computer; beat_s: seconds between heartbeats."""

    boot: str
    beat_s: float
    asked: bool = False  # the books said what was left open
    lost: list[Unsettled] = field(default_factory=list)
    _closed_at: dict[str, float] = field(default_factory=dict)  # by valve, monotonic
    _closed_once: set[str] = field(default_factory=set)
    _unsure: set[str] = field(default_factory=set)  # told to close again and again, and not begun yet
    _asked_late: dict[str, float] = field(default_factory=dict)  # by opening: since when, monotonic
    _settled: deque[str] = field(default_factory=lambda: deque(maxlen=200))
    _beat_at: float = float("-inf")
    _close_at: float | None = None  # while the books are not read: when all are closed again
    _pause_s: float = UNREAD_S

    def closed(self, key: str, mono: float) -> None:
        if self.asked or key not in self._closed_at:  # what was open closed with the first
            self._closed_at[key] = mono
        self._closed_once.add(key)

    def late(self, key: str) -> None:
        """It is closed again and again, since an open may still take effect: no close before that counts."""
        self._unsure.discard(key)
        self._closed_at.pop(key, None)

    def settled(self, uid: str) -> None:
        """Handed to the books; they may not have it yet when they are asked what is open."""
        self._settled.append(uid)

    def found(self, openings: Iterable[Unsettled], in_hand: Iterable[str]) -> None:
        """What the books have open, less what this process holds itself."""
        known = {*in_hand, *self._settled}
        self.lost = [lost for lost in openings if lost.opening.uid not in known]
        self.asked = True

    def step(self, at: Moment, valves: Collection[str]) -> list[Action]:
        """valves: those that will report; an opening of any other valve is booked as it is known."""
        if not self.asked:
            return self._close_meanwhile(at, valves)
        late = self._ask_late(at, valves)
        if not at.dated:
            return late  # a wrong date in the books would outlive the wrong clock
        waiting = [
            lost
            for lost in self.lost
            if lost.opening.valve in valves and not self._is_closed(lost.opening.valve)
        ]
        actions = late + [
            action for lost in self.lost if lost not in waiting for action in self._book(at, lost)
        ]
        self.lost = waiting
        # As long as it may be open since its opening, the books say so. Of one that was closed at this start
        # only a late effect is waited for: a heartbeat would count the hours without power as open.
        open_yet = [lost for lost in waiting if lost.opening.valve not in self._closed_once]
        if open_yet and at.mono >= self._beat_at + self.beat_s:
            self._beat_at = at.mono
            pairs = tuple((lost.opening.uid, lost.open_seconds or 0.0) for lost in open_yet)
            actions.append(Beat(pairs, at.wall, at.mono))
        return actions

    def _is_closed(self, key: str) -> bool:
        return key in self._closed_at and key not in self._unsure

    def _close_meanwhile(self, at: Moment, valves: Collection[str]) -> list[Action]:
        """Which open may still take effect only the books know: until they are read, any may."""
        if self._close_at is None:
            self._close_at = at.mono + self._pause_s
        if at.mono < self._close_at:
            return []
        self._pause_s = min(2 * self._pause_s, LONGEST_PAUSE_S)
        self._close_at = at.mono + self._pause_s
        return [Close(key, "the books are not read yet") for key in sorted(valves)]

    def _ask_late(self, at: Moment, valves: Collection[str]) -> list[Action]:
        """Of an open that was never seen to be confirmed nobody knows whether it is still to come."""
        actions: list[Action] = []
        for lost in self.lost:
            key, uid = lost.opening.valve, lost.opening.uid
            if lost.open_seconds is None and key in valves and uid not in self._asked_late:
                self._asked_late[uid] = at.mono
                self._unsure.add(key)
                actions.append(Late(key))
        return actions

    def _book(self, at: Moment, lost: Unsettled) -> list[Action]:
        opening = lost.opening
        records = water_records.recovered(
            lost,
            closed_mono=self._closed_at.get(opening.valve, at.mono),
            boot=self.boot,
            beat_s=self.beat_s,
            now=at.wall,
            late_s=max(at.mono - self._asked_late.get(opening.uid, at.mono), 0.0),
        )
        names = ", ".join(share.zone for share in opening.shares)
        least, most = records[0].least_minutes or 0.0, records[0].most_minutes or 0.0
        text = (
            f"{names}: interrupted, {records[0].minutes:.1f} min applied (surely {least:.1f}, at most "
            f"{most:.1f}): the service or the power went away meanwhile"
        )
        told = Tell("end", "look", text, of=opening.uid)
        actions: list[Action] = [Book(opening.uid, records, at.wall), told]
        if opening.shares[0].pulse is not None:
            actions.append(Replan(f"{names} was interrupted"))
        return actions
