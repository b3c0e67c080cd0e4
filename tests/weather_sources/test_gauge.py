"""The grower's gauge over local days: rules of the project's own interface, no outside numbers."""

from __future__ import annotations

from datetime import date, datetime, timedelta
from zoneinfo import ZoneInfo

import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st

from scheduler.errors import BadInput
from scheduler.model import RainReading, WeatherValue
from scheduler.weather.days import gauge_values, join, rain_so_far

ZONE = ZoneInfo("America/New_York")
TODAY = date(2026, 6, 13)
YESTERDAY = TODAY - timedelta(days=1)


def local(day: int, hour: int, minute: int = 0) -> datetime:
    return datetime(2026, 6, day, hour, minute, tzinfo=ZONE)


def said(mm: float, day: date, field: str = "rain_mm") -> WeatherValue:
    return WeatherValue(day, field, mm, "open-meteo", "model", local(13, 6))


def caught(
    readings: list[RainReading], values: list[WeatherValue], today: date = TODAY
) -> dict[tuple[date, str], float]:
    made = gauge_values(readings, values, ZONE, today=today)
    assert all((v.source, v.kind) == ("gauge", "gauge") for v in made)
    return {(v.day, v.field): pytest.approx(v.value) for v in made}


LAST_24_H = RainReading(12.0, local(12, 7), local(13, 7))


def test_split_as_the_other_sources_rain() -> None:
    assert caught([LAST_24_H], [said(3.0, YESTERDAY), said(1.0, TODAY, "rain_so_far_mm")]) == {
        (YESTERDAY, "rain_mm"): 9.0,
        (TODAY, "rain_so_far_mm"): 3.0,
    }
    assert caught([LAST_24_H], [said(3.0, YESTERDAY), said(9.0, TODAY)]) == {
        (YESTERDAY, "rain_mm"): 3.0,
        (TODAY, "rain_so_far_mm"): 9.0,
    }


def test_todays_rain_still_to_come_is_not_what_the_gauge_caught() -> None:
    values = [said(3.0, YESTERDAY), said(20.0, TODAY), said(0.0, TODAY, "rain_so_far_mm")]
    assert caught([LAST_24_H], values)[YESTERDAY, "rain_mm"] == 12.0


@pytest.mark.parametrize("values", [[], [said(0.0, YESTERDAY), said(0.0, TODAY, "rain_so_far_mm")]])
def test_without_other_rain_all_to_the_earlier_day(values: list[WeatherValue]) -> None:
    assert caught([LAST_24_H], values) == {(YESTERDAY, "rain_mm"): 12.0, (TODAY, "rain_so_far_mm"): 0.0}


def test_a_dry_gauge_beats_a_wet_model() -> None:
    values = [said(8.0, YESTERDAY)]
    gauge = gauge_values([RainReading(0.0, local(12, 7), local(13, 7))], values, ZONE, today=TODAY)
    assert join([*values, *gauge], YESTERDAY, TODAY, ()).rain_mm[0] == 0.0
    assert rain_so_far([*values, *gauge], TODAY) == 0.0


def test_several_readings_of_a_day_add_up() -> None:
    readings = [
        RainReading(2.0, local(12, 0), local(12, 8)),
        RainReading(3.0, local(12, 8), local(12, 20)),
        RainReading(1.5, local(13, 1), local(13, 2)),
        RainReading(0.5, local(13, 2), local(13, 3)),
    ]
    assert caught(readings, []) == {(YESTERDAY, "rain_mm"): 5.0, (TODAY, "rain_so_far_mm"): 2.0}


def test_reading_from_midnight_to_midnight_is_one_day() -> None:
    assert caught([RainReading(4.0, local(12, 0), local(13, 0))], [said(1.0, TODAY)]) == {
        (YESTERDAY, "rain_mm"): 4.0
    }


def test_a_short_look_does_not_stand_for_the_whole_day() -> None:
    """Read at seven; the afternoon's thunderstorm is only in the other sources: it must not be lost."""
    reading = RainReading(2.0, local(12, 0), local(12, 7))
    assert caught([reading], [said(30.0, YESTERDAY)]) == {}
    assert caught([reading], [said(1.0, YESTERDAY)]) == {(YESTERDAY, "rain_mm"): 2.0}, "at least so much fell"
    whole = [reading, RainReading(5.0, local(12, 7), local(13, 7))]
    assert caught(whole, [said(30.0, YESTERDAY)])[YESTERDAY, "rain_mm"] == 7.0


def test_days_of_the_site_not_of_utc() -> None:
    reading = RainReading(4.0, local(12, 21), local(12, 23))  # 13 June already in UTC
    assert caught([reading], []) == {(YESTERDAY, "rain_mm"): 4.0}


@pytest.mark.parametrize(
    ("mm", "since", "at"),
    [
        (-1.0, local(12, 7), local(13, 7)),
        (float("nan"), local(12, 7), local(13, 7)),
        (5000.0, local(12, 7), local(13, 7)),
        (1.0, local(13, 7), local(13, 7)),
        (1.0, local(13, 8), local(13, 7)),
        (1.0, local(12, 7).replace(tzinfo=None), local(13, 7)),
        (1.0, local(12, 7) - timedelta(days=90), local(13, 7)),
    ],
)
def test_readings_that_cannot_be(mm: float, since: datetime, at: datetime) -> None:
    with pytest.raises(BadInput):
        RainReading(mm, since, at)


@settings(max_examples=100, deadline=None)
@given(
    st.floats(0, 200),
    st.integers(1, 24 * 20),
    st.integers(0, 24 * 60),
    st.lists(st.floats(0, 50), min_size=25, max_size=25),
)
@example(mm=1.5, hours=1, back=564, rain=[0.0] * 24 + [5e-324])
def test_no_drop_is_lost_or_made(mm: float, hours: int, back: int, rain: list[float]) -> None:
    """Looked at as today, every day of a reading keeps its part: the parts add up to the reading."""
    at = local(13, 12) - timedelta(hours=back)
    reading = RainReading(mm, at - timedelta(hours=hours), at)
    values = [said(r, TODAY - timedelta(days=i)) for i, r in enumerate(rain)]
    first = reading.since.astimezone(ZONE).date()
    made = gauge_values([reading], values, ZONE, today=first)  # so that no day is left out as half seen
    assert sum(v.value for v in made) == pytest.approx(mm)
    assert all(v.value >= 0 for v in made)
