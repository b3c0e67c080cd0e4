"""`rowwater note rain`: the grower's own gauge."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import date, datetime, timedelta
from typing import TYPE_CHECKING
from zoneinfo import ZoneInfo

import click

from scheduler.cli import common
from scheduler.cli.note.doubts import ask_if_meant, date_doubt, rain_doubt
from scheduler.cli.note.keeping import SURE, newest_since, plan_again, site, told_at
from scheduler.errors import BadInput
from scheduler.show import show_depth

if TYPE_CHECKING:
    from scheduler.model import Garden, RainReading
    from scheduler.store.store import Store

CORRECTS_WITHIN = timedelta(hours=2)
"""A second reading so soon, without a --since of its own, corrects the first: common practice, no source."""


@click.command(name="rain")
@click.argument("words", metavar="AMOUNT", nargs=-1, required=True)
@click.option("--since", help="when the gauge was last empty (default: 24 hours before --at)")
@click.option("--at", help="when you read it (default: now)")
@SURE
@common.place_options
def command(words: Sequence[str], since: str | None, at: str | None, sure: bool) -> None:
    """Rain in your own gauge, such as 0.6in; it beats every other source.

    A second reading of the same time, or within two hours and without --since, corrects the first.
    """
    from scheduler.model import Note, RainReading

    garden, now = site()
    amount = " ".join(words)
    mm = common.quantity("depth", amount, garden.display)
    read_at = common.moment_of("--at", at, now, garden.display) if at else now
    if read_at > now + timedelta(minutes=5):
        raise BadInput(f"--at {at} is still to come")
    with common.store(now) as store:
        before = _earlier(store, read_at)
        begin = _since(garden, since, now, read_at, before)
        if begin >= read_at:
            raise BadInput("--since must be before --at")
        reading = RainReading(mm, begin, read_at)
        hours = (read_at - begin).total_seconds() / 3600
        ask_if_meant(
            rain_doubt(garden, mm, hours) or date_doubt(store, read_at.date(), now.date()), sure=sure
        )
        details = {"mm": mm, "since": begin.isoformat(), "at": read_at.isoformat()}
        store.add_note(Note("rain", read_at.date(), told_at(store, now), None, details))
        click.echo(_answer(garden, store, amount, reading, before))
        plan_again(garden, store, now, read_at.date())


def _earlier(store: Store, read_at: datetime) -> list[RainReading]:
    """The readings in force up to then."""
    from scheduler.planning.weather import rain_readings

    return [one for one in rain_readings(store.notes(kind="rain")) if one.at <= read_at]


def _since(
    garden: Garden, since: str | None, now: datetime, read_at: datetime, before: Sequence[RainReading]
) -> datetime:
    """As said; else 24 hours back, but not into what an earlier reading has already told."""
    if since:
        return common.moment_of("--since", since, now, garden.display, day_alone=True)
    zone = ZoneInfo(garden.location.timezone)
    last = max(before, key=lambda one: one.at, default=None)
    if last is not None and read_at - last.at <= CORRECTS_WITHIN:
        return last.since.astimezone(zone)
    told = [] if last is None else [last.at.astimezone(zone)]
    return max([read_at - timedelta(hours=24), *told])


def _answer(
    garden: Garden, store: Store, amount: str, reading: RainReading, before: Sequence[RainReading]
) -> str:
    parts = _by_days(garden, store, reading)
    day = max(parts, key=lambda one: parts[one]) if parts else reading.since.date()
    text = f"noted for {day}: {amount} of rain, {reading.since:%a %H:%M} to {reading.at:%a %H:%M}"
    if len(parts) > 1:
        split = (
            f"{show_depth(mm, garden.display)} on {one:%a} {one.day} {one:%b}" for one, mm in parts.items()
        )
        text += f" ({', '.join(split)})"
    corrected = [one for one in before if reading.since <= one.since]
    return text + "".join(f"; replaces {_named(garden, one)}" for one in corrected)


def _named(garden: Garden, one: RainReading) -> str:
    at = one.at.astimezone(ZoneInfo(garden.location.timezone))
    return f"{show_depth(one.mm, garden.display)} read {at:%a %H:%M}"


def _by_days(garden: Garden, store: Store, reading: RainReading) -> dict[date, float]:
    """mm by day; without looking at other sources' rain where no plan rests on it yet."""
    if newest_since(store, reading.at.date()) is None or reading.mm == 0:
        return {}
    from scheduler.planning.weather import by_days

    return by_days(garden, store, reading)
