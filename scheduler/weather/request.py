"""What one weather source is asked."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import date, datetime
from pathlib import Path
from typing import Any

from scheduler.model import Location, SourceSpec, WeatherValue
from scheduler.weather import http
from scheduler.weather.cache import Cache


@dataclass(frozen=True, slots=True)
class Request:
    """What one source is asked."""

    spec: SourceSpec
    location: Location
    folder: str
    span_from: date
    files_from: date
    today: date
    now: datetime
    get: http.Get
    environ: Mapping[str, str]
    stored: Sequence[WeatherValue] = ()
    data_folder: Path | None = None
    cache: Cache | None = None
    broker: Mapping[str, Any] | None = None
