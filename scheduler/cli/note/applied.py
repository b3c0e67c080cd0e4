"""`rowwater note applied`: water that was really given."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from contextlib import nullcontext, suppress
from dataclasses import replace
from datetime import date, datetime
from typing import TYPE_CHECKING

import click

from scheduler.cli import common
from scheduler.cli.complete import ZONE
from scheduler.cli.note.doubts import ask_if_meant, date_doubt, refuse_impossible_water, water_doubt
from scheduler.cli.note.keeping import on_day, plan_again, planting_maker, site, told_at
from scheduler.errors import BadInput
from scheduler.show import show_depth

if TYPE_CHECKING:
    from scheduler.model import Applied, Garden, Run
    from scheduler.store.store import Store


@click.command(name="applied")
@click.argument("zone", required=False, type=ZONE)
@click.argument("words", metavar="[AMOUNT]", nargs=-1)
@click.option(
    "--as-planned",
    is_flag=True,
    help="every planned run (of ZONE) that is over and not answered was given as planned",
)
@click.option("--not-given", is_flag=True, help="every such run was not given at all")
@click.option(
    "--total", is_flag=True, help="AMOUNT is all that the zone got that day: it corrects earlier records"
)
@on_day("it was given")
def command(
    zone: str | None,
    words: Sequence[str],
    as_planned: bool,
    not_given: bool,
    day: date | None,
    total: bool,
    sure: bool,
) -> None:
    """Water that was really given: ZONE 45min, ZONE 120gal; or [ZONE] --as-planned, [ZONE] --not-given."""
    garden, now = site()
    amount = " ".join(words)
    if as_planned + not_given + bool(amount) != 1 or (amount and zone is None):
        raise click.UsageError("give ZONE and AMOUNT, or --as-planned, or --not-given")
    with common.store(now) as store:
        if day is not None:
            ask_if_meant(date_doubt(store, day, now.date()), sure=sure)
        if zone is None or not amount:
            records = _as_planned(garden, store, now, day, zone, given=as_planned)
        else:
            records = [_typed(garden, store, zone, amount, now, day, total=total, sure=sure)]
        at = told_at(store, now)
        for record in records:
            store.add_applied(replace(record, recorded_at=at))
        for line in _said(garden, store, records):
            click.echo(line)
        plan_again(garden, store, now, min(record.day for record in records))


def _as_planned(
    garden: Garden, store: Store, now: datetime, day: date | None, zone: str | None, *, given: bool
) -> list[Applied]:
    from scheduler.planning.by_hand import as_planned_records

    name = None if zone is None else _named(garden, store, zone, now)
    found = as_planned_records(
        garden, store, now=now, day=day, make_planting=planting_maker(), zone=name, given=given
    )  # fmt: skip
    if not found.records and found.to_come:
        raise BadInput(
            f"no planned run that waits for an answer is over yet: {_times(found.to_come)}",
            hint="say so again afterwards, or what a zone got: rowwater note applied ZONE 20min",
        )
    if not found.records:
        raise BadInput("every planned run has been answered already", hint="rowwater log shows them")
    if found.to_come:
        click.echo(f"not over yet, and not counted: {_times(found.to_come)}")
    return found.records


def _times(runs: Sequence[Run]) -> str:
    return ", ".join(f"{run.zone} {run.start:%H:%M} to {run.stop:%H:%M}" for run in runs)


def _typed(
    garden: Garden,
    store: Store,
    zone: str,
    amount: str,
    now: datetime,
    day: date | None,
    *,
    total: bool,
    sure: bool,
) -> Applied:
    from scheduler.planning.by_hand import by_hand_record

    name = _named(garden, store, zone, now)
    when = day or _meant_day(garden, store, name, now)
    if when > now.date() and not store.plan(when):
        raise BadInput(f"{when} is still to come")
    minutes, liters = _minutes_or_liters(garden, amount)
    refuse_impossible_water(garden, minutes, liters)
    record = by_hand_record(
        garden, store, name, when, minutes, liters,
        now=now, replaces_day=total, make_planting=planting_maker(),
    )  # fmt: skip
    doubt = water_doubt(garden, record.minutes, record.liters, measured=record.measured)
    ask_if_meant(doubt and f"{name}: {doubt}", sure=sure)
    return record


def _named(garden: Garden, store: Store, zone: str, now: datetime) -> str:
    """The zone as garden.yaml spells it; or one that it has no more, with a planned run of the last days."""
    from scheduler.planning.by_hand import days_planned

    return zone if days_planned(store, zone, now.date()) else common.zone_name(garden, zone)


def _meant_day(garden: Garden, store: Store, name: str, now: datetime) -> date:
    """Of water told without a date: today, or last evening where its run still waits for an answer.

    Of a zone that garden.yaml has no more: the last day on which it was planned.
    """
    from scheduler.planning.by_hand import days_planned, evening_run
    from scheduler.planning.day_rules import watering_day

    if name not in {zone.name for zone in garden.zones}:
        last = days_planned(store, name, now.date())[-1]
        click.echo(
            f"for {last:%a} {last.day} {last:%b}: garden.yaml no longer has {name} (another day: --date)"
        )
        return last
    found = evening_run(garden, store, name, now)
    if found is None:
        return watering_day(garden, now)
    day, run = found
    click.echo(f"for {day:%a} {day.day} {day:%b}, the run of {run.start:%H:%M} (another day: --date)")
    return day


def _minutes_or_liters(garden: Garden, text: str) -> tuple[float | None, float | None]:
    with suppress(BadInput):
        return None, _not_below_zero(text, common.quantity("volume", text, garden.display, bare=False))
    with suppress(BadInput) if ":" not in text else nullcontext():  # 1:15 has its own complaint
        return _not_below_zero(text, common.quantity("duration", text, garden.display, bare=True)), None
    raise BadInput(f'"{text}" is neither a time nor a volume - for example 45min or 120gal')


def _not_below_zero(text: str, amount: float) -> float:
    if amount < 0:
        raise BadInput(f'"{text}" is below 0')
    return amount


def _said(garden: Garden, store: Store, records: Sequence[Applied]) -> Iterator[str]:
    """One line for each zone and day."""
    from scheduler.store.store import effective_applied

    groups: dict[tuple[date, str], list[Applied]] = {}
    for record in records:
        groups.setdefault((record.day, record.zone), []).append(record)
    for (day, zone), mine in groups.items():
        minutes = _minutes(mine)
        net = show_depth(sum(one.net_mm for one in mine), garden.display)
        all_day = _minutes(effective_applied(store.applied(day, day, zone)))
        more = "" if all_day == minutes else f"; {all_day} in all that day (--total corrects it)"
        yield f"{zone} {day}: {minutes}, {net} net{more}"


def _minutes(records: Sequence[Applied]) -> str:
    return f"{sum(one.minutes for one in records):.0f} min"
