"""What the grower told, numbered."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

from scheduler.shapes.notes import NoteLine, NotesPage

if TYPE_CHECKING:
    from scheduler.store.told import Told


def notes_page(found: Sequence[Told]) -> NotesPage:
    return {"notes": [_line(one) for one in found]}


def _line(one: Told) -> NoteLine:
    kind = "applied" if one.note is None else one.note.kind
    return {
        "number": one.number,
        "recorded_at": one.recorded_at.isoformat(),
        "date": one.day.isoformat(),
        "kind": kind,
        "zone": one.water[0].zone if len(one.water) == 1 else one.note.zone if one.note else None,
        "water": [
            {
                "zone": record.zone,
                "date": record.day.isoformat(),
                "minutes": record.minutes,
                "liters": record.liters,
                "net_mm": record.net_mm,
            }
            for record in one.water
        ],
        "details": dict(one.note.details) if one.note and one.withdraws is None else {},
        "withdraws": one.withdraws,
        "withdrawn_by": one.withdrawn_by,
    }
