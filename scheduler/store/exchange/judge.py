"""Whether a line holds what it must: each check returns the value as the store keeps it."""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping, Sequence
from datetime import date, datetime
from typing import Any

from scheduler.json_reading import read_json
from scheduler.nearest import did_you_mean
from scheduler.store import rows

Check = Callable[[Any], Any]
LARGEST_WHOLE = 2**31


class Unfit(ValueError):
    """What was expected in place of what stands there."""


def words(value: Any) -> str:
    """Any text, also none: of an older program it may hold what names may not hold now."""
    if not isinstance(value, str) or any("\ud800" <= letter <= "\udfff" for letter in value):
        raise Unfit("a text")
    return value


def text(value: Any) -> str:
    if not words(value):
        raise Unfit("a text")
    return str(value)


def number(value: Any) -> float:
    # bool is an int to Python
    if isinstance(value, bool) or not isinstance(value, int | float) or abs(value) > 1e300:
        raise Unfit("a number")
    if not math.isfinite(value):
        raise Unfit("a number")
    return float(value)


def at_least(least: float) -> Check:
    def check(value: Any) -> float:
        found = number(value)
        if found < least:
            raise Unfit(f"a number from {least:g} on")
        return found

    return check


def whole(value: Any) -> int:
    if isinstance(value, bool) or not isinstance(value, int) or not 0 <= value < LARGEST_WHOLE:
        raise Unfit("a whole number")
    return value


def flag(value: Any) -> int:
    if not isinstance(value, bool):
        raise Unfit("true or false")
    return int(value)


def day(value: Any) -> str:
    try:
        found = date.fromisoformat(value)
    except (TypeError, ValueError):
        found = None
    if found is None or found.isoformat() != value:
        raise Unfit("a date such as 2026-05-03")
    return found.isoformat()


def moment(value: Any) -> str:
    try:
        return rows.utc_text(datetime.fromisoformat(value))
    except (TypeError, ValueError, OverflowError):
        raise Unfit("a moment with its offset, such as 2026-05-03T06:30:00+00:00") from None


def word(known: Sequence[str]) -> Check:
    def check(value: Any) -> str:
        if value not in known:
            raise Unfit(did_you_mean(str(value), known, f"one of {', '.join(known)}"))
        return str(value)

    return check


def document(value: Any) -> Mapping[str, Any]:
    if not isinstance(value, dict):
        raise Unfit("an object in braces")
    return value


def optional(check: Check) -> Check:
    def checked(value: Any) -> Any:
        return None if value is None else check(value)

    return checked


def shaped(value: Any, wanted: Mapping[str, Check]) -> None:
    """That an object has these keys, and each what it must hold; others may stand beside them."""
    for key, check in wanted.items():
        if key not in value:
            raise Unfit(f'a "{key}"')
        try:
            check(value[key])
        except Unfit as problem:
            raise Unfit(f'in "{key}" {problem}') from None


def parsed(line: bytes) -> dict[str, Any]:
    """A line's JSON object. Unfit for anything else: two equal keys, NaN, broken text."""
    try:
        found = read_json(line.decode(), object_pairs_hook=_once, parse_constant=_no_number)
    except Unfit:
        raise
    except ValueError:
        raise Unfit("one JSON object") from None
    if not isinstance(found, dict):
        raise Unfit("one JSON object")
    return found


def _once(pairs: list[tuple[str, Any]]) -> dict[str, Any]:
    found = dict(pairs)
    if len(found) < len(pairs):
        twice = next(key for key, _ in pairs if sum(key == other for other, _ in pairs) > 1)
        raise Unfit(f'the key "{twice}" once')
    return found


def _no_number(name: str) -> float:
    raise Unfit(f"a number, not {name}")
