"""What the grower told, in words."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from datetime import date, datetime
from typing import TYPE_CHECKING, Any
from zoneinfo import ZoneInfo

from scheduler.show import show_depth, show_minutes, show_volume

if TYPE_CHECKING:
    from scheduler.model import Applied, Display
    from scheduler.store.told import Told

CHORES = {
    "bucket": "bucket test made", "flush": "tape flushed", "drain": "lines drained",
    "filter": "filter rinsed", "tape": "new tape laid",
}  # fmt: skip


def list_text(found: Sequence[Told], *, display: Display, timezone: str) -> str:
    """One line each, oldest first."""
    if not found:
        return "nothing has been noted yet"
    return "\n".join(_line(one, found, display, timezone) for one in found)


def _line(one: Told, found: Sequence[Told], display: Display, timezone: str) -> str:
    when = one.recorded_at.astimezone(ZoneInfo(timezone))
    gone = f"  [taken back by {one.withdrawn_by}]" if one.withdrawn_by else ""
    return f"{one.number:>3}  {when:%Y-%m-%d %H:%M}  {_what(one, found, display, timezone)}{gone}"


def told_text(one: Told, found: Sequence[Told], display: Display, timezone: str) -> str:
    """ "3, of 2015-07-02: 0.60 in of rain"."""
    return f"{one.number}, {_what(one, found, display, timezone)}"


def _what(one: Told, found: Sequence[Told], display: Display, timezone: str) -> str:
    if one.withdraws is not None:
        return f"undo of {told_text(found[one.withdraws - 1], found, display, timezone)}"
    if one.note is None:
        return "; ".join(_water(one.water, display))
    zone = f"{one.note.zone}: " if one.note.zone else ""
    return f"{_day(one.day)}: {zone}{_note(one.note.kind, one.note.details, display, ZoneInfo(timezone))}"


def _water(records: Sequence[Applied], display: Display) -> Iterator[str]:
    """One phrase for each zone and day."""
    groups: dict[tuple[date, str], list[Applied]] = {}
    for record in records:
        groups.setdefault((record.day, record.zone), []).append(record)
    for (day, zone), mine in groups.items():
        amount = show_minutes(sum(one.minutes for one in mine))
        if mine[0].measured:
            amount = show_volume(sum(one.liters for one in mine), display)
        how = " as planned" if mine[0].pulse is not None else ""
        total = " in all" if mine[0].replaces_day else ""
        yield f"{_day(day)}: {zone} {amount} given{how}{total}"


def _note(kind: str, details: Mapping[str, Any], display: Display, zone: ZoneInfo) -> str:
    match kind:
        case "rain":
            since, at = (datetime.fromisoformat(details[key]).astimezone(zone) for key in ("since", "at"))
            return f"{show_depth(details['mm'], display)} of rain, {since:%a %H:%M} to {at:%a %H:%M}"
        case "soil":
            at = datetime.fromisoformat(details["at"]).astimezone(zone)
            return f"{_reading(details)} in the soil at {at:%H:%M}"
        case "planted":
            return f"{details['crop']} planted"
        case "hold":
            return f"kept dry until {details['until']}"
        case "chore":
            return f"{details['chore']} put off" if details.get("later") else CHORES[details["chore"]]
    return CHORES.get(kind, kind)


def _reading(details: Mapping[str, Any]) -> str:
    if "tension_kpa" in details:
        return f"{details['tension_kpa']:g} cb"
    return f"{details['theta'] * 100:g} % water"


def _day(day: date) -> str:
    return f"{day:%a} {day.day} {day:%b %Y}"
