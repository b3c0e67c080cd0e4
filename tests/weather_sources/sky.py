"""The archive of a made-up climate, in the documented shape."""

from __future__ import annotations

import json
import math
import time
from datetime import UTC, date, datetime, timedelta
from typing import Any
from zoneinfo import ZoneInfo

from weather_sources.replay import Answer

SEATTLE = ZoneInfo("America/Los_Angeles")
UNITS = {
    "temperature_2m": "°C", "relative_humidity_2m": "%", "dew_point_2m": "°C", "wind_speed_10m": "m/s",
    "shortwave_radiation": "W/m²", "precipitation": "mm",
}  # fmt: skip


class Sky:
    """Answers at the archive's address; each day of the year is alike in all years, but for what is set."""

    def __init__(self, latitude: float = 47.44, longitude: float = -122.31) -> None:
        self.place = (latitude, longitude)
        self.asked: list[tuple[str, str]] = []
        self.refuse_from: int | None = None  # calls beyond so many meet this answer
        self.refusal = Answer(400, '{"error": true, "reason": "no"}')
        self.null_days: set[date] = set()
        self.warmer_c: dict[int, float] = {}  # by year
        self.rain_mm_h: dict[int, float] = {}
        self.slow_s = 0.0

    def __call__(self, params: dict[str, str], _: Any) -> Answer:
        assert "precipitation_probability" not in params["hourly"]
        self.asked.append((params["start_date"], params["end_date"]))
        if self.refuse_from is not None and len(self.asked) > self.refuse_from:
            return self.refusal
        time.sleep(self.slow_s)
        first, last = (datetime.fromisoformat(text).replace(tzinfo=UTC) for text in self.asked[-1])
        hours = [first + timedelta(hours=i) for i in range(24 * ((last - first).days + 1))]
        rows = [self._hour(at) for at in hours]
        hourly = {name: [row[name] for row in rows] for name in params["hourly"].split(",")}
        latitude, longitude = self.place
        return Answer(body=json.dumps({
            "latitude": latitude, "longitude": longitude, "utc_offset_seconds": 0,
            "hourly_units": {"time": "iso8601", **UNITS},
            "hourly": {"time": [f"{at:%Y-%m-%dT%H:%M}" for at in hours], **hourly},
        }))  # fmt: skip

    def _hour(self, at: datetime) -> dict[str, float | None]:
        if (at - timedelta(minutes=30)).astimezone(SEATTLE).date() in self.null_days:
            return dict.fromkeys(UNITS)
        season = math.cos((at.timetuple().tm_yday - 200) / 365 * 2 * math.pi)
        north = 1 if self.place[0] > 0 else -1
        wave = math.cos((at.hour - 22) / 12 * math.pi)
        usual = 12 + self.warmer_c.get(at.year, 0.0)
        return {
            "temperature_2m": usual + 8 * north * season + 5 * wave, "relative_humidity_2m": 70,
            "dew_point_2m": 6 + 6 * north * season, "wind_speed_10m": 2.5,
            "shortwave_radiation": 60.0, "precipitation": self.rain_mm_h.get(at.year, 0.1),
        }  # fmt: skip
