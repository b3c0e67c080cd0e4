"""The week drawn: each zone's expected deficit with its band, trigger, water, rain; with matplotlib."""

from __future__ import annotations

from datetime import date
from pathlib import Path
from typing import Any

from scheduler.plots.base import pyplot_for
from scheduler.shapes.week import WeekPage, ZoneDay
from scheduler.show import MM_PER_INCH


def draw(page: WeekPage, path: Path) -> None:
    """Write a PNG or SVG. CouldNot where matplotlib is not installed."""
    pyplot = pyplot_for(path)
    unit, size = ("in", MM_PER_INCH) if page["display"] == "us" else ("mm", 1.0)
    dates = [day["date"] for day in page["weather"]]
    zones = list(dict.fromkeys(day["zone"] for day in page["days"]))
    figure, axes = pyplot.subplots(
        len(zones) + 1, 1, sharex=True, squeeze=False, figsize=(8, 2 + 1.8 * len(zones)), layout="constrained"
    )
    rain = axes[0, 0]
    rain.bar(range(len(dates)), [(day["rain_mm"] or 0) / size for day in page["weather"]], color="tab:blue")
    for k, day in enumerate(page["weather"]):
        if day["rain_mm"] and day["rain_chance"] is not None:
            rain.annotate(f"{day['rain_chance']:.0%}", (k, day["rain_mm"] / size), ha="center", va="bottom")
    rain.set_ylim(0, max(2.0 / size, 1.2 * max((day["rain_mm"] or 0) / size for day in page["weather"])))
    rain.set_ylabel(f"rain, {unit}")
    rain.set_title(f"{page['garden']}: the week as planned {page['made_at'][:16].replace('T', ' ')}")
    for row, zone in enumerate(zones, 1):
        _zone(axes[row, 0], [d for d in page["days"] if d["zone"] == zone], dates, size)
        axes[row, 0].set_ylabel(f"{zone}, {unit}")
    labels = [f"{day:%a} {day.day}" for day in map(date.fromisoformat, dates)]
    axes[-1, 0].set_xticks(range(len(dates)), labels)
    if zones:
        axes[1, 0].legend(loc="upper right", fontsize="small", ncols=3)
    figure.savefig(path, dpi=120)
    pyplot.close(figure)


def _zone(axis: Any, days: list[ZoneDay], dates: list[str], size: float) -> None:
    """Deficit downward, so that a wet soil is at the top."""
    at = [dates.index(day["date"]) for day in days]
    lacks = [day["deficit_mm"] / size for day in days]
    sd = [day["deficit_sd_mm"] / size for day in days]
    low = [max(a - b, 0.0) for a, b in zip(lacks, sd, strict=True)]
    high = [a + b for a, b in zip(lacks, sd, strict=True)]
    axis.fill_between(at, low, high, color="tab:brown", alpha=0.25, lw=0)
    axis.plot(at, lacks, color="tab:brown", marker="o", label="evening deficit")
    trigger = [float("nan") if day["trigger_mm"] is None else day["trigger_mm"] / size for day in days]
    axis.plot(at, trigger, color="0.3", ls="--", label="trigger")
    axis.plot(at, [day["raw_mm"] / size for day in days], color="tab:red", ls=":", label="easily used water")
    for k, day in zip(at, days, strict=True):
        if day["minutes"]:
            axis.bar(k, day["net_mm"] / size, width=0.3, color="tab:green", alpha=0.6)
            axis.annotate(f"{day['minutes']:.0f} min", (k, 0), ha="center", va="bottom", fontsize="small")
    axis.set_ylim(bottom=0)
    axis.invert_yaxis()
