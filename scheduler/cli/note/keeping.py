"""What all notes share: a fact goes on record, the plan is made again, and what that changed is said."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping
from datetime import date, datetime, timedelta
from functools import partial
from typing import TYPE_CHECKING, NamedTuple

import click

from scheduler.cli import common
from scheduler.show import show_minutes

if TYPE_CHECKING:
    from scheduler.model import Garden, NoteKind, StoredPlan
    from scheduler.planning.notes import MakePlanting
    from scheduler.shapes.day import DayPage
    from scheduler.store.store import Store

    Function = Callable[..., None]

SURE = click.option("--yes", "sure", is_flag=True, help="the value is meant, however unlikely it looks")


def on_day(what: str, *, days: common.LocalDate = common.DATE) -> Callable[[Function], Function]:
    """--date, and what every note has beside it: --yes, --config, --data."""

    def decorate(function: Function) -> Function:
        dated = click.option("--date", "day", type=days, help=f"the day {what} (default: today)")
        decorated: Function = dated(SURE(common.place_options(function)))
        return decorated

    return decorate


def site() -> tuple[Garden, datetime]:
    """The garden, and the time there."""
    from scheduler.clock import site_now

    garden = common.garden()
    return garden, site_now(garden.location.timezone)


def planting_maker() -> MakePlanting:
    from scheduler.garden.file import planting_from_note

    return partial(planting_from_note, common.config_path())


class Again(NamedTuple):
    """A plan that was made again: the page before and after."""

    before: DayPage
    after: DayPage


def keep(
    garden: Garden,
    now: datetime,
    kind: NoteKind,
    day: date,
    zone: str | None,
    details: Mapping[str, object],
    *,
    said: str,
) -> Again | None:
    """A note goes on record, `said` is said of it, and the plan it bears on is made again."""
    from scheduler.model import Note

    with common.store(now) as store:
        store.add_note(Note(kind, day, told_at(store, now), zone, details))
        click.echo(f"noted for {day}: {said}")
        return plan_again(garden, store, now, day)


def told_at(store: Store, now: datetime) -> datetime:
    """The moment that a fact goes on record with."""
    from scheduler.store.told import moment_of_telling

    return moment_of_telling(store, now)


def newest_since(store: Store, since: date) -> StoredPlan | None:
    """The newest plan, if facts of `since` bear on it."""
    newest = store.newest_plan()
    return None if newest is None or newest.day < since else newest


def plan_again(garden: Garden, store: Store, now: datetime, since: date) -> Again | None:
    """Make the newest plan again if facts of `since` bear on it, and say what changed."""
    newest = newest_since(store, since)
    if newest is None:
        return None
    from scheduler.daily import plan_again as make_again  # all that planning needs: not before it is needed

    moment = _moment_of(garden, newest.day, now)
    page = make_again(
        garden, store, newest.day, now=moment, places=common.places(), before=newest.page
    )  # fmt: skip
    changed = list(_changes(newest.page, page))
    if changed:
        click.echo(f"plan of {newest.day} made again: {', '.join(changed)}")
    return Again(newest.page, page)


def _moment_of(garden: Garden, day: date, now: datetime) -> datetime:
    """When a plan of `day` is made again: now, for what has begun stays as it was planned.

    A plan for a day to come, or of a day so long ago that nobody is asked about it, counts as played:
    at that day's planning time.
    """
    from scheduler.planning.day_rules import today_and_now
    from scheduler.planning.spans import ASK_BACK_DAYS

    if timedelta() <= now.date() - day <= timedelta(days=ASK_BACK_DAYS):
        return now
    return today_and_now(garden, day, now)[1]


def _changes(before: DayPage, after: DayPage) -> Iterator[str]:
    was = {zone["zone"]: zone["minutes"] for zone in before.get("zones", ())}
    for zone in after["zones"]:
        old, new = (
            show_minutes(minutes) if minutes >= 0.5 else "none"
            for minutes in (was.get(zone["zone"], 0.0), zone["minutes"])
        )
        if old != new:
            yield f"{zone['zone']} from {old} to {new}"
