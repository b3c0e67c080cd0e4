"""Soil readings as typed and as a logger writes them."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, date, datetime
from pathlib import Path

import pytest
from core import gardens

from scheduler.errors import BadInput
from scheduler.model import SoilSensor
from scheduler.soilsensor import add_from_files, from_file, read_amount
from scheduler.store.store import Store

NOW = datetime(2026, 6, 12, 9, 0, tzinfo=UTC)
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
            assert add_from_files(plot, store, now=NOW, since=date(2026, 6, 1)) == []
            assert len(store.notes(kind="soil")) == 4
        (tmp_path / "soil.csv").write_text(LOG.replace("North bed", "East bed"))
        (failure,) = add_from_files(plot, store, now=NOW, since=date(2026, 6, 1))
        assert 'no column "North bed"' in failure
        (tmp_path / "soil.csv").unlink()
        (failure,) = add_from_files(plot, store, now=NOW, since=date(2026, 6, 1))
        assert "there is no such file" in failure
        assert len(store.notes(kind="soil")) == 4
