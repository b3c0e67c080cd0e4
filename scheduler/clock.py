"""The only place that asks what time it is; everything else is handed `now`."""

from __future__ import annotations

from datetime import datetime
from zoneinfo import ZoneInfo


def site_now(timezone: str) -> datetime:
    return datetime.now(ZoneInfo(timezone))
