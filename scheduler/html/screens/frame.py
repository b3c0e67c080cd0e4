"""What every screen needs beside its own values: whose garden, who looks and what they may, what is open."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Literal, TypedDict
from urllib.parse import quote

from scheduler.html.environment import quantities, templates
from scheduler.phrases.morning import overdue
from scheduler.shapes.base import Display, Moment
from scheduler.shapes.day import OpenLine

May = Literal["look", "note", "water"]


@dataclass(frozen=True, slots=True)
class Frame:
    """once: makes a fresh id for each form, so that a form sent twice does nothing the second time.

    phone: the name of who looks, None: not paired.  now: the garden's time, with its zone.
    told: what the last action did, in a line; failed: it did not do what was asked, or wants an eye.
    made_at: of the plan that is shown.  here: path (and query) of this screen, to which an action comes back.
    """

    garden: str
    phone: str | None
    may: May
    csrf: str
    once: Callable[[], str]
    told: str | None
    open: Sequence[OpenLine]
    here: str
    now: datetime
    display: Display
    failed: bool = False
    made_at: Moment | None = None

    @property
    def may_note(self) -> bool:
        """Say what was done: answers, rain, holds, chores."""
        return self.may in ("note", "water")

    @property
    def may_stop(self) -> bool:
        """Stopping water is as safe as noting: who may only look may not even that."""
        return self.may in ("note", "water")

    @property
    def may_water(self) -> bool:
        return self.may == "water"


def render(name: str, frame: Frame, **values: object) -> str:
    """The whole HTML text of one screen."""
    return templates().get_template(name).render(
        frame=frame,
        opened=[(entry, overdue(entry, frame.now)) for entry in frame.open],
        live=live,
        zone_path=zone_path,
        **quantities(frame.display),
        **values,
    )  # fmt: skip


class Live(TypedDict):
    """What the script asks for every few seconds; where `mark` is not the screen's, it is drawn anew."""

    mark: str
    open: list[OpenLine]
    made_at: Moment | None


def live(frame: Frame) -> Live:
    """The part of every screen that changes while somebody looks."""
    late = (" late" if overdue(entry, frame.now) else "" for entry in frame.open)
    mark = "; ".join(
        f"{entry['zone']} {entry['until']}{over}" for entry, over in zip(frame.open, late, strict=True)
    )
    return {"mark": mark, "open": list(frame.open), "made_at": frame.made_at}


def zone_path(zone: str) -> str:
    """Of the zone's own screen, whatever stands in its name."""
    return f"/zone/{quote(zone, safe='')}"
