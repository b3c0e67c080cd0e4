"""Days and moments as people type them; python-dateutil is the second opinion."""

from __future__ import annotations

from datetime import date, datetime, timedelta
from zoneinfo import ZoneInfo

import pytest
from dateutil.parser import parse
from dateutil.relativedelta import FR, MO, SA, SU, TH, TU, WE, relativedelta
from hypothesis import given
from hypothesis import strategies as st

from scheduler.dates import WEEKDAYS, day, moment, spoken

WEEK = dict(zip(WEEKDAYS, (MO, TU, WE, TH, FR, SA, SU), strict=True))
DAYS = st.dates(date(1999, 1, 1), date(2060, 12, 31))
NOW = datetime(2026, 5, 6, 12, 0, tzinfo=ZoneInfo("America/New_York"))


def read(typed: str, lean="past", today=date(2026, 5, 6), month_first=True) -> str:
    return str(day(typed, today=today, lean=lean, month_first=month_first))


@given(DAYS, st.sampled_from(WEEKDAYS))
def test_weekdays_are_those_of_the_reference_library(today: date, name: str) -> None:
    back = today + relativedelta(weekday=WEEK[name](-1))
    ahead = today + timedelta(days=1) + relativedelta(weekday=WEEK[name](+1))
    before = today - timedelta(days=1) + relativedelta(weekday=WEEK[name](-1))
    assert read(name, "past", today) == read(name[:3].title(), "year", today) == str(back)
    assert read(name, "future", today) == read(f"next {name}", "past", today) == str(ahead)
    assert read(f"last {name}", "future", today) == str(before)


@given(DAYS, DAYS, st.booleans())
def test_figures_are_those_of_the_reference_library(that: date, today: date, month_first: bool) -> None:
    first, second = (that.month, that.day) if month_first else (that.day, that.month)
    for mark in "/-.":
        typed = f"{first}{mark}{second}{mark}{that.year}"
        expected = parse(typed, dayfirst=not month_first).date()
        assert read(typed, today=today, month_first=month_first) == str(expected) == str(that)
    for typed in (
        f"{that:%d %B %Y}",
        f"{that:%b %d, %Y}",
        f"{that.day}. {that:%B} {that.year}",
        spoken(that)[4:],
    ):
        assert read(typed, today=today) == str(parse(typed).date())


@given(DAYS, DAYS)
def test_without_a_year_the_nearest_in_its_direction(that: date, today: date) -> None:
    if (that.month, that.day) == (2, 29):
        return
    typed = f"{that.month}/{that.day}"
    past, future, year = (date.fromisoformat(read(typed, lean, today)) for lean in ("past", "future", "year"))
    assert past <= today < future
    assert past + relativedelta(years=1) == future
    assert year.year == today.year


@pytest.mark.parametrize(
    ("typed", "expected"),
    [
        ("today", "2026-05-06"), ("Yesterday", "2026-05-05"), ("tomorrow", "2026-05-07"),
        ("3 days ago", "2026-05-03"), ("in 2 days", "2026-05-08"), ("wednesday", "2026-05-06"),
        ("the 3rd of May", "2026-05-03"), ("tues.", "2026-05-05"), ("2026-5-3", "2026-05-03"),
        ("5/3/26", "2026-05-03"), ("5/7", "2025-05-07"),
        ("5.3.", "2026-05-03"), ("5/3/", "2026-05-03"), ("sept 1", "2025-09-01"),
    ],
)  # fmt: skip
def test_days_by_name(typed: str, expected: str) -> None:
    assert read(typed) == expected


@pytest.mark.parametrize(
    ("typed", "words"),
    [
        ("firday", 'did you mean "friday"?'), ("yestreday", 'did you mean "yesterday"?'),
        ("3 Mya", 'did you mean "may"?'),
        ("soon", "for example 2026-06-12, 6/12, 12 Jun, friday, yesterday"),
        ("20/6", 'month/day is read here - did you mean "6/20"?'), ("2/30", "no such day"),
        ("last", "several words go in quotes"), ("3", 'such as "last friday" or "3 May"'),
        ("29 Feb", "name the year"), ("2026-02-30", "no such day"), ("3/4/1066", "year cannot be right"),
        ("", "for example"), ("x" * 500, "for example"), ("0/5", "no such day"),
        ("in 3 weeks", "for example"),
    ],
)  # fmt: skip
def test_what_is_no_date_is_told_with_what_is_one(typed: str, words: str) -> None:
    with pytest.raises(ValueError, match="is not a date|is read here") as wrong:
        read(typed)
    assert words in str(wrong.value)
    assert len(str(wrong.value)) < 200


@pytest.mark.parametrize(
    ("typed", "expected"),
    [
        ("07:30", "2026-05-06T07:30"), ("7 pm", "2026-05-06T19:00"), ("yesterday 18:00", "2026-05-05T18:00"),
        ("18:00 yesterday", "2026-05-05T18:00"), ("fri 7:15am", "2026-05-01T07:15"),
        ("now", "2026-05-06T12:00"),
        ("5/3 at 7:30", "2026-05-03T07:30"), ("2026-06-12T07:30", "2026-06-12T07:30"),
        ("2026-06-12 07:30+02:00", "2026-06-12T01:30"), ("yesterday noon", "2026-05-05T12:00"),
    ],
)  # fmt: skip
def test_moments(typed: str, expected: str) -> None:
    found = moment(typed, now=NOW, month_first=True)
    assert found == datetime.fromisoformat(expected).replace(tzinfo=NOW.tzinfo)
    assert found.tzinfo is NOW.tzinfo


@pytest.mark.parametrize(
    ("typed", "words"),
    [
        ("yesterday", 'for example "yesterday 18:00"'), ("25:00", "00:00 to 23:59"),
        ("nope", "is not a time"),
        ("firday 7:00", 'did you mean "friday"?'), ("13 pm", "is not a time"), ("", "is not a time"),
    ],
)  # fmt: skip
def test_what_is_no_moment(typed: str, words: str) -> None:
    with pytest.raises(ValueError, match="time|date") as wrong:
        moment(typed, now=NOW, month_first=True)
    assert words in str(wrong.value)


def test_a_day_alone_is_its_first_minute_where_that_is_meant() -> None:
    assert str(moment("yesterday", now=NOW, month_first=True, day_alone=True)) == "2026-05-05 00:00:00-04:00"


@given(st.text(max_size=30), DAYS)
def test_any_text_is_a_day_or_a_plain_complaint(typed: str, today: date) -> None:
    for month_first in (True, False):
        complaint = None
        try:
            day(typed, today=today, month_first=month_first)
        except ValueError as error:
            complaint = str(error)
        assert complaint is None or complaint.startswith('"')  # ours, with the text as typed
