"""Doors without a command of their own, called in the worker; a broken promise is an AssertionError."""

from __future__ import annotations

import contextlib
import math
from datetime import UTC, datetime
from typing import Any
from zoneinfo import ZoneInfo

import numpy as np

from scheduler.model import EARLIEST, LATEST, WEATHER_FIELDS
from scheduler.planning import sensors
from scheduler.relays.broker import read_state
from scheduler.service import control, meter
from scheduler.weather.files import daily, forecast, station
from scheduler.weather.mqtt import messages
from scheduler.weather.mqtt.readings import Message
from scheduler.weather.quantities import LIMITS

NOW = datetime(2026, 6, 14, 7, 30, tzinfo=UTC)
ZONE = ZoneInfo("America/New_York")
STATION = {"columns": {"tmax_f": "High", "tmin_f": "Low", "rain_in": "Rain", "date": "Date"}}
READING = {"fields": {"temp_c": "temp", "rain_mm": "rain"}, "kind": "readings"}


def _in_range(name: str, value: float) -> None:
    low, high = LIMITS.get(name, (-math.inf, math.inf))[:2]
    assert math.isfinite(value), (name, value)
    assert low <= value <= high, (name, value)


def station_file(data: bytes) -> int:
    """A station's record by its own columns: what is read of it lies in range, and is dated."""
    found = station.read(data, STATION, zone=ZONE, name="station.csv", now=NOW)
    for day, fields in found.days.items():
        assert EARLIEST <= day <= LATEST
        for name, value in fields.items():
            _in_range(name, value)
    return len(found.days)


def daily_file(data: bytes) -> int:
    found = daily.read(data, name="weather.csv")
    for name in WEATHER_FIELDS:
        for value in np.asarray(getattr(found, name)):
            if not math.isnan(value):
                _in_range(name, float(value))
    return len(found.tmin_c)


def forecast_file(data: bytes) -> str:
    return type(forecast.read(data, name="forecast.csv")).__name__


def payload(data: bytes) -> None:
    """Every reader of messages: a number in range, or nothing, or an error that its caller expects."""
    with contextlib.suppress(Exception):  # its caller survives any, see test_meter_payloads
        assert math.isfinite(meter._said(data))
    assert read_state(data) in (True, False, None)
    text = data.decode("utf-8", errors="replace")
    for field in (None, "liters", "a.b", "x.0"):
        value = sensors._value(text, field)
        assert value is None or math.isfinite(value)
    for settings in (READING, {"fields": {"tmax_c": "tmax_c"}, "kind": "daily"}, {}):
        made = messages.plan(settings)
        read = messages.read([Message(NOW, "t", text)] * 2, made, ZONE, now=NOW)
        for one in read.messages:
            assert all(math.isfinite(value) for value in one.values.values())
            assert one.day is None or EARLIEST <= one.day <= LATEST


def control_line(data: bytes) -> str:
    """The whole service end: an answer for whatever came, or a request that makes sense."""
    guest, door = _Guest(data), control.ControlSocket.__new__(control.ControlSocket)
    taken: Any = _Taken()
    door._requests = taken
    door._answer(guest)  # type: ignore[arg-type]  # in place of a socket
    assert len(guest.sent) == 1, "no answer"
    assert guest.sent[0].endswith(b"\n")
    return guest.sent[0].decode()


class _Taken:
    """In place of the queue: a request that was let in is sane, and is answered at once."""

    def put(self, one: Any) -> None:
        _, request = one
        assert request.kind in ("water", "stop")
        assert math.isfinite(request.minutes)
        assert request.kind == "stop" or (request.zone and request.minutes > 0)
        request.reply(0, "done")


class _Guest:
    """In place of a socket: it says `data`, and keeps what is answered."""

    def __init__(self, data: bytes) -> None:
        self._rest = data
        self.sent: list[bytes] = []

    def __enter__(self) -> _Guest:
        return self

    def __exit__(self, *_: object) -> None:
        pass

    def settimeout(self, seconds: float) -> None:
        assert seconds > 0

    def recv(self, size: int) -> bytes:
        head, self._rest = self._rest[:size], self._rest[size:]
        return head

    def sendall(self, data: bytes) -> None:
        self.sent.append(data)
