"""Which source's word counts: rules of the project's own interface, no outside numbers."""

from __future__ import annotations

import random
from datetime import UTC, date, datetime, timedelta
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from scheduler.model import WeatherValue
from scheduler.weather import days

DAY = date(2026, 6, 12)
MORNING = datetime(2026, 6, 13, 8, tzinfo=UTC)


def value(
    number: float, field: str = "rain_mm", source: str = "open-meteo", kind: Any = "model", *,
    day: date = DAY, hours: float = 0,
) -> WeatherValue:  # fmt: skip
    return WeatherValue(day, field, number, source, kind, MORNING + timedelta(hours=hours))


def joined(*values: WeatherValue, order: tuple[str, ...] = ("open-meteo", "file s.csv")) -> days.WeatherDays:
    return days.join(values, DAY, DAY + timedelta(days=1), order)


def test_nothing_known() -> None:
    made = joined()
    assert len(made) == 2
    assert np.isnan(made.rain_mm).all()
    assert made.came_from["rain_mm"] == (None, None)


def test_gauge_beats_station_beats_model() -> None:
    model, station = value(1.0), value(2.0, source="file s.csv", kind="station", hours=-24)
    gauge = value(3.0, source="gauge", kind="gauge", hours=-48)
    assert joined(model, station).rain_mm[0] == 2.0
    assert joined(gauge, model, station).rain_mm[0] == 3.0
    assert joined(model).came_from["rain_mm"] == ("open-meteo (model)", None)
    assert joined(model, station).came_from["rain_mm"][0] == "file s.csv (station)"
    assert joined(model, station, gauge).came_from["rain_mm"][0] == "gauge"


def test_then_the_growers_order_then_the_newer() -> None:
    one, other = value(1.0, source="a"), value(2.0, source="b", kind="forecast", hours=5)
    assert joined(one, other, order=("a", "b")).rain_mm[0] == 1.0
    assert joined(one, other, order=("b", "a")).rain_mm[0] == 2.0
    assert joined(one, other, order=("b",)).rain_mm[0] == 2.0, "unnamed ones come last"
    assert joined(one, other, order=()).rain_mm[0] == 2.0, "then the newer"


def test_later_word_of_a_source_replaces_its_earlier_one() -> None:
    forecast = value(9.0, kind="forecast", hours=-20)
    later = value(4.0, kind="model")
    for pair in ((forecast, later), (later, forecast)):
        assert joined(*pair).rain_mm[0] == 4.0
    assert joined(forecast, later).came_from["rain_mm"][0] == "open-meteo (model)"
    field_left_out = value(17.0, "tmin_c", kind="forecast", hours=-20)
    assert joined(field_left_out, later).tmin_c[0] == 17.0, "field by field"


def test_merged_per_value() -> None:
    made = joined(
        value(1.0), value(20.0, "tmax_c"), value(2.0, source="file s.csv", kind="station"),
        value(5.0, day=DAY + timedelta(days=1), kind="forecast"), value(7.0, day=DAY - timedelta(days=1)),
    )  # fmt: skip
    assert made.rain_mm.tolist() == [2.0, 5.0]
    assert made.tmax_c[0] == 20.0
    assert made.first == DAY


def test_wind_height_is_that_of_the_winds_source() -> None:
    model = [value(3.0, "wind_m_s"), value(10.0, "wind_height_m")]
    station = value(1.5, "wind_m_s", "file s.csv", "station")
    made = joined(*model, station)
    assert made.wind_m_s[0] == 1.5
    assert np.isnan(made.wind_height_m[0]), "the station says no height: 2 m, never the model's 10 m"
    height = value(3.0, "wind_height_m", "file s.csv", "station")
    assert joined(*model, station, height).wind_height_m[0] == 3.0
    assert joined(*model, height).wind_height_m[0] == 10.0
    assert np.isnan(joined(height).wind_height_m[0]), "no wind, no height"


def test_what_is_not_finite_never_counts() -> None:
    assert joined(value(1.0), value(float("nan"), source="file s.csv", kind="station")).rain_mm[0] == 1.0


def test_rain_so_far() -> None:
    so_far = [value(1.0, "rain_so_far_mm"), value(2.0, "rain_so_far_mm", "file s.csv", "station", hours=-1)]
    assert days.rain_so_far(so_far, DAY) == 2.0
    assert days.rain_so_far([*so_far, value(0.0, "rain_so_far_mm", "gauge", "gauge")], DAY) == 0.0
    assert days.rain_so_far(so_far, DAY + timedelta(days=1)) is None
    assert days.rain_so_far([value(5.0)], DAY) is None
    newer = value(1.5, "rain_so_far_mm", hours=2)
    assert days.rain_so_far([newer, so_far[0]], DAY) == 1.5


def test_first_after_last_is_a_mistake() -> None:
    with pytest.raises(ValueError, match="is after"):
        days.join([], DAY, DAY - timedelta(days=1), ())


VALUES = st.builds(
    WeatherValue,
    st.sampled_from([DAY, DAY + timedelta(days=1)]),
    st.sampled_from(["rain_mm", "wind_m_s", "wind_height_m", "rain_so_far_mm"]),
    st.floats(-5, 50),
    st.sampled_from(["a", "b", "gauge"]),
    st.sampled_from(["gauge", "station", "model", "forecast"]),
    st.integers(0, 5).map(lambda h: MORNING + timedelta(hours=h)),
)


@settings(max_examples=100, deadline=None)
@given(
    st.lists(VALUES, unique_by=lambda v: (v.day, v.field, v.source, v.fetched_at)),
    st.randoms(use_true_random=False),
)
def test_order_of_the_facts_does_not_matter(values: list[WeatherValue], chance: random.Random) -> None:
    shuffled = chance.sample(values, len(values))
    one, other = joined(*values, order=("a", "b")), joined(*shuffled, order=("a", "b"))
    assert one.came_from == other.came_from
    for field in ("rain_mm", "wind_m_s", "wind_height_m"):
        assert np.array_equal(getattr(one, field), getattr(other, field), equal_nan=True)
