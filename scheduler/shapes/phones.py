"""`rowwater page phones --json`: the phones that are paired with the page."""

from __future__ import annotations

from typing import Literal, TypedDict

from scheduler.shapes.base import Moment


class PhoneLine(TypedDict):
    """seen: when it last looked; at most a day older than that."""

    number: int
    name: str
    may: Literal["look", "note", "water"]
    paired: Moment
    seen: Moment


class PhonesPage(TypedDict):
    """`rowwater page phones --json`."""

    phones: list[PhoneLine]
