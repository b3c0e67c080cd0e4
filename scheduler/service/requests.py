"""What people ask for: `rowwater water` and `rowwater stop`, and the answer that each of them gets."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field
from datetime import datetime, timedelta

from scheduler.relays.specs import MASTER
from scheduler.service import limits
from scheduler.service.actions import Action, Book, Close, Moment, Tell, Watering
from scheduler.service.dayplan import shares_by_hand
from scheduler.service.ledger import Ledger
from scheduler.service.planned import Planned
from scheduler.service.stopped import COULD_NOT, DONE, LOOK, Stopped

BY_HAND = "by_hand:"
"""How the key of a valve begins that a person turns."""
REPLY_S = 1.5  # a person who asked gets an answer after this long, whatever the valve says
RECORD_S = 3.0  # so long an opening that somebody asked for waits for its record, and no longer

Reply = Callable[[int, str], None]
"""Called with the exit status of the command that asked, and the words for the person."""


@dataclass(slots=True)
class Request:
    """`reply` is called once."""

    kind: str  # "water" or "stop"
    zone: str | None  # None: every zone
    minutes: float
    reply: Reply


@dataclass(slots=True)
class _Water:
    """Waits for its valve to open."""

    reply: Reply
    names: str
    though: str  # on hold, all the same
    key: str
    uid: str
    asked: float
    ran: bool = False  # it is over, and gave water
    end: str | None = None  # what was said of its end


@dataclass(slots=True)
class _Stop:
    """Waits for its valves to be confirmed closed."""

    reply: Reply
    zones: dict[str, str]  # with the key of each one's valve; the master valve among them
    keys: set[str]  # told to close, and not confirmed yet
    give_up: float
    late: dict[str, datetime] = field(default_factory=dict)  # closed, but may still open until then

    def why_not(self, key: str) -> str:
        if key not in self.late:
            return "told to close, no answer yet"
        until = f"{self.late[key]:%H:%M:%S}"
        return f"it closed, but may still open until {until}, and is closed again and again until then"


@dataclass(slots=True)
class Requests:
    """Pure but for the replies. Its own state: who still waits for an answer."""

    ledger: Ledger
    planned: Planned
    pending: list[_Water | _Stop] = field(default_factory=list)

    def take(self, at: Moment, request: Request, blocked: str | None) -> list[Action]:
        """What the request makes the doors do. blocked: why no valve may open."""
        valve_of = self.planned.brief.valve_of
        if request.zone is not None and request.zone not in valve_of:
            request.reply(COULD_NOT, f'no zone "{request.zone}" in garden.yaml; zones: {", ".join(valve_of)}')
            return []
        if request.kind == "stop":
            return self._stop(at, request)
        return self._water(at, request, blocked)

    def _water(self, at: Moment, request: Request, blocked: str | None) -> list[Action]:
        assert request.zone is not None
        key = self.planned.brief.valve_of[request.zone]
        if key.startswith(BY_HAND):
            request.reply(
                COULD_NOT, f"{request.zone} is opened by hand: no valve there that the service can open"
            )
            return []
        zones, today = self.ledger.rules.valves[key].zones, at.date
        until = at.wall + timedelta(minutes=request.minutes)
        shares = shares_by_hand(zones, today, request.minutes, self.planned.rates)
        actions = self.ledger.water(
            at, Watering(key, at.wall, until, shares), self.planned.on(today), blocked
        )
        if isinstance(actions, str):
            request.reply(COULD_NOT, f"{request.zone}: {actions}")
            return []
        held = [self.ledger.held[zone] for zone in zones if self.ledger.is_held(zone, today)]
        though = f", though on hold until {max(held)}" if held else ""
        uid = self.ledger.open_runs[key].opening.uid
        self.pending.append(_Water(request.reply, ", ".join(zones), though, key, uid, at.mono))
        return actions

    def _stop(self, at: Moment, request: Request) -> list[Action]:
        """Close, and stay dry for the rest of the day: also the zones on the same valve."""
        valve_of = self.planned.brief.valve_of
        zones = dict(valve_of)
        if request.zone is not None:
            zones = {zone: key for zone, key in valve_of.items() if key == valve_of[request.zone]}
        actions = self.ledger.stop(list(zones) if request.zone is not None else None, "stopped by hand")
        keys = {action.key for action in actions if isinstance(action, Close)}
        master = keys - set(zones.values())
        named = {**zones, **{MASTER: key for key in master}}  # noqa: B035 - there is one at most
        self.pending.append(_Stop(request.reply, named, keys, at.mono + REPLY_S))
        return [*actions, self.ledger.hold(at, list(zones))]

    # --- what becomes of them ---

    def closed(self, key: str) -> None:
        """A valve confirmed its close."""
        for one in self.pending:
            if isinstance(one, _Stop):
                one.keys.discard(key)

    def closed_for_now(self, key: str, until: datetime) -> None:
        """A valve confirmed its close, but an earlier open may still take effect."""
        for one in self.pending:
            if isinstance(one, _Stop) and key in one.keys:
                one.late[key] = until

    def hear(self, action: Action) -> None:
        """What is booked and told of an opening that somebody asked for."""
        for one in self.pending:
            match action:
                case Tell(text=text, opening=uid) if isinstance(one, _Water) and uid == one.uid:
                    one.end = text
                case Book(uid, records) if isinstance(one, _Water) and uid == one.uid:
                    one.ran = any(record.minutes > 0 for record in records)

    def answer(self, at: Moment) -> None:
        """Those that can be answered by now."""
        for one in list(self.pending):
            words = self._after_stop(at, one) if isinstance(one, _Stop) else self._after_water(at, one)
            if words is not None:
                self.pending.remove(one)
                one.reply(*words)

    def _after_stop(self, at: Moment, one: _Stop) -> tuple[int, str] | None:
        if one.keys - one.late.keys() and at.mono < one.give_up:
            return None
        by_hand = tuple(zone for zone, key in one.zones.items() if key.startswith(BY_HAND))
        stopped = Stopped(
            closed=tuple(z for z, key in one.zones.items() if key not in one.keys and z not in by_hand),
            unconfirmed={zone: one.why_not(key) for zone, key in one.zones.items() if key in one.keys},
            by_hand=by_hand,
        )
        dry = f", and kept dry until {self._dry_until(at)} (rowwater water ZONE still works)"
        return stopped.status, stopped.said(dry)

    def _dry_until(self, at: Moment) -> str:
        """After midnight the hours of the day before go on: tomorrow would be one night too many."""
        until, rules = at.date + timedelta(days=1), self.ledger.rules.limits
        if until > at.wall.date() or rules is None:
            return "tomorrow"
        begin = limits.next_hours(rules, until)
        return "the next watering hours" + (f", {begin:%a %Y-%m-%d %H:%M}" if begin else "")

    def _after_water(self, at: Moment, one: _Water) -> tuple[int, str] | None:
        """Only what is so: open, or not open and why, or that nobody knows yet."""
        held = self.ledger.open_runs.get(one.key)
        if held is None or held.opening.uid != one.uid:
            if one.end is None and one.ran:
                return DONE, f"{one.names}: so short a run that it is over"
            return COULD_NOT, one.end or f"{one.names}: it did not open"
        if held.opened_mono is not None:
            until = at.wall + timedelta(seconds=held.opened_mono + held.opening.seconds - at.mono)
            return DONE, f"{one.names} open until {until:%H:%M:%S}{one.though}"
        if held.failed:
            return COULD_NOT, one.end or f"{one.names}: it did not open"
        if at.mono <= one.asked + REPLY_S:
            return None
        match held.phase:
            case "writing":
                return self._unrecorded(at, one)
            case "priming":
                return LOOK, f"{one.names}: not open yet: the master valve comes first, then it opens"
        return LOOK, f"{one.names}: told to open, and its valve has not answered yet: look whether water runs"

    def _unrecorded(self, at: Moment, one: _Water) -> tuple[int, str] | None:
        """No record, no water: nor later, when nobody waits for it any more."""
        if at.mono <= one.asked + RECORD_S:
            return None
        self.ledger.end(one.key, "its record came too late for the person who had asked", again=False)
        return COULD_NOT, (
            f"{one.names}: not opened, and it will not be: after {RECORD_S:.0f} s its record is not on disk, "
            "which is busy or full"
        )
