"""What the service must know of the garden, small and plain: so that it carries no YAML reader and no numpy.

A child process reads garden.yaml and prints a brief (`job`); the last good one stays in the data
folder with the texts it was made from.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from datetime import date, time
from typing import TYPE_CHECKING, Any

from scheduler.service.actions import MasterRule, Rules, ValveRule
from scheduler.service.dayplan import Rate
from scheduler.show import Display

if TYPE_CHECKING:
    from scheduler.model import Garden, Zone


@dataclass(frozen=True, slots=True)
class Brief:
    """One version of garden.yaml, as far as valves and times go."""

    garden: str
    timezone: str
    display: Display
    plan_at: time
    hours: tuple[str, str]
    usable_lpm: float
    valves: tuple[Mapping[str, Any], ...]  # relays.specs.Spec, and "by_hand": bool
    master: Mapping[str, Any] | None  # {"spec", "opens_before_s", "closes_after_s"}
    service: Mapping[str, Any]  # clock, notify, broker, meter, flow_from
    rates: Mapping[str, Rate]
    rates_day: date
    limits: Mapping[str, Any] | None = None  # `restrictions.Rules`
    longest: Mapping[str, float] = field(default_factory=dict)  # minutes, of zones with a longest run
    stations: tuple[Mapping[str, Any], ...] = ()  # weather stations that send messages: kind, name, settings

    @classmethod
    def read(cls, page: Mapping[str, Any]) -> Brief:
        """ValueError, KeyError or TypeError for what is no brief."""
        return cls(
            garden=str(page["garden"]),
            timezone=str(page["timezone"]),
            display="us" if page["display"] == "us" else "metric",
            plan_at=time.fromisoformat(page["plan_at"]),
            hours=(str(page["hours"][0]), str(page["hours"][1])),
            usable_lpm=float(page["usable_lpm"]),
            valves=tuple(dict(valve) for valve in page["valves"]),
            master=page["master"],
            service=dict(page["service"]),
            rates=rates_of(page["rates"]),
            rates_day=date.fromisoformat(page["rates_day"]),
            limits=page.get("limits"),
            longest={str(zone): float(minutes) for zone, minutes in page.get("longest", {}).items()},
            stations=tuple(dict(one) for one in page.get("stations", ())),
        )

    @property
    def valve_of(self) -> dict[str, str]:
        return {zone: valve["key"] for valve in self.valves for zone in valve["zones"]}

    def specs(self) -> list[dict[str, Any]]:
        """Every valve that a command can close."""
        own = [dict(valve) for valve in self.valves if valve["driver"] != "by_hand"]
        return own + ([dict(self.master["spec"])] if self.master else [])

    def rules(self, rates: Mapping[str, Rate] | None = None) -> Rules:
        flow = {zone: rate[0] for zone, rate in {**self.rates, **(rates or {})}.items()}
        valves = {
            valve["key"]: ValveRule(
                valve["key"],
                tuple(valve["zones"]),
                float(valve["cap_s"]),
                sum(flow.get(zone, 0.0) for zone in valve["zones"]),
            )
            for valve in self.valves
            if valve["driver"] != "by_hand"
        }
        master = None
        if self.master:
            spec = self.master["spec"]
            master = MasterRule(
                spec["key"],
                float(spec["cap_s"]),
                float(self.master["opens_before_s"]),
                float(self.master["closes_after_s"]),
            )
        longest_s = {zone: minutes * 60 for zone, minutes in self.longest.items()}
        return Rules(self.usable_lpm, valves, master, longest_s, self.limits)


def rates_of(page: Mapping[str, Sequence[float]]) -> dict[str, Rate]:
    return {zone: (float(r[0]), float(r[1]), float(r[2]), float(r[3])) for zone, r in page.items()}


def brief_page(garden: Garden, day: date) -> dict[str, Any]:
    from scheduler.planning.day_rules import planning_time
    from scheduler.relays.specs import spec_of
    from scheduler.service.limits import rules_of

    service = dict(garden.service)
    broker = service.get("broker")
    by_key: dict[str, list[Zone]] = {}
    for zone in garden.zones:
        by_key.setdefault(zone.valve.key, []).append(zone)
    master = service.pop("master_valve", None)
    return {
        "garden": garden.name,
        "timezone": garden.location.timezone,
        "display": garden.display,
        "plan_at": planning_time(garden).isoformat(),
        "hours": [f"{garden.supply.hours[0].begin:%H:%M}", f"{garden.supply.hours[-1].until:%H:%M}"],
        "usable_lpm": garden.supply.usable_lpm,
        "valves": [
            spec_of(zones[0].valve, zones=[zone.name for zone in zones], broker=broker)
            for zones in by_key.values()
        ],
        "master": master
        and {
            "spec": spec_of(master["valve"], zones=[], broker=broker),
            "opens_before_s": master["opens_before_minutes"] * 60,
            "closes_after_s": master["closes_after_minutes"] * 60,
        },
        "service": service,
        "rates": rates_page(garden, day),
        "rates_day": day.isoformat(),
        "longest": {
            zone.name: zone.longest_run_minutes
            for zone in garden.zones
            if zone.longest_run_minutes is not None
        },
        "limits": rules_of(garden.supply, garden.location.timezone, garden.display),
        "stations": [
            {"kind": source.kind, "name": source.name, "settings": dict(source.settings)}
            for source in garden.sources
            if source.kind == "mqtt"
        ]
        + [
            {"kind": "mqtt", "name": f"soil {zone.name}", "settings": {"topic": zone.soil_sensor.topic}}
            for zone in garden.zones
            if zone.soil_sensor and zone.soil_sensor.topic
        ],
    }


def rates_page(garden: Garden, day: date, zones: Sequence[Zone] | None = None) -> dict[str, list[float]]:
    """What each zone does with its minutes on a day; `zones`: these instead of the file's own."""
    from scheduler.planning.by_hand import rates

    found = {zone.name: rates(garden, zone, day) for zone in zones or garden.zones}
    return {
        name: [rate.flow_lpm, rate.net_per_minute, rate.gross_per_minute, rate.fill_minutes]
        for name, rate in found.items()
    }
