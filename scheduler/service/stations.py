"""Weather stations that send messages, listened to for as long as the service runs."""

from __future__ import annotations

import threading
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

from scheduler.model import SourceSpec

if TYPE_CHECKING:
    from scheduler.weather.mqtt.listener import Listeners

Told = tuple[Sequence[Mapping[str, Any]], Mapping[str, Any] | None]


class Stations:
    """Starts and stops listeners from a thread of its own: a broker that does not answer takes its time."""

    def __init__(self, data: Path, environ: Mapping[str, str]) -> None:
        self._data = data
        self._environ = environ
        self._told: Told = ((), None)
        self._running: Listeners | None = None
        self._swapping = threading.Lock()

    def use(self, stations: Sequence[Mapping[str, Any]], broker: Mapping[str, Any] | None) -> None:
        told: Told = (tuple(stations), broker)
        if told == self._told or (not stations and not self._told[0]):
            return
        self._told = told
        threading.Thread(target=self._swap, args=(told,), name="stations", daemon=True).start()

    def problems(self) -> list[str]:
        return [] if self._running is None else self._running.problems()

    def close(self) -> None:
        """Without waiting: what was heard is on disk already."""
        self._told = ((), None)
        threading.Thread(target=self._swap, args=(self._told,), name="stations", daemon=True).start()

    def _swap(self, told: Told) -> None:
        with self._swapping:
            running, self._running = self._running, None
            if running is not None:
                running.stop()
            stations, broker = told
            if not stations or told is not self._told:
                return
            from scheduler.weather.mqtt.listener import start_listeners  # brings paho-mqtt

            specs = [SourceSpec(one["kind"], one["name"], one["settings"]) for one in stations]
            self._running = start_listeners(specs, broker, self._data, self._environ)
