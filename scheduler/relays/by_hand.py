"""A valve that a person turns."""

from __future__ import annotations

import logging
from collections.abc import Mapping, Sequence
from typing import Any

from scheduler.relays.base import Site, whole_seconds

log = logging.getLogger(__name__)


def driver(key: str, _settings: Mapping[str, Any], site: Site) -> ByHand:
    return ByHand(key, site.zones)


class ByHand:
    """No hardware: says what to do. Whether it was done, only the grower knows (`rowwater note applied`)."""

    simulated = False
    limit_s = 1.0

    def __init__(self, key: str, zones: Sequence[str]) -> None:
        self.key = key
        self._zones = ", ".join(zones)

    def open(self, seconds: float) -> None:
        minutes = whole_seconds(self.key, seconds) / 60
        log.info("%s: open it yourself, for %.0f min", self._zones, minutes)

    def close(self) -> None:
        log.info("%s: close it yourself", self._zones)

    def release(self) -> None:
        """Nothing is held."""
