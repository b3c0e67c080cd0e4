"""What all readers of answers share: JSON that may be anything, numbers that may be none."""

from __future__ import annotations

import json
import math
from collections.abc import Sequence
from datetime import date, datetime
from typing import Any

from scheduler.errors import CouldNot


def short(text: str) -> str:
    """Foreign text for one line of a summary: no control signs, no half characters."""
    return "".join(sign if sign.isprintable() else "?" for sign in " ".join(text.split())[:200])


def plain(text: str) -> str:
    """The same text without control signs and half characters, which no terminal should be sent."""
    return "".join(sign if sign.isprintable() or sign == "\n" else "?" for sign in text)


def finite(value: object) -> float | None:
    """A JSON number that is one; text, true and false, NaN and the infinite are none."""
    if isinstance(value, bool) or not isinstance(value, int | float):
        return None
    try:
        number = float(value)
    except OverflowError:
        return None
    return number if math.isfinite(number) else None


def json_object(text: str) -> dict[str, Any]:
    start = text.lstrip("\ufeff \t\r\n")[:200]
    if not start:
        raise CouldNot("the weather service answered with nothing")
    if start.startswith("<"):
        raise CouldNot(
            "a web page came instead of weather",
            hint="does the network want a sign-in? Open any page in a browser on it",
        )
    try:
        answer = json.loads(text.lstrip("\ufeff"))
    except RecursionError:
        raise CouldNot("the answer of the weather service is not readable (nested too deep)") from None
    except ValueError:
        if "while streaming" in text or start.startswith("{"):
            raise CouldNot("the answer of the weather service broke off in the middle") from None
        raise CouldNot(f'the answer of the weather service is not readable: "{short(start[:60])}"') from None
    if not isinstance(answer, dict):
        raise CouldNot("the weather service answered with something else than one place's weather")
    return answer


def unusable(what: str, at: Sequence[str]) -> str:
    """What is said of values that nobody can use; `at`: the day and hour of each, oldest first.

    >>> unusable("nws: rain", ["Thu 2 Jul 14:00"])
    'nws: rain: 1 unusable value (Thu 2 Jul 14:00) counted as missing'
    >>> unusable("nws: rain", ["Thu 2 Jul 14:00", "", "Fri 3 Jul 02:00"])
    'nws: rain: 3 unusable values (Thu 2 Jul 14:00 to Fri 3 Jul 02:00) counted as missing'
    """
    known = [text for text in at if text]
    span = "" if not known else f" ({known[0]})" if len(known) == 1 else f" ({known[0]} to {known[-1]})"
    return f"{what}: {len(at)} unusable value{'s' * (len(at) > 1)}{span} counted as missing"


def day_and_hour(moment: datetime) -> str:
    """Such as "Thu 2 Jul 14:00"."""
    return f"{day_name(moment)} {moment:%H:%M}"


def day_name(day: date) -> str:
    """Such as "Thu 2 Jul"."""
    return f"{day:%a} {day.day} {day:%b}"
