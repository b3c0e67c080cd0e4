"""A run as the pages hold it; `Run.from_page` is the way back."""

from __future__ import annotations

from typing import TYPE_CHECKING

from scheduler.model import Run

if TYPE_CHECKING:
    from scheduler.shapes.base import RunLine


def run_page(run: Run) -> RunLine:
    line: RunLine = {
        "zone": run.zone,
        "pulse": run.pulse,
        "start": run.start.isoformat(),
        "stop": run.stop.isoformat(),
        "minutes": run.minutes,
        "liters": round(run.liters, 4),
        "net_mm": round(run.net_mm, 4),
        "flow_lpm": round(run.flow_lpm, 4),
    }
    if run.feed is not None:
        line["feed"] = {
            "start": run.feed.start.isoformat(timespec="seconds"),
            "stop": run.feed.stop.isoformat(timespec="seconds"),
            "flush_until": run.feed.flush_until.isoformat(timespec="seconds"),
        }
    return line
