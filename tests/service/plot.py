"""The garden of the played shed."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import date, time
from typing import Any, Literal
from zoneinfo import ZoneInfo

from scheduler.core.hours.windows import watering_windows
from scheduler.model import Hours, Windows
from scheduler.service.brief import Brief

HOURS = (time(4), time(10))
PLAN_AT = time(3)


@dataclass(frozen=True)
class Plot:
    """zones: name -> (valve key, flow L/min, minutes wanted a day).

    What the plan does not know of (a cap on water, a shorter cap of the valves), the service must look at.
    """

    zones: Mapping[str, tuple[str, float, float]]
    usable_lpm: float = 20.0
    cap_s: float = 3 * 3600.0
    planned_cap_s: float = 3 * 3600.0  # by which the plan is made
    zone: ZoneInfo = ZoneInfo("America/New_York")
    master: bool = False
    hours: tuple[time, time] = HOURS
    evening: tuple[time, time] | None = None  # a second window
    plan_at: time = PLAN_AT
    daily_cap_l: float | None = None
    finish: Literal["early", "late"] | None = None  # None: drawn for each plan
    apart: tuple[tuple[str, ...], ...] = ()  # zones of which no two run at one time

    def windows(self, day: date) -> Windows:
        """The hours that begin on a date."""
        both = [Hours(*pair) for pair in (self.hours, self.evening) if pair]
        return watering_windows(day, both, str(self.zone))

    def brief(self) -> Brief:
        keys: dict[str, list[str]] = {}
        for name, (key, _, _) in self.zones.items():
            keys.setdefault(key, []).append(name)

        def spec(key: str, zones: list[str]) -> dict[str, Any]:
            driver = key.split(":")[0]
            return {"driver": driver, "key": key, "settings": {}, "cap_s": self.cap_s, "zones": zones}

        return Brief.read(
            {
                "garden": "plot",
                "timezone": str(self.zone),
                "display": "us",
                "plan_at": self.plan_at.isoformat(),
                "hours": [f"{t:%H:%M}" for t in self.hours],
                "usable_lpm": self.usable_lpm,
                "valves": [spec(key, names) for key, names in keys.items()],
                "master": {"spec": spec("gpio:0", []), "opens_before_s": 5.0, "closes_after_s": 5.0}
                if self.master
                else None,
                "service": {},
                "rates": {name: [flow, 0.05, 0.055, 0.0] for name, (_, flow, _) in self.zones.items()},
                "rates_day": "2026-01-01",
                "limits": {
                    "timezone": str(self.zone),
                    "hours": [[f"{t:%H:%M}" for t in pair] for pair in (self.hours, self.evening) if pair],
                    "days": "all",
                    "daily_cap_l": self.daily_cap_l,
                    "monthly_cap_l": None,
                    "by_month": {},
                    "not_together": [list(group) for group in self.apart],
                },
            }
        )


PLOT = Plot(
    {
        "tomatoes": ("gpio:1", 9.0, 45.0),
        "beans": ("gpio:2", 8.0, 30.0),
        "lettuce": ("gpio:3", 6.0, 20.0),
        "squash": ("gpio:4", 12.0, 60.0),
        "onions": ("gpio:5", 3.0, 25.0),
        "leeks": ("gpio:5", 3.0, 25.0),
    }
)
