"""What the morning says of quality control: each loss once, a failing sensor once and then weekly."""

from __future__ import annotations

from datetime import date, timedelta

import pytest
from core.gardens import weather

from scheduler.core.quality.checks import Flag
from scheduler.pages.quality import notices, working_lines

TODAY = date(2023, 7, 20)


def lost(day: date, field: str = "solar_mj_m2", value: float = 0.0) -> Flag:
    return Flag(day, field, value, "rejected", "no sun", "too dark", "file shed.csv", kind="station")


def failing(first_seen: date, day: date) -> Flag:
    return Flag(
        day, "solar_mj_m2", 0.7, "kept", "sun reads low", "reads low", "file shed.csv",
        since=first_seen - timedelta(days=59), first_seen=first_seen, kind="station",
    )  # fmt: skip


def levels(*flags: Flag, before: date | None = TODAY - timedelta(days=1), **known: list[float]) -> list[str]:
    days = weather(TODAY - timedelta(days=2), 3, **known)
    return [notice.level for notice in notices(flags, days, today=TODAY, said_before=before, display="us")]


def test_a_loss_is_told_on_the_first_morning_after_it_only() -> None:
    yesterday = TODAY - timedelta(days=1)
    assert levels(lost(yesterday)) == ["info"]
    assert levels(lost(yesterday - timedelta(days=1))) == []
    assert levels(lost(yesterday - timedelta(days=1)), before=yesterday - timedelta(days=1)) == ["info"]
    assert levels(lost(TODAY - timedelta(days=20)), before=TODAY - timedelta(days=30)) == []
    assert levels(lost(TODAY - timedelta(days=20)), before=None) == []  # first morning: years of a file


def test_what_nobody_else_has_asks_for_an_eye() -> None:
    gone = lost(TODAY - timedelta(days=1), "tmax_c", 99.0)
    assert levels(gone) == ["look"]
    assert levels(gone, tmax_c=[30.0, 31.0, 32.0]) == ["info"]


def test_forecast_first_and_measured_then_is_one_line() -> None:
    yesterday = TODAY - timedelta(days=1)
    (notice,) = notices(
        [lost(yesterday), lost(yesterday)],
        weather(yesterday, 2),
        today=TODAY,
        said_before=yesterday,
        display="us",
    )
    assert "solar radiation 0.0 MJ/m2 of 2023-07-19 by file shed.csv set aside" in notice.text


@pytest.mark.parametrize(
    ("ago", "told"), [(1, True), (2, False), (6, False), (7, True), (8, False), (14, True)]
)
def test_a_failing_sensor_is_told_when_seen_and_each_week(ago: int, told: bool) -> None:
    flag = failing(TODAY - timedelta(days=ago), TODAY - timedelta(days=1))
    assert levels(flag) == (["look"] if told else [])


def test_a_sensor_that_is_well_again_is_not_spoken_of() -> None:
    assert levels(failing(TODAY - timedelta(days=14), TODAY - timedelta(days=4))) == []


def test_the_working_of_a_day_shows_slow_faults_too() -> None:
    slow = failing(TODAY - timedelta(days=14), TODAY - timedelta(days=1))
    (line,) = working_lines([slow, lost(TODAY - timedelta(days=9))], TODAY - timedelta(days=5))
    assert line["what"] == "kept, in doubt: solar radiation of file shed.csv"
    assert line["source"].startswith("sun reads low: ASCE-EWRI 2005")
