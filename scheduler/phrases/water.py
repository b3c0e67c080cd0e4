"""Water given, in phrases."""

from __future__ import annotations

from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from scheduler.shapes.log import LogLine


def outcome(line: LogLine) -> str:
    """Beside the figures: "not answered", "cut short", how long it was at least and at most."""
    remark = "not answered" if line["minutes"] is None else ""
    if line["outcome"] in ("cut short", "interrupted"):
        remark = line["outcome"]
    if "least_minutes" in line and "most_minutes" in line:
        span = f"{line['least_minutes']:.1f} to {line['most_minutes']:.1f} min"
        remark = f"{remark}: {span}".removeprefix(": ")
    return remark
