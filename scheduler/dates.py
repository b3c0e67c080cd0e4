"""Days and moments as people type them, read the same way everywhere: "friday", "5/3", "3 May", "7:30 pm"."""

from __future__ import annotations

import re
from collections.abc import Iterator
from datetime import date, datetime, time, timedelta
from typing import Literal

from scheduler.model import EARLIEST, LATEST
from scheduler.nearest import did_you_mean

Lean = Literal["past", "future", "year"]
"""Which of several days is meant where the year or the week is left out: the last one (today among them), the
next one after today, or that of this year (of weekdays the last one)."""

WEEKDAYS = ("monday", "tuesday", "wednesday", "thursday", "friday", "saturday", "sunday")
MONTHS = (
    "january", "february", "march", "april", "may", "june",
    "july", "august", "september", "october", "november", "december",
)  # fmt: skip
DAYS_OFF = {"today": 0, "yesterday": -1, "tomorrow": 1}
TIMES_BY_NAME = {"noon": time(12), "midday": time(12), "midnight": time(0)}
_LONGEST = 60
_ORDINAL = re.compile(r"\b(\d{1,2})(?:st|nd|rd|th)\b")
_ISO = re.compile(r"(\d{4})[-/.](\d{1,2})[-/.](\d{1,2})")
_DIGITS = re.compile(r"(\d{1,2})([-/.])(\d{1,2})(?:\2(\d{4}|\d\d)?)?")
_DAY_MONTH = re.compile(r"(\d{1,2})\.? ?([a-z]{3,})\.?(?: (\d{4}))?")
_MONTH_DAY = re.compile(r"([a-z]{3,})\.? ?(\d{1,2})(?: (\d{4}))?")
_DAYS_AWAY = re.compile(r"(?:in (\d{1,3}) days?|(\d{1,3}) days? (ago))")
_TIME = r"(\d{1,2}:\d\d(?::00)?(?:\s*[ap]\.?m\.?)?|\d{1,2}\s*[ap]\.?m\.?)"
_TIME_AT_END = re.compile(rf"(.*?)(?:\s+|t)(?:at )?{_TIME}")
_TIME_IN_FRONT = re.compile(rf"{_TIME}\s+(?:on )?(\D.*|\d+[^:]*)")


def day(typed: str, *, today: date, lean: Lean = "past", month_first: bool) -> date:
    """The day that is meant; ValueError with a text for the grower, the nearest known word in it.

    `month_first` says how 5/3 is read.

    >>> wednesday = date(2026, 5, 6)
    >>> str(day("friday", today=wednesday, lean="past", month_first=True))
    '2026-05-01'
    >>> str(day("friday", today=wednesday, lean="future", month_first=True))
    '2026-05-08'
    >>> [str(day("5/3", today=wednesday, month_first=us)) for us in (True, False)]
    ['2026-05-03', '2026-03-05']
    """
    text = _tidy(typed)
    try:
        return _within(typed, date.fromisoformat(text.upper()))
    except _NotTheYear:
        raise
    except ValueError:
        pass
    found = _by_name(text, today, lean)
    if found is None:
        found = _by_figures(typed, text, today, lean, month_first)
    if found is None:
        raise ValueError(f"{_quoted(typed)} is not a date - {_example(text, month_first)}")
    return _within(typed, found)


def moment(
    typed: str, *, now: datetime, lean: Lean = "past", month_first: bool, day_alone: bool = False
) -> datetime:
    """A time of today ("07:30", "7 pm"), a day and a time, or ISO; in the time zone of `now`.

    A day without a time is its first minute where `day_alone` allows it.  Raises ValueError as `day` does.

    >>> noon = datetime.fromisoformat("2026-05-06T12:00-04:00")
    >>> str(moment("yesterday 6:30 pm", now=noon, month_first=True))
    '2026-05-05 18:30:00-04:00'
    """
    text = _tidy(typed)
    if text == "now":
        return now
    if (stamp := _stamp(text, now)) is not None:
        return stamp
    said, at = _split(text)
    if at is None and not day_alone:
        _refuse_without_time(typed, said, now.date(), lean, month_first)
    when = day(said, today=now.date(), lean=lean, month_first=month_first) if said else now.date()
    return datetime.combine(when, at or time(0), now.tzinfo)


def time_of_day(typed: str) -> time:
    """A time of day, of 24 hours or with am and pm; ValueError for anything else.

    >>> time_of_day("6:30 pm")
    datetime.time(18, 30)
    """
    pattern = r"([0-9]{1,2})(?::([0-9]{2})(?::00)?)?(?:\s*([ap])\.?m\.?)?"
    found = re.fullmatch(pattern, typed.casefold())
    if not found:
        raise ValueError
    if not (found[2] or found[3]):
        hour = int(found[1])
        meant = f' or "{hour + 12}:00"' if 1 <= hour < 12 else ""
        raise ValueError(f'write it with its minutes, "{hour:02}:00"{meant}')
    hour, minute = int(found[1]), int(found[2] or 0)
    if found[3] and not 1 <= hour <= 12:
        raise ValueError
    hour = hour % 12 + (12 if found[3] == "p" else 0) if found[3] else hour
    if hour > 23 or minute > 59:
        raise ValueError("the day runs from 00:00 to 23:59")
    return time(hour, minute)


def spoken(when: date) -> str:
    """A day with its weekday, which shows a slip at once.

    >>> spoken(date(2026, 5, 1))
    'Fri 1 May 2026'
    """
    weekday, month = WEEKDAYS[when.weekday()][:3], MONTHS[when.month - 1][:3]
    return f"{weekday.capitalize()} {when.day} {month.capitalize()} {when.year}"


def short(when: date) -> str:
    """A day of this season.

    >>> short(date(2026, 5, 1))
    '1 May'
    """
    return f"{when.day} {MONTHS[when.month - 1][:3].capitalize()}"


class _NotTheYear(ValueError):
    def __init__(self, typed: str) -> None:
        super().__init__(
            f"{_quoted(typed)} is not a date: the year cannot be right ({EARLIEST.year} to {LATEST.year})"
        )


def _within(typed: str, found: date) -> date:
    if not EARLIEST <= found <= LATEST:
        raise _NotTheYear(typed)
    return found


def _tidy(typed: str) -> str:
    text = " ".join(typed.casefold().replace(",", " ").split())[:_LONGEST]
    return _ORDINAL.sub(r"\1", text).replace(" of ", " ").removeprefix("the ").removeprefix("on ")


def _quoted(typed: str) -> str:
    text = " ".join(typed.split())
    return f'"{text if len(text) <= _LONGEST else text[: _LONGEST - 3] + "..."}"'


def _example(text: str, month_first: bool) -> str:
    otherwise = f"for example 2026-06-12, {'6/12' if month_first else '12/6'}, 12 Jun, friday, yesterday"
    if text in ("last", "next", "in", "the") or text.isdecimal():  # the shell handed over the first word only
        return 'several words go in quotes, such as "last friday" or "3 May"'
    words = [word for word in re.findall(r"[^\W\d]+", text) if len(word) > 2]
    known = (*DAYS_OFF, *WEEKDAYS, *MONTHS)
    wrong = next((word for word in words if _named(word, known) is None), None)
    return did_you_mean(wrong, known, otherwise) if wrong else otherwise


def _named(word: str, names: tuple[str, ...]) -> int | None:
    """Which of the names is meant, whole or by three letters or more; "tues", "sept"."""
    word = word.rstrip(".")
    if len(word) < 3:
        return None
    return next((i for i, name in enumerate(names) if name.startswith(word)), None)


def _by_name(text: str, today: date, lean: Lean) -> date | None:
    """today, friday, last friday, next friday, 3 days ago, in 3 days."""
    if text in DAYS_OFF:
        return today + timedelta(days=DAYS_OFF[text])
    if away := _DAYS_AWAY.fullmatch(text):
        return today + timedelta(days=-int(away[2]) if away[3] else int(away[1]))
    which, _, name = text.rpartition(" ")
    weekday = _named(name, WEEKDAYS)
    if weekday is None or which not in ("", "last", "next", "this", "until"):
        return None
    if which == "next" or (which != "last" and lean == "future"):
        return today + timedelta(days=(weekday - today.weekday() - 1) % 7 + 1)
    back = (today.weekday() - weekday) % 7
    return today - timedelta(days=7 if which == "last" and back == 0 else back)


def _by_figures(typed: str, text: str, today: date, lean: Lean, month_first: bool) -> date | None:
    """2026-5-3, 5/3, 5/3/26, 3 May, May 3 2026."""
    if iso := _ISO.fullmatch(text):
        return _whole(typed, int(iso[1]), int(iso[2]), int(iso[3]))
    month: int | None
    if digits := _DIGITS.fullmatch(text):
        first, second, year = int(digits[1]), int(digits[3]), digits[4]
        month, of_month = (first, second) if month_first else (second, first)
        if month > 12 >= of_month:
            order = "month/day" if month_first else "day/month"
            raise ValueError(f'{_quoted(typed)}: {order} is read here - did you mean "{second}/{first}"?')
    elif named := _DAY_MONTH.fullmatch(text):
        month, of_month, year = _month(named[2]), int(named[1]), named[3]
    elif named := _MONTH_DAY.fullmatch(text):
        month, of_month, year = _month(named[1]), int(named[2]), named[3]
    else:
        return None
    if month is None:
        return None
    if year:
        return _whole(typed, int(year) if len(year) == 4 else 2000 + int(year), month, of_month)
    return _nearest_year(typed, month, of_month, today, lean)


def _month(word: str) -> int | None:
    """1 to 12; None where the word is no month."""
    found = _named(word, MONTHS)
    return None if found is None else found + 1


def _whole(typed: str, year: int, month: int, of_month: int) -> date:
    if not EARLIEST.year <= year <= LATEST.year:
        raise _NotTheYear(typed)
    try:
        return date(year, month, of_month)
    except ValueError:
        raise ValueError(f"{_quoted(typed)} is not a date: the calendar has no such day") from None


def _nearest_year(typed: str, month: int, of_month: int, today: date, lean: Lean) -> date:
    """A day without its year."""
    for found in _of_years(month, of_month, today.year, {"past": -1, "future": 1, "year": 0}[lean]):
        if lean == "year" or (found <= today if lean == "past" else found > today):
            return found
    leap = " - name the year" if (month, of_month) == (2, 29) else ""
    raise ValueError(f"{_quoted(typed)} is not a date: the calendar has no such day{leap}")


def _of_years(month: int, of_month: int, year: int, step: int) -> Iterator[date]:
    for candidate in (year, year + step):
        try:
            yield date(candidate, month, of_month)
        except ValueError:  # 29 February
            continue


def _stamp(text: str, now: datetime) -> datetime | None:
    """ISO date and time, of the zone of `now` unless it carries an offset."""
    if ":" not in text or not re.match(r"\d{4}-\d\d-\d\d[t ]", text):
        return None
    try:
        found = datetime.fromisoformat(text.upper())
    except ValueError:
        return None
    _within(text, found.date())
    return found.replace(tzinfo=now.tzinfo) if found.tzinfo is None else found.astimezone(now.tzinfo)


def _split(text: str) -> tuple[str, time | None]:
    """The day as said, empty for today, and the time; None where there is no time in it."""
    *words, last = text.split(" ")
    if last in TIMES_BY_NAME:
        return " ".join(words), TIMES_BY_NAME[last]
    if found := _TIME_AT_END.fullmatch(f" {text}"):
        return found[1].strip(), _time(found[2])
    if found := _TIME_IN_FRONT.fullmatch(text):
        return found[2], _time(found[1])
    return text, None


def _time(text: str) -> time:
    try:
        return time_of_day(text)
    except ValueError as error:
        why = f": {error}" if str(error) else ""
        raise ValueError(f"{_quoted(text)} is not a time{why} - for example 07:30 or 7:30 pm") from None


def _refuse_without_time(typed: str, said: str, today: date, lean: Lean, month_first: bool) -> None:
    try:
        day(said, today=today, lean=lean, month_first=month_first)
    except ValueError:
        text = f'{_quoted(typed)} is not a time - for example 07:30, 7:30 pm or "yesterday 18:00"'
        raise ValueError(text) from None
    raise ValueError(f'{_quoted(typed)} names no time of the day - for example "{said} 18:00"')
