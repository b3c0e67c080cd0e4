"""A run as the pages hold it, and back."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import datetime
from typing import Any

from scheduler.model import Run


def run_page(run: Run) -> dict[str, Any]:
    return {
        "zone": run.zone,
        "pulse": run.pulse,
        "start": run.start.isoformat(),
        "stop": run.stop.isoformat(),
        "minutes": run.minutes,
        "liters": round(run.liters, 4),
        "net_mm": round(run.net_mm, 4),
        "flow_lpm": round(run.flow_lpm, 4),
    }


def run_of(page: Mapping[str, Any]) -> Run:
    return Run(
        zone=page["zone"],
        pulse=page["pulse"],
        start=datetime.fromisoformat(page["start"]),
        stop=datetime.fromisoformat(page["stop"]),
        minutes=page["minutes"],
        liters=page["liters"],
        net_mm=page["net_mm"],
        flow_lpm=page["flow_lpm"],
    )
