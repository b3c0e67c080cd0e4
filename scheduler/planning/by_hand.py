"""Records of water given by hand: what the grower says, turned into litres and net depth (model M9)."""

from __future__ import annotations

from dataclasses import replace
from datetime import date, datetime, time, timedelta
from typing import TYPE_CHECKING, NamedTuple

from scheduler.core.balance.stands import stands
from scheduler.errors import BadInput
from scheduler.model import Applied, Garden, Run, Zone
from scheduler.planning.day_rules import rules_from, watering_day
from scheduler.planning.notes import MakePlanting, with_notes
from scheduler.planning.on_record import net_whole, unanswered
from scheduler.planning.spans import ASK_BACK_DAYS

if TYPE_CHECKING:
    from scheduler.store.store import Store


DECIMALS = 4
"""Of a depth on record, mm: as a plan's. The same water told in minutes or as planned leaves one balance."""


class Rates(NamedTuple):
    flow_lpm: float
    net_per_minute: float  # mm; 0 where no crop stands, today or tomorrow: no planted area to spread it on
    gross_per_minute: float
    fill_minutes: float


def rates(garden: Garden, zone: Zone, day: date) -> Rates:
    """How a zone turns minutes into water on a day; a bare bed on the eve of a planting as that will."""
    standing = stands([zone], day, 2, garden.location, garden.supply)
    if not standing:
        flow = zone.measured_flow_lpm or (zone.rows.tape_m * zone.tape.flow_lpm_per_m if zone.rows else 0.0)
        return Rates(flow, 0.0, 0.0, zone.fill_time_minutes)
    stand = standing[0]
    flow = stand.delivery.flow_lpm
    return Rates(flow, stand.net_per_minute, flow / stand.planting.rows.area_m2, zone.fill_time_minutes)


def by_hand_record(
    garden: Garden,
    store: Store,
    zone_name: str,
    day: date,
    minutes: float | None,
    liters: float | None,
    *,
    now: datetime,
    make_planting: MakePlanting,
    replaces_day: bool = False,
) -> Applied:
    """One record from minutes, or from litres the grower measured (then the minutes follow from the flow).

    Of a zone that garden.yaml has no more, at the rates of its run that day: BadInput where there was none.
    """
    zones = with_notes(garden.zones, store.notes(), make_planting)
    zone = next((z for z in zones if z.name == zone_name), None)
    rate = _rates_as_planned(store, zone_name, day) if zone is None else rates(garden, zone, day)
    measured = liters is not None
    if minutes is None:
        assert liters is not None
        minutes = liters / rate.flow_lpm if rate.flow_lpm else 0.0
    wets = max(minutes - rate.fill_minutes, 0)
    return Applied(
        zone=zone_name,
        day=day,
        minutes=minutes,
        liters=minutes * rate.flow_lpm if liters is None else liters,
        gross_mm=round(wets * rate.gross_per_minute, DECIMALS),
        net_mm=round(wets * rate.net_per_minute, DECIMALS),
        outcome="by hand" if minutes else "never opened",
        recorded_at=now,
        measured=measured,
        replaces_day=replaces_day,
    )


def _rates_as_planned(store: Store, zone_name: str, day: date) -> Rates:
    plan = store.plan(day)
    runs = [] if plan is None else [run for run in plan.runs if run.zone == zone_name and run.minutes > 0]
    if plan is None or not runs:
        raise BadInput(
            f"garden.yaml no longer has {zone_name}, and no run of it was planned on {day}",
            hint="rowwater log shows its days",
        )
    minutes = sum(run.minutes for run in runs)
    net_per_minute = sum(net_whole(plan, run) for run in runs) / minutes
    return Rates(sum(run.liters for run in runs) / minutes, net_per_minute, net_per_minute, 0.0)


def days_planned(store: Store, zone_name: str, today: date) -> list[date]:
    """The last days, today too, on which runs of the zone were planned, whether or not garden.yaml has it."""
    plans = store.plans(today - timedelta(days=ASK_BACK_DAYS), today)
    return [plan.day for plan in plans if any(run.zone == zone_name for run in plan.runs)]


NOON = time(12)


def evening_run(garden: Garden, store: Store, zone_name: str, now: datetime) -> tuple[date, Run] | None:
    """Last evening's run of a zone, and its date, where water told now without a date is meant for it.

    Nobody answered it, the watering hours it lay in were the last to end, and today nothing has begun yet.
    """
    today = watering_day(garden, now)
    before = today - timedelta(days=1)
    over = [
        (begin, until, rule.day)
        for rule in rules_from(garden.supply, before, 2)
        for begin, until in rule.windows(garden.location.timezone)
        if rule.allowed and until.timestamp() <= now.timestamp()
    ]
    if not over or over[-1][2] != before or over[-1][0].time() < NOON:
        return None
    runs = [
        (day, run)
        for day, run in unanswered(store.plans(before, today), store.applied(before, today))
        if run.zone == zone_name and over[-1][0] <= run.start <= now
    ]
    return runs[0] if runs and all(day == before for day, _ in runs) else None


class AsPlanned(NamedTuple):
    records: list[Applied]
    to_come: list[Run]  # planned for the day that is under way, and not over yet


def as_planned_records(
    garden: Garden,
    store: Store,
    *,
    now: datetime,
    day: date | None,
    make_planting: MakePlanting,
    zone: str | None = None,
    given: bool = True,
) -> AsPlanned:
    """One record per planned run that nothing answers yet: of `day`, or of the last days; what is over.

    The plan on record is what the grower was told when the run began: later plans of the day keep it.
    zone: of it alone.  given: False: none of it was.
    """
    first = day or now.date() - timedelta(days=ASK_BACK_DAYS)
    last = day or now.date()
    zones = {zone.name: zone for zone in with_notes(garden.zones, store.notes(), make_planting)}
    found = AsPlanned([], [])
    plans = {plan.day: plan for plan in store.plans(first, last)}
    for when, run in unanswered(plans.values(), store.applied(first, last)):
        if zone not in (None, run.zone):
            continue
        if when <= now.date() and run.stop > now:
            found.to_come.append(run)
        else:
            net_mm = net_whole(plans[when], run)
            record = _as_planned(garden, zones.get(run.zone), when, run, now, net_mm)
            found.records.append(record if given else _not_given(record))
    return found


def _not_given(record: Applied) -> Applied:
    return replace(
        record, minutes=0.0, liters=0.0, gross_mm=0.0, net_mm=0.0, outcome="never opened", opened_at=None,
        closed_at=None,
    )  # fmt: skip


def _as_planned(
    garden: Garden, zone: Zone | None, day: date, run: Run, now: datetime, net_mm: float
) -> Applied:
    rate = rates(garden, zone, day) if zone else None
    share = rate.gross_per_minute / rate.net_per_minute if rate and rate.net_per_minute else 1.0
    return Applied(
        zone=run.zone,
        day=day,
        minutes=run.minutes,
        liters=run.liters,
        gross_mm=net_mm * share,
        net_mm=net_mm,
        outcome="by hand",
        recorded_at=now,
        pulse=run.pulse,
        opened_at=run.start,
        closed_at=run.stop,
    )
