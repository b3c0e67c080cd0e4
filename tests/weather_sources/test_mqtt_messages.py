"""Messages of stations as days: documented forms, times, counters, local days, what must not count.

Shapes: a radio receiver's JSON and a station program's loop packets, as their documentation describes them
(invented values, tests/weather/samples/station_mqtt_messages.jsonl).
"""

from __future__ import annotations

import json
import math
from collections.abc import Sequence
from datetime import UTC, date, datetime, timedelta
from pathlib import Path
from typing import Any
from zoneinfo import ZoneInfo

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from scheduler.errors import BadInput, CouldNot
from scheduler.model import Fetched, Location, SourceSpec
from scheduler.weather.mqtt import messages, readings
from scheduler.weather.mqtt import station as mqtt_station
from scheduler.weather.mqtt.readings import Message

NEW_YORK = ZoneInfo("America/New_York")
PLACE = Location(34.5, -81.5, 152, "America/New_York")
TODAY = date(2026, 6, 14)
NOW = datetime(2026, 6, 14, 7, 30, tzinfo=UTC)


def said(payload: Any, at: datetime = NOW, *, retained: bool = False, topic: str = "s") -> Message:
    return Message(at, topic, payload if isinstance(payload, str) else json.dumps(payload), retained)


def parse(
    heard: Sequence[Message],
    today: date = TODAY,
    now: datetime = NOW,
    zone: ZoneInfo = NEW_YORK,
    **settings: Any,
) -> Fetched:
    return mqtt_station.parse(
        heard, messages.plan(settings), zone, today=today, now=now, span_from=today - timedelta(days=8),
        source="mqtt s",
    )  # fmt: skip


def table(found: Fetched) -> dict[date, dict[str, float]]:
    days: dict[date, dict[str, float]] = {}
    for value in found.values:
        assert value.kind == "station"
        assert value.field not in days.setdefault(value.day, {})
        days[value.day][value.field] = value.value
    return days


# --- daily ---------------------------------------------------------------------------------------


def test_names_as_they_are_called_here() -> None:
    found = parse([said({"date": "2026-06-13", "tmax_f": 86.0, "tmin_c": "15.5", "rain_mm": 3, "id": 7})])
    assert table(found) == {
        date(2026, 6, 13): {"tmax_c": pytest.approx(30.0), "tmin_c": 15.5, "rain_mm": 3.0}
    }
    assert found.credit is None


def test_fields_by_path() -> None:
    body = {"day": {"of": "13.06.2026"}, "temp": {"max": "71.6", "min.air": 50}, "list": [{"mm": 0.5}]}
    found = parse(
        [said(body)], date_format="%d.%m.%Y",
        fields={"date": "day.of", "tmax_f": "temp.max", "tmin_f": "temp.min.air", "rain_in": "list.0.mm"},
    )  # fmt: skip
    assert table(found)[date(2026, 6, 13)] == pytest.approx({"tmax_c": 22.0, "tmin_c": 10.0, "rain_mm": 12.7})


def test_a_part_of_a_day_is_not_the_day() -> None:
    """Sent at noon, and not again: its maximum is that of a morning."""
    noon = datetime(2026, 6, 13, 16, 0, tzinfo=UTC)
    body = {"date": "2026-06-13", "tmax_c": 20.0, "rain_mm": 1.0}
    with pytest.raises(CouldNot, match="heard before the day was over, and not again"):
        parse([said(body, noon)])
    later = {**body, "tmax_c": 27.0}
    assert table(parse([said(body, noon), said(later, noon + timedelta(hours=12))])) == {
        date(2026, 6, 13): {"tmax_c": 27.0, "rain_mm": 1.0}
    }
    kept = {**body, "time": "2026-06-13T16:00:00Z"}  # kept by the broker, with its own time
    with pytest.raises(CouldNot, match="before the day was over"):
        parse([said(kept, retained=True)])
    assert table(parse([said(body, retained=True)])), "kept without a time: its date is all there is"


def test_rain_of_today_is_rain_so_far() -> None:
    found = parse([said({"date": "2026-06-14", "tmax_c": 19.0, "rain_mm": 2.5})])
    assert table(found) == {TODAY: {"rain_so_far_mm": 2.5}}


def test_without_a_date_it_is_nobodys_day() -> None:
    with pytest.raises(CouldNot, match="without a usable date set aside"):
        parse([said({"tmax_c": 20.0})])


@pytest.mark.parametrize("day", ["2026-06-20", "1970-01-01", "2026-02-30", "soon", 17, None, {}])
def test_impossible_dates(day: Any) -> None:
    with pytest.raises(CouldNot, match="one usable value"):
        parse([said({"date": day, "tmax_c": 20.0})])


@pytest.mark.parametrize("payload", ["offline", "", "null", "[1]", "3", '"x"', "{", "[" * 5000, '{"a": NaN}'])
def test_what_is_no_message(payload: str) -> None:
    good = said({"date": "2026-06-13", "tmax_c": 20.0})
    assert table(parse([said(payload), good])) == {date(2026, 6, 13): {"tmax_c": 20.0}}


@pytest.mark.parametrize("value", [math.nan, math.inf, 1e308, -9999, "--", True, None, [], {}, "1_0", 99])
def test_values_that_are_none(value: Any) -> None:
    body = {"date": "2026-06-13", "tmax_c": value, "tmin_c": 10.0}
    assert table(parse([said(body)])) == {date(2026, 6, 13): {"tmin_c": 10.0}}


def test_the_neighbours_sensor() -> None:
    heard = [said({"id": i, "date": "2026-06-13", "tmax_c": 20.0 + i}) for i in (1, 2, 3)]
    assert table(parse(heard, only={"id": "2"}))[date(2026, 6, 13)] == {"tmax_c": 22.0}


def test_settings_are_checked() -> None:
    wrong = {"kind": "hourly", "fields": {"tmax": "x", "rain_total_mm": "y", "pressure_kpa": "z"}}
    complaints = messages.check(wrong)
    assert complaints[0] == 'kind: "hourly" - expected readings or daily'
    assert len(complaints) == 3
    assert messages.check({"fields": {"temp_f": "t", "tmin_f": "low"}}) == [
        "fields: temp_f: needs kind: readings; a day has tmin and tmax"
    ]
    with pytest.raises(BadInput):
        messages.plan(wrong)
    assert messages.check({"kind": "readings", "fields": {"temp_f": "t", "rain_total_in": "r"}}) == []


# --- readings ------------------------------------------------------------------------------------


def sample(samples: Path, topic: str) -> list[Message]:
    found = []
    for line in (samples / "station_mqtt_messages.jsonl").read_text(encoding="utf-8").splitlines():
        item = json.loads(line)
        if item["topic"] == topic:
            body = item["payload"]
            at = NOW
            if isinstance(body, dict) and "time" in body:
                at = datetime.fromisoformat(body["time"]).replace(tzinfo=NEW_YORK)
            found.append(said(body, at, topic=topic))
    return found


RECEIVER = {
    "time": "time", "temp_c": "temperature_C", "rh_pct": "humidity", "wind_m_s": "wind_avg_m_s",
    "rain_total_mm": "rain_mm", "solar_w_m2": "light_W_m2",
}  # fmt: skip


def test_radio_receiver(samples: Path) -> None:
    """Twelve messages, two hours apart; the counter goes 412.4, 413.2, 0.8 (a restart): 1.6 mm."""
    heard = sample(samples, "shed/sdr/events")
    assert len(heard) == 12
    day = table(parse(heard, kind="readings", only={"id": 77}, fields=RECEIVER))[date(2026, 6, 13)]
    assert (day["tmin_c"], day["tmax_c"]) == (19.4, 27.4)
    assert (day["rh_min_pct"], day["rh_max_pct"]) == (70, 100)
    assert day["rain_mm"] == pytest.approx(1.6)
    watts = [0, 0, 0, 0, 114.1, 285.7, 427.1, 457.9, 376.6, 263.4, 91.4, 0]
    assert day["solar_mj_m2"] == pytest.approx(sum(watts) * 7200e-6, rel=0.01)
    wind = [2.2, 1.59, 1.72, 1.95, 2.75, 3.12, 3.44, 3.99, 4.07, 3.78, 3.29, 2.47]
    assert day["wind_m_s"] == pytest.approx(sum(wind) / 12, rel=0.02)


def test_station_program(samples: Path) -> None:
    """Numbers and seconds since 1970 as text, a payload that is a word; 3 readings are no day."""
    heard = sample(samples, "shed/weather/loop")
    fields = {"time": "dateTime", "temp_f": "outTemp_F", "rain_day_in": "dayRain_in"}
    with pytest.raises(CouldNot, match="too few readings on 2026-06-13"):
        parse(heard, kind="readings", fields=fields)


def every(minutes: int, first: datetime, count: int, body: Any) -> list[Message]:
    made = []
    for i in range(count):
        at = first + timedelta(minutes=minutes * i)
        made.append(said(body(i), at))
    return made


@pytest.mark.parametrize(
    ("day", "hours"), [(date(2026, 3, 8), 23), (date(2026, 11, 1), 25), (date(2026, 6, 13), 24)]
)
def test_days_of_23_24_25_hours(day: date, hours: int) -> None:
    """A rise of 0.1 mm and 100 W/m2 in every hour: the day's sums count its hours."""
    midnight = datetime(day.year, day.month, day.day, tzinfo=NEW_YORK).astimezone(UTC)
    heard = every(10, midnight - timedelta(hours=5), 6 * 40,
                  lambda i: {"r": round(i / 60, 6), "s": 100, "t": 10 + i % 7})  # fmt: skip
    found = parse(
        heard, day + timedelta(days=1), midnight + timedelta(hours=36), kind="readings",
        fields={"rain_total_mm": "r", "solar_w_m2": "s", "temp_c": "t"},
    )  # fmt: skip
    fields = table(found)[day]
    assert fields["rain_mm"] == pytest.approx(hours * 0.1, abs=1e-6)
    assert fields["solar_mj_m2"] == pytest.approx(hours * 3600 * 100e-6)
    assert (fields["tmin_c"], fields["tmax_c"]) == (10, 16)


def test_the_hour_that_comes_twice() -> None:
    """Local text times over the autumn change: which of the two hours it is, the arrival tells."""
    midnight = datetime(2026, 11, 1, tzinfo=NEW_YORK).astimezone(UTC)
    arrivals = [midnight + timedelta(minutes=30 * i) for i in range(-4, 54)]
    heard = [
        said({"time": f"{at.astimezone(NEW_YORK):%Y-%m-%d %H:%M:%S}", "mm": 1.0}, at + timedelta(seconds=3))
        for at in arrivals
    ]
    fields = {"time": "time", "rain_mm": "mm"}
    found = parse(heard, date(2026, 11, 2), midnight + timedelta(hours=30), kind="readings", fields=fields)
    assert table(found)[date(2026, 11, 1)]["rain_mm"] == 50.0, "25 hours, two a time"


def test_a_half_day_is_no_day_and_today_is_not_over() -> None:
    begin = datetime(2026, 6, 13, 4, 0, tzinfo=UTC)
    heard = every(15, begin, 4 * 13, lambda i: {"t": 20, "mm": 0.1})
    fields = {"temp_c": "t", "rain_mm": "mm"}
    with pytest.raises(CouldNot, match="too few readings on 2026-06-13"):
        parse(heard, kind="readings", fields=fields)
    heard = every(15, begin + timedelta(days=1), 15, lambda i: {"t": 20, "mm": 0.1})
    found = parse(heard, kind="readings", fields=fields)
    assert table(found) == {TODAY: {"rain_so_far_mm": pytest.approx(1.4)}}, (
        "the first one fell before midnight"
    )


def test_messages_without_rain_do_not_say_dry() -> None:
    begin = datetime(2026, 6, 13, 3, 0, tzinfo=UTC)
    heard = every(10, begin, 170, lambda i: {"t": 20, "mm": None} if i else {"t": 20, "mm": 0.0})
    assert (
        "rain_mm"
        not in table(parse(heard, kind="readings", fields={"temp_c": "t", "rain_mm": "mm"}))[
            date(2026, 6, 13)
        ]
    )


def test_the_same_reading_twice_is_one() -> None:
    begin = datetime(2026, 6, 13, 3, 0, tzinfo=UTC)
    heard = every(
        10, begin, 170, lambda i: {"time": int((begin + timedelta(minutes=10 * i)).timestamp()), "mm": 0.1}
    )
    fields = {"time": "time", "rain_mm": "mm"}
    once = table(parse(heard, kind="readings", fields=fields))
    again = [said(json.loads(m.text), m.received_at + timedelta(seconds=40)) for m in heard]
    assert table(parse(heard + again, kind="readings", fields=fields)) == once


def test_stamps_of_the_future_and_of_1970_are_set_aside() -> None:
    begin = datetime(2026, 6, 13, 3, 0, tzinfo=UTC)
    heard = every(
        10, begin, 170, lambda i: {"time": (begin + timedelta(minutes=10 * i)).isoformat(), "t": 20}
    )
    wrong = [
        said({"time": (NOW + timedelta(days=2)).isoformat(), "t": 50}),
        said({"time": "1999-06-13T12:00:00Z", "t": 50}),
        said({"time": "2026-06-13T25:61:00Z", "t": 50}),
        said({"t": 50}, retained=True),
    ]
    found = parse(heard + wrong, kind="readings", fields={"time": "time", "temp_c": "t"})
    assert table(found)[date(2026, 6, 13)]["tmax_c"] == 20
    told = " ".join(found.notices)
    for words in ("1 later than now", "1 with an impossible time", "2 without a usable time"):
        assert f"{words} set aside" in told


def test_one_number_per_topic() -> None:
    begin = datetime(2026, 6, 13, 3, 0, tzinfo=UTC)
    heard = every(10, begin, 170, lambda i: str(60 + i % 3))
    assert table(parse(heard, kind="readings", fields={"temp_f": "."}))[date(2026, 6, 13)][
        "tmax_c"
    ] == pytest.approx(62 / 1.8 - 32 / 1.8)


# --- the journal ---------------------------------------------------------------------------------


def test_journal_keeps_what_it_was_told(tmp_path: Path) -> None:
    path = readings.path_for(tmp_path, "station/daily")
    assert path.name.startswith("readings-station-daily-")
    assert readings.path_for(tmp_path, "station/daily") != readings.path_for(tmp_path, "station-daily")
    one, two = said("ü\n{", NOW - timedelta(days=20)), said({"a": 1}, NOW, retained=True)
    readings.append(path, [one])
    with path.open("ab") as file:
        file.write(b'{"at": "2026-06-13T0')  # a power cut
    readings.append(path, [two])
    assert readings.read(path, datetime(2026, 1, 1, tzinfo=UTC)) == [one, two]
    assert readings.read(path, NOW) == [two]
    readings.drop_old(path, NOW)
    assert readings.read(path, datetime(2026, 1, 1, tzinfo=UTC)) == [two]
    assert path.read_bytes().count(b"\n") == 1
    with path.open("ab") as file:
        file.write(b'{"at": "2026-06-14T07:31:00+00:00", "topic": "s", "retained": false, "text": "1"}')
    assert readings.read(path, NOW) == [two], "a line without its end may be a torn one"


def test_journal_stays_below_its_size(tmp_path: Path) -> None:
    path = tmp_path / "readings-x.jsonl"
    readings.append(path, [said("x" * 900, NOW - timedelta(minutes=i)) for i in range(100, 0, -1)])
    readings.drop_old(path, NOW, most_bytes=50_000)
    kept = readings.read(path, NOW - timedelta(days=1))
    assert path.stat().st_size <= 25_000
    assert kept[-1].received_at == NOW - timedelta(minutes=1)
    readings.drop_old(tmp_path / "none.jsonl", NOW)


@given(st.lists(st.text(max_size=30), max_size=6), st.binary(max_size=60))
@settings(max_examples=60, deadline=None)
def test_journal_of_anything(tmp_path_factory: pytest.TempPathFactory, texts: list[str], dirt: bytes) -> None:
    path = tmp_path_factory.mktemp("journal") / "readings-x.jsonl"
    clean = [said(text.encode(errors="replace").decode()) for text in texts]
    path.write_bytes(dirt)
    readings.append(path, clean)
    assert readings.read(path, NOW)[-len(clean) or 99 :] == clean


# --- the source ----------------------------------------------------------------------------------

SPEC = SourceSpec("mqtt", "mqtt station/daily", {"topic": "station/daily"})


def fetch(folder: Path | None, ask: Any, broker: Any = None) -> Fetched:
    return mqtt_station.fetch(
        SPEC, PLACE, today=TODAY, now=NOW, span_from=date(2026, 6, 6), data_folder=folder,
        broker={"host": "h"} if broker is None else broker, environ={}, ask=ask,
    )  # fmt: skip


def nobody(*_: Any, **__: Any) -> list[Message]:
    raise CouldNot("the broker at h:1883 cannot be reached")


def test_journal_first_then_the_broker(tmp_path: Path) -> None:
    body = {"date": "2026-06-13", "tmax_c": 21.0}
    path = readings.path_for(tmp_path, "station/daily")
    kept = [said({**body, "tmax_c": 22.0}, retained=True)]
    assert table(fetch(tmp_path, lambda *_, **__: kept))[date(2026, 6, 13)]["tmax_c"] == 22
    readings.append(path, [said(body, NOW - timedelta(minutes=30))])
    assert table(fetch(tmp_path, nobody))[date(2026, 6, 13)]["tmax_c"] == 21, "heard lately: not asked"
    path.unlink()
    readings.append(path, [said(body, NOW - timedelta(hours=2))])
    found = fetch(tmp_path, nobody)
    assert table(found)[date(2026, 6, 13)]["tmax_c"] == 21
    assert "mqtt station/daily: the broker at h:1883 cannot be reached" in found.notices


def test_nothing_at_all(tmp_path: Path) -> None:
    with pytest.raises(CouldNot, match="cannot be reached"):
        fetch(tmp_path, nobody)
    with pytest.raises(CouldNot, match="nothing of this topic"):
        fetch(None, lambda *_, **__: [])
    with pytest.raises(CouldNot, match="names no broker"):
        fetch(tmp_path, nobody, broker={})
