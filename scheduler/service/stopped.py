"""What `rowwater stop` answers, with the service and without it: it says "closed" only of what it drove."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, field
from datetime import datetime, timedelta

from scheduler.relays.base import ACTS_WITHIN_S, LIMIT_S
from scheduler.relays.specs import MASTER, Spec

DONE, COULD_NOT, LOOK = 0, 1, 3
"""Exit statuses of a command."""


def may_open_until(
    specs: Iterable[Spec], opened: Iterable[tuple[str, datetime]], now: datetime
) -> dict[str, datetime]:
    """By valve: until when an open may still take effect that a service sent which is gone.

    opened: valves and moments of openings that nobody closed on record. The master valve opens with any.
    """
    latest: dict[str, datetime] = {}
    at: datetime | None
    for key, at in opened:
        latest[key] = latest["any"] = at
    found = {}
    for spec in specs:
        acts_within_s = float(spec.get("acts_within_s", ACTS_WITHIN_S))
        at = latest.get("any" if MASTER in spec["zones"] else spec["key"])
        if at is not None and acts_within_s > 0:
            limit_s = float(spec["settings"].get("limit_s", LIMIT_S))
            until = at + timedelta(seconds=limit_s + acts_within_s)
            if until > now:
                found[str(spec["key"])] = until.astimezone(now.tzinfo)
    return found


@dataclass(frozen=True, slots=True)
class Stopped:
    """closed: zones whose valve confirmed its close.  unconfirmed: names of zones or valves, and why (or "").

    by_hand: zones whose valve a person turns: nothing here can close it, or knows whether it is open.
    """

    closed: tuple[str, ...] = ()
    unconfirmed: dict[str, str] = field(default_factory=dict)
    by_hand: tuple[str, ...] = ()

    @property
    def status(self) -> int:
        """Not 0 while a person has a valve to close."""
        if self.unconfirmed or (self.by_hand and not self.closed):
            return COULD_NOT
        return LOOK if self.by_hand else DONE

    def said(self, after: str) -> str:
        """A line each; after: what holds from now on."""
        lines = []
        if self.unconfirmed:
            names = "; ".join(f"{name} ({why})" if why else name for name, why in self.unconfirmed.items())
            lines.append(f"NOT confirmed closed: {names}. Use the hand valve NOW")
        if self.closed:
            lines.append(f"{', '.join(self.closed)} closed{after}")
        if self.by_hand:
            lines.append(
                f"close by hand: {', '.join(self.by_hand)} (no valve there that this program can close)"
            )
        return "\n".join(lines) or "no valve is known here"
