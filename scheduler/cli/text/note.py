"""What the grower told, in words."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from datetime import date, datetime
from typing import TYPE_CHECKING, Any
from zoneinfo import ZoneInfo

from scheduler.cli.text.base import wrap
from scheduler.dates import spoken
from scheduler.show import show_depth, show_minutes, show_volume
from scheduler.store.usable import why_unusable

if TYPE_CHECKING:
    from scheduler.model import Applied, Display
    from scheduler.store.told import Told

CHORES = {
    "bucket": "bucket test made", "flush": "tape flushed", "drain": "lines drained",
    "filter": "filter rinsed", "tape": "new tape laid", "repair": "mended", "row": "mended rows looked at",
}  # fmt: skip


def list_text(found: Sequence[Told], *, display: Display, timezone: str, width: int) -> str:
    """One entry each, oldest first."""
    if not found:
        return "nothing has been noted yet"
    return "\n".join(line for one in found for line in _entry(one, found, display, timezone, width))


def _entry(one: Told, found: Sequence[Told], display: Display, timezone: str, width: int) -> list[str]:
    when = one.recorded_at.astimezone(ZoneInfo(timezone))
    gone = f" (taken back by {one.withdrawn_by})" if one.withdrawn_by else ""
    text = f"{one.number:>3}  {when:%Y-%m-%d %H:%M}  {_what(one, found, display, timezone)}{gone}"
    return wrap(text, width, len("  1  2015-07-01 06:00  "))


def told_text(one: Told, found: Sequence[Told], display: Display, timezone: str) -> str:
    """ "3, Thu 2 Jul 2015: beans: okra planted"."""
    return f"{one.number}, {_what(one, found, display, timezone)}"


def _what(one: Told, found: Sequence[Told], display: Display, timezone: str) -> str:
    if one.withdraws is not None:
        return f"undo of {told_text(found[one.withdraws - 1], found, display, timezone)}"
    if one.note is None:
        return _water(one.water, display)
    zone = f"{one.note.zone}: " if one.note.zone else ""
    if why := why_unusable(one.note):
        return f"{spoken(one.day)}: {zone}{one.note.kind}, which cannot be followed: {why}"
    said = _note(one.note.kind, one.note.details, display, ZoneInfo(timezone))
    return said if one.note.kind == "rain" else f"{spoken(one.day)}: {zone}{said}"


def _water(records: Sequence[Applied], display: Display) -> str:
    """Day by day, zone by zone."""
    days: dict[date, dict[str, list[Applied]]] = {}
    for record in records:
        days.setdefault(record.day, {}).setdefault(record.zone, []).append(record)
    text = "; ".join(
        f"{spoken(day)}: {', '.join(f'{zone} {_amount(mine, display)}' for zone, mine in zones.items())}"
        for day, zones in days.items()
    )
    return text + (" as planned" if records[0].pulse is not None else "")


def _amount(records: Sequence[Applied], display: Display) -> str:
    total = " in all" if records[0].replaces_day else ""
    if records[0].measured:
        return f"{show_volume(sum(one.liters for one in records), display)}{total}"
    return f"{show_minutes(sum(one.minutes for one in records))}{total}"


def _note(kind: str, details: Mapping[str, Any], display: Display, zone: ZoneInfo) -> str:
    match kind:
        case "rain":
            since, at = (datetime.fromisoformat(details[key]).astimezone(zone) for key in ("since", "at"))
            begin, end = (f"{spoken(moment.date())} {moment:%H:%M}" for moment in (since, at))
            return f"{show_depth(details['mm'], display)} of rain, {begin} to {end}"
        case "soil":
            at = datetime.fromisoformat(details["at"]).astimezone(zone)
            return f"{_reading(details)} in the soil at {at:%H:%M}"
        case "planted":
            return f"{details['crop']} planted"
        case "emerged":
            return "sown row came up"
        case "sprinkled":
            return f"{show_depth(details['mm'], display)} sprinkled over the seed rows"
        case "stage":
            return f"{details['stage']} began"
        case "cover":
            return f"{details['cover'] * 100:.0f} % of the ground shaded"
        case "dry-off":
            return "drying off"
        case "feed":
            return "feed through the tape"
        case "hold":
            return f"kept dry until {details['until']}"
        case "repair":
            return repaired(details)
        case "chore":
            chore = details["chore"]
            return f"{chore} put off" if details.get("later") else CHORES.get(chore, chore)
    return CHORES.get(kind, kind)


def repaired(details: Mapping[str, Any]) -> str:
    """ "row 3: a cut mended with a coupling", or "mended" where no row was named."""
    row = details.get("row")
    return f"row {row}: a cut mended with a coupling" if row else CHORES["repair"]


def _reading(details: Mapping[str, Any]) -> str:
    if "tension_kpa" in details:
        return f"{details['tension_kpa']:g} cb"
    return f"{details['theta'] * 100:g} % water"
