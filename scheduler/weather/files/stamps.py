"""Dates and times as stations write them; a day/month order is taken only where the file itself proves it."""

from __future__ import annotations

import re
from collections.abc import Callable, Sequence
from datetime import UTC, date, datetime, time, timedelta, timezone

from scheduler.errors import BadInput

Stamp = date | datetime  # a datetime is aware only where the text carries an offset or counts seconds

_EPOCH = re.compile(r"[1-9]\d{8,9}(\.\d+)?")
_TEXT = re.compile(
    r"(\d{1,4})[-/.](\d{1,2})[-/.](\d{1,4})"
    r"(?:[T ]\s*(\d{1,2}):(\d{2})(?::(\d{2})(?:\.\d+)?)?\s*([AaPp]\.?[Mm]\.?)?\s*(Z|[+-]\d{2}:?\d{2})?)?"
)


def parse_all(texts: Sequence[str], date_format: str | None, label: str) -> list[Stamp | None]:
    """A stamp per text, None where it is not one. BadInput where the format cannot be told from the file."""
    return [parse(text) for parse in [_parser(texts, date_format, label)] for text in texts]


def _parser(texts: Sequence[str], date_format: str | None, label: str) -> Callable[[str], Stamp | None]:
    filled = [text for text in texts if text]
    if date_format == "epoch" or (
        date_format is None and filled and all(_EPOCH.fullmatch(text) for text in filled)
    ):
        return _epoch
    if date_format is not None:
        return lambda text: _by_format(text, date_format)
    order = _order(filled, label)
    return lambda text: _by_order(text, order)


def _epoch(text: str) -> Stamp | None:
    return datetime.fromtimestamp(float(text), UTC) if _EPOCH.fullmatch(text) else None


def _by_format(text: str, date_format: str) -> Stamp | None:
    """With a clock time the format must cover it, or the time follows the date after a space."""
    timed = any(mark in date_format for mark in ("%H", "%I", "%c", "%X", "%T", "%R"))
    try:
        if timed:
            return datetime.strptime(text, date_format)  # noqa: DTZ007 - a date - the zone is the file's, added later
        parts = text.split(" ")
        words = date_format.count(" ") + 1
        day = datetime.strptime(" ".join(parts[:words]), date_format).date()  # noqa: DTZ007 - a date
    except ValueError:
        return None
    if len(parts) == words:
        return day
    return _by_order(f"{day.isoformat()} {' '.join(parts[words:])}", "ymd")


def _order(texts: Sequence[str], label: str) -> str:
    """Which of the three numbers is the day: proved by one above 12."""
    found = [match for match in map(_TEXT.fullmatch, texts) if match]
    if not found:
        raise BadInput(
            f'{label}: date: "{texts[0] if texts else ""}" is not a date known here; say its date_format - '
            'for example "%d.%m.%Y"'
        )
    if all(len(match[1]) == 4 for match in found):
        return "ymd"
    if any(len(match[3]) != 4 for match in found):
        raise BadInput(f'{label}: date: "{found[0][0]}": which number is the year? Say its date_format')
    day_first = any(int(match[1]) > 12 for match in found)
    month_first = any(int(match[2]) > 12 for match in found)
    if day_first == month_first:
        raise BadInput(
            f'{label}: date: cannot tell day from month in "{found[0][0]}"; say date_format: "%d-%m-%Y" or '
            f'"%m/%d/%Y" (with the marks of the file)'
        )
    return "dmy" if day_first else "mdy"


def _by_order(text: str, order: str) -> Stamp | None:
    match = _TEXT.fullmatch(text)
    if match is None:
        return None
    part = dict(zip(order, (int(match[1]), int(match[2]), int(match[3])), strict=True))
    try:
        day = date(part["y"], part["m"], part["d"])
        if match[4] is None:
            return day
        hour, minute, second = int(match[4]), int(match[5]), int(match[6] or 0)
        if match[7]:
            if not 1 <= hour <= 12:
                return None
            hour = hour % 12 + (12 if match[7][0] in "Pp" else 0)
        if (hour, minute, second) == (24, 0, 0):
            hour, day = 0, day + timedelta(days=1)
        return datetime.combine(day, time(hour, minute, second), tzinfo=_offset(match[8]))
    except (ValueError, OverflowError):
        return None


def _offset(text: str | None) -> timezone | None:
    if text is None:
        return None
    if text == "Z":
        return UTC
    ahead = timedelta(hours=int(text[1:3]), minutes=int(text[-2:]))
    return timezone(ahead if text[0] == "+" else -ahead)
