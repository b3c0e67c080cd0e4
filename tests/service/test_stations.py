"""The service's ears for weather stations, on a real broker."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import UTC, datetime
from pathlib import Path

import pytest
from paho.mqtt import publish
from relays.tools import Broker, until

from scheduler.service.stations import Stations
from scheduler.weather.mqtt import readings

LONG_AGO = datetime(2000, 1, 1, tzinfo=UTC)
ONE = {"kind": "mqtt", "name": "mqtt station/daily", "settings": {"topic": "station/daily"}}


@pytest.fixture
def broker(tmp_path: Path) -> Iterator[Broker]:
    made = Broker(tmp_path)
    yield made
    made.stop()


def heard(data: Path) -> list[str]:
    return [
        message.text for path in data.glob("readings-*.jsonl") for message in readings.read(path, LONG_AGO)
    ]


def test_what_stations_say_is_kept_until_another_garden_has_none(broker: Broker, tmp_path: Path) -> None:
    data = tmp_path / "data"
    data.mkdir()
    stations = Stations(data, {})
    stations.use([ONE], broker.settings)

    def said() -> bool:
        publish.single("station/daily", "20", qos=1, hostname="127.0.0.1", port=broker.port)
        return bool(heard(data))

    assert until(said)
    assert stations.problems() == []
    stations.use([], None)
    assert until(lambda: stations._running is None)
    count = len(heard(data))
    publish.single("station/daily", "21", qos=1, hostname="127.0.0.1", port=broker.port)
    assert "21" not in heard(data)
    assert len(heard(data)) == count
    stations.close()


def test_a_garden_without_a_broker_is_told_of(tmp_path: Path) -> None:
    stations = Stations(tmp_path, {})
    stations.use([ONE], None)
    assert until(lambda: stations.problems() != [])
    assert "broker" in stations.problems()[0]
    stations.close()
