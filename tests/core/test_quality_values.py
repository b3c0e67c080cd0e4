"""Quality control of single facts before sources are joined: the next source's word counts."""

from __future__ import annotations

from datetime import UTC, date, datetime, timedelta

from hypothesis import given, settings
from hypothesis import strategies as st

from scheduler.core.quality.screen import SILENT_DAYS, screen
from scheduler.model import Location, ValueKind, WeatherValue
from scheduler.weather.days import join

HERE = Location(35.6, -82.4, 650.0, "America/New_York")
DAY = date(2023, 6, 10)
NOW = datetime(2023, 6, 11, 7, tzinfo=UTC)


def said(
    field: str, value: float, source: str = "shed", kind: ValueKind = "station", day: date = DAY
) -> WeatherValue:
    return WeatherValue(day, field, value, source, kind, NOW)


def test_what_a_station_may_not_be_believed_the_next_source_answers() -> None:
    values = [
        said("tmin_c", 12.0), said("tmax_c", 27.0), said("solar_mj_m2", 0.0),
        said("solar_mj_m2", 24.5, "service", "model"), said("rain_mm", 817.4),
        said("rain_mm", 3.0, "service", "model"),
    ]  # fmt: skip
    screened = screen(values, HERE)
    days = join(screened.values, DAY, DAY, ["shed", "service"])
    assert (days.solar_mj_m2[0], days.came_from["solar_mj_m2"][0]) == (24.5, "service (model)")
    assert (days.rain_mm[0], days.came_from["rain_mm"][0]) == (3.0, "service (model)")
    assert days.came_from["tmax_c"][0] == "shed (station)"
    assert {(f.field, f.value, f.source) for f in screened.flags} == {
        ("solar_mj_m2", 0.0, "shed"), ("rain_mm", 817.4, "shed")
    }  # fmt: skip


def test_an_unheard_of_rain_stands_where_another_bears_it_out() -> None:
    """Days of two sources need not end at one hour: the neighbouring day counts."""
    for day, mm, stands in ((DAY, 210.0, True), (DAY - timedelta(days=1), 210.0, True), (DAY, 150.0, False)):
        values = [said("rain_mm", 700.0), said("rain_mm", mm, "model", "model", day)]
        assert (values[0] in screen(values, HERE).values) is stands


def test_rain_so_far_is_held_to_the_same() -> None:
    """A counter that jumped must not call off today's water."""
    broken = said("rain_so_far_mm", 812.8)
    assert broken not in screen([broken], HERE).values
    borne_out = said("rain_so_far_mm", 300.0, "model", "model")
    assert broken in screen([broken, borne_out], HERE).values


def test_the_growers_gauge_is_believed() -> None:
    gauge = WeatherValue(DAY, "rain_mm", 700.0, "gauge", "gauge", NOW)
    screened = screen([gauge], HERE)
    assert screened.values == [gauge]
    assert screened.flags == ()


def test_only_the_newest_word_of_a_source_is_looked_at() -> None:
    old = WeatherValue(DAY, "rain_mm", 700.0, "shed", "station", NOW - timedelta(hours=5))
    screened = screen([old, said("rain_mm", 7.0)], HERE)
    assert screened.flags == ()


def test_the_model_repairs_what_it_repairs() -> None:
    """A sun a little over a clear sky's stays: model M1 holds it, and it still beats the next source."""
    high = said("solar_mj_m2", 34.0)
    screened = screen([high, said("solar_mj_m2", 20.0, "model", "model")], HERE)
    assert high in screened.values
    assert [(f.verdict, f.rule) for f in screened.flags] == [("repaired", "over a clear sky")]


def gauge_days(count: int, mm: float, missed: float) -> list[WeatherValue]:
    values = []
    for i in range(count):
        day = DAY - timedelta(days=count - i)
        values += [said("rain_mm", mm, day=day), said("rain_mm", missed, "model", "model", day)]
    return values


def test_a_gauge_that_catches_nothing_while_others_tell_of_rain() -> None:
    flags = screen(gauge_days(SILENT_DAYS, 0.0, 2.0), HERE).flags
    assert [(f.rule, f.verdict, f.source) for f in flags] == [("rain gauge silent", "kept", "shed")]
    assert screen(gauge_days(SILENT_DAYS - 1, 0.0, 3.0), HERE).flags == ()
    assert screen(gauge_days(SILENT_DAYS, 0.0, 1.0), HERE).flags == ()
    assert screen(gauge_days(SILENT_DAYS, 0.2, 9.0), HERE).flags == ()


def test_forecasts_of_rain_that_did_not_come_prove_nothing() -> None:
    values = []
    for i in range(30):
        day = DAY - timedelta(days=i)
        values += [said("rain_mm", 0.0, day=day), said("rain_mm", 9.0, "service", "forecast", day)]
    assert screen(values, HERE).flags == ()


kinds = st.sampled_from(["gauge", "station", "model", "forecast"])
facts = st.builds(
    WeatherValue,
    day=st.dates(date(2023, 5, 1), date(2023, 7, 1)),
    field=st.sampled_from(["tmin_c", "tmax_c", "tdew_c", "rh_max_pct", "wind_m_s", "solar_mj_m2", "rain_mm",
                           "rain_so_far_mm"]),
    value=st.floats(-200, 3000),
    source=st.sampled_from(["shed", "model", "gauge"]),
    kind=kinds,
    fetched_at=st.datetimes(datetime(2023, 7, 1), datetime(2023, 7, 3), timezones=st.just(UTC)),
)  # fmt: skip


@settings(max_examples=80, deadline=None)
@given(st.lists(facts, max_size=60))
def test_values_are_only_ever_left_out_and_each_loss_is_told(values: list[WeatherValue]) -> None:
    screened = screen(values, HERE)
    kept = iter(values)
    assert all(any(value is mine for mine in kept) for value in screened.values)  # same order, unchanged
    told = {(f.source, f.day, f.field) for f in screened.flags if f.verdict == "rejected"}
    stands = {id(value) for value in screened.values}
    for value in values:
        if id(value) not in stands:
            assert value.kind != "gauge"
            assert (value.source, value.day, value.field) in told
