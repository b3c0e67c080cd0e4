"""A stored plan, or a request of the grower, as openings of valves."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from datetime import date, datetime

from scheduler.model import Share
from scheduler.service.actions import DayPlan, Watering

Rate = tuple[float, float, float, float]
"""What a zone does with its minutes: (flow L/min, net mm per minute, gross mm per minute, fill minutes)."""


def shares_by_hand(
    zones: Iterable[str], day: date, minutes: float, rates: Mapping[str, Rate]
) -> tuple[Share, ...]:
    """What a run by hand gives to the zones of one valve."""
    return tuple(Share(zone, day, None, minutes, *rates[zone]) for zone in zones)


def plan_from_page(
    page: Mapping[str, object],
    valve_of: Mapping[str, str],
    rates: Mapping[str, Rate],
) -> DayPlan:
    """The runs of a stored plan, valve by valve: zones that open together make one watering."""
    window = page["window"]
    assert isinstance(window, Mapping)
    day = date.fromisoformat(str(page["date"]))
    fill_left: dict[str, float] = {zone: rate[3] for zone, rate in rates.items()}
    groups: dict[tuple[str, float], list[tuple[Share, datetime, datetime]]] = {}
    runs = page.get("runs", ())
    assert isinstance(runs, list | tuple)
    for run in sorted(runs, key=lambda r: (datetime.fromisoformat(r["start"]).timestamp(), r["zone"])):
        zone, minutes = str(run["zone"]), float(run["minutes"])
        start, stop = datetime.fromisoformat(run["start"]), datetime.fromisoformat(run["stop"])
        if zone not in valve_of:
            continue
        flow, net, gross, _ = rates.get(zone, (run["flow_lpm"], 0.0, 0.0, 0.0))
        fill = min(fill_left.get(zone, 0.0), minutes)
        fill_left[zone] = fill_left.get(zone, 0.0) - fill
        share = Share(zone, day, int(run["pulse"]), minutes, flow, net, gross, fill)
        groups.setdefault((valve_of[zone], start.timestamp()), []).append((share, start, stop))
    waterings = [
        Watering(valve, members[0][1], max(m[2] for m in members), tuple(m[0] for m in members))
        for (valve, _), members in groups.items()
    ]
    waterings.sort(key=lambda w: (w.start.timestamp(), w.valve))
    return DayPlan(
        day,
        datetime.fromisoformat(str(window["from"])),
        datetime.fromisoformat(str(window["until"])),
        tuple(w for w in waterings if not w.valve.startswith("by_hand:")),
        tuple(w for w in waterings if w.valve.startswith("by_hand:")),
        _windows(page),
    )


def _windows(page: Mapping[str, object]) -> tuple[tuple[datetime, datetime], ...]:
    found = page.get("windows", ())
    assert isinstance(found, list | tuple)
    return tuple((datetime.fromisoformat(one["from"]), datetime.fromisoformat(one["until"])) for one in found)
