"""Soil readings as typed and as a logger writes them."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, date, datetime
from pathlib import Path

import pytest
from core import gardens

from scheduler.errors import BadGarden, BadInput
from scheduler.garden.file import load_text
from scheduler.model import SoilSensor
from scheduler.planning.sensors import add_from_sensors, from_file, from_messages, read_amount
from scheduler.service.brief import brief_page
from scheduler.store.store import Store
from scheduler.weather.mqtt import readings

NOW = datetime(2026, 6, 12, 9, 0, tzinfo=UTC)
EXAMPLE = Path(__file__).parents[2] / "examples" / "creekside"
SENSOR = SoilSensor("soil.csv", column="North bed", unit="cb", depth_m=0.2)


@pytest.mark.parametrize(
    ("typed", "read"),
    [
        ("35 cb", {"tension_kpa": 35.0}),
        ("35cbar", {"tension_kpa": 35.0}),
        ("35 kPa", {"tension_kpa": 35.0}),
        ("350 hPa", {"tension_kpa": 35.0}),
        ("350 mbar", {"tension_kpa": 35.0}),
        ("0.35 bar", {"tension_kpa": 35.0}),
        ("0.21", {"theta": 0.21}),
        ("21 %", {"theta": 0.21}),
        ("0.21 m3/m3", {"theta": 0.21}),
    ],
)
def test_amounts(typed, read):
    """1 cb = 1 kPa = 10 hPa: by definition of the prefixes."""
    assert read_amount(typed) == pytest.approx(read)


@pytest.mark.parametrize("typed", ["35", "dry", "", "21 psi", "nan cb", "3 5 cb"])
def test_what_is_no_reading(typed):
    with pytest.raises(BadInput, match="is not a soil reading"):
        read_amount(typed)


def garden(folder: Path, text: str, sensor: SoilSensor = SENSOR):
    (folder / "soil.csv").write_text(text)
    plot = gardens.garden(gardens.zone(gardens.planting(planted=date(2026, 5, 1)), soil_sensor=sensor))
    return replace(plot, folder=str(folder), location=replace(gardens.HERE, timezone="UTC"))


LOG = """Time,South bed,North bed
2026-06-10 05:00,10,30.5
2026-06-10 08:00,11,31
2026-06-10 17:00,12,33
2026-06-11 06:00,12,---
2026-06-11 07:00,12,34
2026-06-12 06:00,13,36
2026-06-12 14:00,13,99
"""


def test_the_last_reading_of_each_half_day_counts(tmp_path):
    plot = garden(tmp_path, LOG)
    notes = from_file(plot.zones[0], plot, now=NOW, since=date(2026, 6, 1))
    assert [(n.details["at"], n.details["tension_kpa"]) for n in notes] == [
        ("2026-06-10T08:00:00+00:00", 31.0),
        ("2026-06-10T17:00:00+00:00", 33.0),
        ("2026-06-11T07:00:00+00:00", 34.0),
        ("2026-06-12T06:00:00+00:00", 36.0),  # 14:00 is still to come
    ]
    assert {(n.kind, n.zone, n.details["depth_m"]) for n in notes} == {("soil", "north", 0.2)}


def test_moisture_in_percent_and_a_semicolon(tmp_path):
    sensor = SoilSensor("soil.csv", column="VWC", unit="%", time="Zeit")
    plot = garden(tmp_path, "Zeit;VWC\n2026-06-10 05:00;21,5\n", sensor)
    (note,) = from_file(plot.zones[0], plot, now=NOW, since=date(2026, 6, 1))
    assert note.details["theta"] == pytest.approx(0.215)


def test_readings_go_on_record_once_and_a_bad_file_is_said(tmp_path):
    plot = garden(tmp_path, LOG)
    with Store.open(tmp_path / "rowwater.db", now=NOW) as store:
        for _ in range(2):
            assert add_from_sensors(plot, store, now=NOW, since=date(2026, 6, 1)) == []
            assert len(store.notes(kind="soil")) == 4
        (tmp_path / "soil.csv").write_text(LOG.replace("North bed", "East bed"))
        (failure,) = add_from_sensors(plot, store, now=NOW, since=date(2026, 6, 1))
        assert 'no column "North bed"' in failure
        (tmp_path / "soil.csv").unlink()
        (failure,) = add_from_sensors(plot, store, now=NOW, since=date(2026, 6, 1))
        assert "there is no such file" in failure
        assert len(store.notes(kind="soil")) == 4


def test_messages_are_readings_by_the_time_they_were_heard(tmp_path):
    sensor = SoilSensor(None, None, unit="cb", topic="shed/soil", field="soil.tension")
    plot = garden(tmp_path, "", sensor)

    def heard(hour: int, text: str, *, retained: bool = False) -> readings.Message:
        return readings.Message(datetime(2026, 6, 11, hour, tzinfo=UTC), "shed/soil", text, retained)

    readings.append(
        readings.path_for(tmp_path, "shed/soil"),
        [
            heard(5, '{"soil": {"tension": 28}}'),
            heard(7, '{"soil": {"tension": "31.5"}}'),
            heard(8, '{"soil": {"tension": 99}}', retained=True),  # nobody knows of when it is
            heard(9, '{"soil": {"tension": NaN}}'),
            heard(10, "offline"),
            heard(11, '{"battery": 3.1}'),
            heard(15, '{"soil": {"tension": 36}}'),
        ],
    )
    with Store.open(tmp_path / "rowwater.db", now=NOW) as store:
        for _ in range(2):
            assert add_from_sensors(plot, store, now=NOW, since=date(2026, 6, 1)) == []
            said = [(n.details["at"], n.details["tension_kpa"]) for n in store.notes(kind="soil")]
            assert said == [("2026-06-11T07:00:00+00:00", 31.5), ("2026-06-11T15:00:00+00:00", 36.0)]


def test_a_message_may_be_the_number_itself(tmp_path):
    sensor = SoilSensor(None, None, unit="%", topic="shed/soil")
    plot = garden(tmp_path, "", sensor)
    at = datetime(2026, 6, 11, 6, tzinfo=UTC)
    readings.append(readings.path_for(tmp_path, "shed/soil"), [readings.Message(at, "shed/soil", "21.5")])
    (note,) = from_messages(plot.zones[0], plot, tmp_path, now=NOW, since=date(2026, 6, 1))
    assert note.details["theta"] == pytest.approx(0.215)
    assert note.details["source"] == "mqtt shed/soil"


@pytest.mark.parametrize(
    ("block", "complaint"),
    [
        ("{file: a.csv, column: North, mqtt: {topic: shed/soil}, unit: cb}", "file and mqtt are given"),
        ("{unit: cb}", "missing: a file with its column, or mqtt"),
        ("{file: a.csv, unit: cb}", "missing: column"),
        ("{mqtt: {topic: shed/soil}, column: North, unit: cb}", "is of a file"),
    ],
)
def test_a_sensor_is_a_file_or_a_topic(block, complaint):
    text = (EXAMPLE / "garden.yaml").read_text(encoding="utf-8")
    text = text.replace("    tape: thin\n", f"    tape: thin\n    soil_sensor: {block}\n", 1)
    assert block in text
    with pytest.raises(BadGarden, match=complaint):
        load_text(text.encode(), None, name="garden.yaml", folder=str(EXAMPLE))


def test_a_sensor_that_sends_messages():
    text = (EXAMPLE / "garden.yaml").read_text(encoding="utf-8")
    block = "soil_sensor: {mqtt: {topic: shed/soil, field: kpa}, unit: kPa, depth: 8 in}"
    text = text.replace("    tape: thin\n", f"    tape: thin\n    {block}\n", 1)
    made = load_text(text.encode(), None, name="garden.yaml", folder=str(EXAMPLE))
    sensor = made.zones[0].soil_sensor
    assert sensor is not None
    assert (sensor.file, sensor.topic, sensor.field, sensor.unit) == (None, "shed/soil", "kpa", "kPa")
    stations = brief_page(made, date(2026, 6, 1))["stations"]
    assert {"kind": "mqtt", "name": "soil tomatoes", "settings": {"topic": "shed/soil"}} in stations
